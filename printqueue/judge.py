"""Runs a paper's checks over one subject: numbers in, findings and a verdict out. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from printqueue.checks import REGISTRY
from printqueue.contract import Check
from printqueue.fields import Limits
from printqueue.model.finding import Finding, Level
from printqueue.model.subject import Subject


def judge(subject: Subject, limits: Mapping[str, Limits]) -> list[Finding]:
    """One finding per check that the paper's rules turn on, the artist's allowances marked."""
    checks: Mapping[str, Check[Any]] = REGISTRY
    findings = [checks[name].judge(subject, limit) for name, limit in limits.items()]
    return [allow(finding, subject.request.allow) for finding in findings]


def allow(finding: Finding, allowances: Mapping[str, str]) -> Finding:
    """Mark a finding that the artist allowed; what cannot be rendered cannot be allowed."""
    wanted = finding.check in allowances and finding.level.weight >= Level.WARN.weight
    return finding.allow() if wanted and finding.allowable else finding
