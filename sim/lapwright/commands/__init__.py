"""Words in, exit code out; one module a command: `HELP`, `add(parser)`, `main(args)`.

`main` finds the command; heavy imports are made late.
"""
