"""What the ledger and `--json` say about a judged print: the contract's keys, in its order. Pure."""

from __future__ import annotations

from dataclasses import asdict

from printqueue.judging.judged import Judged


def findings_json(one: Judged) -> list[dict[str, object]]:
    """Findings for ledger and `--json`: the contract's keys, in its order."""
    return [
        {
            "check": f.check,
            "level": str(f.level),
            "measured": f.measured,
            "limit": f.limit,
            "unit": f.unit,
            "says": f.says,
            "do": f.do,
            "allowed": f.allowed,
        }
        for f in one.findings
    ]


def measurements_json(one: Judged) -> dict[str, object]:
    """Measurements for ledger and `--json`: values by name, and under `where` the places of findings that have any."""
    where = {f.check: [asdict(region) for region in f.where] for f in one.findings if f.where}
    numbers: dict[str, object] = {name.value: value for name, value in one.measurements.items()}
    return {**numbers, "where": where} if where else numbers
