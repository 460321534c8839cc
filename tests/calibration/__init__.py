"""Limits held against open photographs; see README.md beside this file."""
