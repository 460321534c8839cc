"""The one place that holds the version; shown by `--version` and part of every recipe."""

__version__ = "0.1.0"
