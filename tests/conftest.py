"""What holds for every test: the same examples on every run, so that a red CI can be repeated, and reports that travel."""

from __future__ import annotations

from collections.abc import Generator

import pytest
from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, database=None, deadline=None)
settings.load_profile("repeatable")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tests of hostile names log lone surrogates; a report must be UTF-8 to travel from a worker of pytest-xdist."""
    report = yield
    report.sections = [(name, text.encode("utf-8", "backslashreplace").decode()) for name, text in report.sections]
    return report
