"""The command line, the only part that prints or exits: one module a command, a table of them in `main`."""
