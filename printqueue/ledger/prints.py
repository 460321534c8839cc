"""An arrival's prints (planned, judged, made), and what is kept so that each can be made again.

These rows mean nothing until the intent or settling that follows is committed durably; they precede it in the same
file, so they cost no fsync of their own.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from printqueue.core.model.earlier import EarlierPrint
from printqueue.core.model.job import PrintRecord
from printqueue.ledger import earlier, rows
from printqueue.ledger.transactions import Transactions, json_text


class Prints(Transactions):
    """Rows of `prints`, `kept` and `found_prints`."""

    def plan_prints(self, arrival: int, wanted: Sequence[tuple[str, str, int, str]]) -> list[int]:
        """Job numbers for (paper, size, copies, settings JSON); a later attempt gets the same ones."""
        with self._transaction("planned", f"{len(wanted)} print(s)", arrival, durably=False) as run:
            jobs = [
                job for (job,) in run("SELECT job FROM prints WHERE arrival = ? ORDER BY job", (arrival,)).fetchall()
            ]
            for job in jobs[len(wanted) :]:
                run("DELETE FROM prints WHERE job = ?", (job,))
            for job, one in zip(jobs, wanted, strict=False):
                run("UPDATE prints SET paper = ?, size = ?, copies = ?, settings = ? WHERE job = ?", (*one, job))
            for one in wanted[len(jobs) :]:
                cursor = run(
                    "INSERT INTO prints (arrival, paper, size, copies, settings, findings, measurements)"
                    " VALUES (?, ?, ?, ?, ?, '[]', '{}')",
                    (arrival, *one),
                )
                jobs.append(int(cursor.lastrowid or 0))
        return jobs[: len(wanted)]

    def judged(self, job: int, verdict: str, findings: Sequence[dict[str, Any]], measurements: dict[str, Any]) -> None:
        """Record what the checks said."""
        with self._transaction("judged", verdict, durably=False) as run:
            run(
                "UPDATE prints SET verdict = ?, findings = ?, measurements = ? WHERE job = ?",
                (verdict, json_text(findings), json_text(measurements), job),
            )

    def made(
        self,
        job: int,
        *,
        output: str,
        recipe: str,
        profile_sha256: str,
        rules_sha256: str,
        file_sha256: str = "",
        pixels_sha256: str = "",
    ) -> None:
        """Record where the print file will be (relative to the studio), its recipe and its hashes."""
        hashes = (recipe, profile_sha256, rules_sha256, file_sha256, pixels_sha256)
        with self._transaction("made", recipe, durably=False) as run:
            run(
                "UPDATE prints SET output = ?, recipe = ?, profile_sha256 = ?, rules_sha256 = ?, file_sha256 = ?,"
                " pixels_sha256 = ?, made = ? WHERE job = ?",
                (os.fsencode(output), *hashes, self._now(), job),
            )

    def pictured(self, job: int, thumbnail: str) -> None:
        """Record the name of the daybook's thumbnail; "" for none."""
        with self._transaction(None, "", durably=False) as run:
            run("UPDATE prints SET thumbnail = ? WHERE job = ?", (thumbnail, job))

    def prints_of(self, arrival: int) -> list[PrintRecord]:
        """The prints of one arrival in order."""
        sql = (
            f"SELECT {rows.PRINT} FROM prints p JOIN arrivals a ON a.id = p.arrival WHERE p.arrival = ? ORDER BY p.job"  # noqa: S608 - a constant
        )
        return self._records(rows.print_record, sql, arrival)

    def earlier_findings(self, path: str, before: int) -> dict[str, dict[str, Any]]:
        """Findings by check of the newest judged arrival at `path` older than arrival `before`."""
        found = self._records(
            lambda row: {finding["check"]: finding for finding in json.loads(row["findings"])},
            "SELECT p.findings FROM prints p JOIN arrivals a ON a.id = p.arrival"
            " WHERE a.path = ? AND a.id < ? AND p.findings != '[]' ORDER BY p.job DESC LIMIT 1",
            os.fsencode(path),
            before,
        )
        return found[0] if found else {}

    def earlier_prints(self, sha256: str, arrival: int) -> list[EarlierPrint]:
        """Prints of the same bytes, made or in progress, by arrivals other than `arrival`; ordered by job."""
        return self._records(earlier.record, earlier.SQL, sha256, arrival)

    def remember(self, found: Mapping[str, str], settled: Mapping[str, str] = MappingProxyType({})) -> None:
        """Remember prints (recipe → file) that are in print/ although the ledger that knew of them is lost.

        `settled`: those whose masters are in masters/; a picture in ready/ can be their source only if files cannot
        leave ready/.

        After a rebuild, a print already accounted for by a salvaged row is not remembered: the same picture dropped
        again is then a new order.
        """
        with self._transaction("remembered", f"{len(found)} print(s)") as run:
            run("DELETE FROM found_prints", ())
            for recipe, output in {**settled, **found}.items():
                run(
                    "INSERT INTO found_prints SELECT :recipe, :output, :settled WHERE NOT EXISTS (SELECT 1 FROM prints p"
                    " JOIN arrivals a ON a.id = p.arrival WHERE p.recipe = :recipe AND p.output = :output"
                    " AND (a.state = 'printable' OR (a.state = 'working' AND a.phase IN ('publishing', 'published'))))",
                    {"recipe": recipe, "output": os.fsencode(output), "settled": int(recipe not in found)},
                )
            run("UPDATE rebuilds SET remembered = 1", ())

    @property
    def remembers_prints(self) -> bool:
        """Whether any print is remembered from before this ledger, which is rare."""
        return bool(self._all("SELECT 1 FROM found_prints LIMIT 1"))

    def found_print(self, recipe: str, *, settled: bool = False) -> str | None:
        """The file of a remembered print, relative to the studio."""
        found = self._all("SELECT output FROM found_prints WHERE recipe = ? AND settled = ?", recipe, int(settled))
        return os.fsdecode(found[0][0]) if found else None

    def keep(self, sha256: str, kind: str, data: bytes) -> None:
        """Keep profile bytes or a rules text under its hash, once."""
        with self._lock:
            if not self._all("SELECT 1 FROM kept WHERE sha256 = ?", sha256):
                with self._transaction("kept", f"{kind} {sha256}", durably=False) as run:
                    run("INSERT INTO kept VALUES (?, ?, ?)", (sha256, kind, data))
