"""The command line: parse, one call of a task, show."""
