"""What holds for every test: the same examples on every run, so that a red CI can be repeated."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, database=None, deadline=None)
settings.load_profile("repeatable")
