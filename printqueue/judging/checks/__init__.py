"""The checks, one file each. To add a check, add a file with a `CHECK` in it; there is nothing else to register.

A check applies to a paper only if the paper's rules (or the rules they extend) name it.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from pkgutil import iter_modules
from types import MappingProxyType
from typing import Any

from printqueue.judging.contract import Check


def _discover() -> Mapping[str, Check[Any]]:
    modules = (import_module(f"{__name__}.{info.name}") for info in iter_modules(__path__))
    checks: dict[str, Check[Any]] = {module.CHECK.name: module.CHECK for module in modules}
    return MappingProxyType(dict(sorted(checks.items())))


REGISTRY: Mapping[str, Check[Any]] = _discover()
