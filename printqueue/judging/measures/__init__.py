"""Measurements: arrays in, numbers out. Nothing here knows about limits, files or a paper's rules."""
