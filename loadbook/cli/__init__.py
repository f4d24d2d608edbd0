"""The command line: one file per group of commands, each loaded only when called."""
