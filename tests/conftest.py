"""What holds for every test: random examples that a run of the same tests repeats, and reports that travel.

Hypothesis also takes constants from the modules that are loaded, so one file alone may be given other examples.
"""

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
