"""One module a command: `HELP`, `add(parser)`, `main(args) -> exit code`; heavy imports are made late."""
