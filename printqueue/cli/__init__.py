"""The command line: one file per command, registered in `main`."""
