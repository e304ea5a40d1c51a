"""Pictures and pages, made from the run file only."""
