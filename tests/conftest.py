"""What holds for every test: the same random examples however the tests are spread over workers, and reports that travel."""

from __future__ import annotations

from collections.abc import Generator
from importlib import import_module
from pkgutil import walk_packages

import pytest
from hypothesis import settings

import printqueue

settings.register_profile("repeatable", derandomize=True, database=None, deadline=None)
settings.load_profile("repeatable")

# Hypothesis also draws constants out of the modules that are loaded. All are, before the first test: otherwise examples would
# depend on which tests a worker happened to run before. (A single file, run alone, may still be given others.)
for _module in walk_packages(printqueue.__path__, "printqueue."):
    if not _module.name.endswith("__main__"):
        import_module(_module.name)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tests of hostile names log lone surrogates; a report must be UTF-8 to travel from a worker of pytest-xdist."""
    report = yield
    report.sections = [(name, text.encode("utf-8", "backslashreplace").decode()) for name, text in report.sections]
    return report
