"""Prose for the photographer: pure functions from records to text."""
