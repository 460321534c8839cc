"""Measurements: arrays in, numbers out. Nothing here knows a limit, a file or a paper's rules."""
