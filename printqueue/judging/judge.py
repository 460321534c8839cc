"""Runs a paper's checks on one subject: numbers in, findings and a verdict out. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.measures import Word
from printqueue.core.model.profile_state import ProfileState
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits
from printqueue.judging.checks import REGISTRY
from printqueue.judging.contract import Check


def judge(subject: Subject, limits: Mapping[str, Limits]) -> list[Finding]:
    """Return one finding for each check that the paper's rules turn on, with the artist's allowances marked."""
    checks: Mapping[str, Check[Any]] = REGISTRY
    in_force = {**limits, **{name: checks[name].limits() for name in _unprintable(subject)}}
    findings = [checks[name].judge(subject, limit) for name, limit in in_force.items()]
    return [allow(finding, subject.request.allow) for finding in findings]


def _unprintable(subject: Subject) -> list[str]:
    """Checks that turn back what cannot be rendered, with their own limits: no paper's rules can soften them."""
    no_colours = subject.text(Word.PROFILE_STATE) in (ProfileState.MISSING, ProfileState.UNREADABLE)
    return [name for name, is_so in (("profile", no_colours), ("size", subject.placement is None)) if is_so]


def allow(finding: Finding, allowances: Mapping[str, str]) -> Finding:
    """Mark a finding that the artist allowed; a picture that cannot be rendered cannot be allowed."""
    wanted = finding.check in allowances and finding.level.weight >= Level.WARN.weight
    return finding.allow() if wanted and finding.allowable else finding
