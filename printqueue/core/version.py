"""The only place the version is defined; shown by `--version` and part of every recipe."""

__version__ = "0.1.0"
