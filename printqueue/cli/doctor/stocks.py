"""Papers: are the rules in order, and is each profile one that can be printed with?"""

from __future__ import annotations

from collections.abc import Iterator

from printqueue.cli.doctor.result import Result, Visit, bad, fine, warn
from printqueue.core.errors import WorldError
from printqueue.core.text import shown
from printqueue.studio.papers.schema import Paper
from printqueue.studio.stock import profile_facts


def rules(visit: Visit) -> Iterator[Result]:
    """Every problem of every rule file."""
    shelf = visit.shelf
    for problem in shelf.problems:
        yield bad(
            "rules", str(problem), "A running service keeps the papers as they last were, until this is put right."
        )
    if not shelf.papers:
        yield bad("rules", "There is no paper that can be used in rules/.", "Write one, or copy one from a new studio.")
    elif not shelf.problems:
        yield fine("rules", f"{len(shelf.papers)} papers: {', '.join(shelf.papers)}.")


def profiles(visit: Visit) -> Iterator[Result]:
    """One line for each paper."""
    for key, paper in visit.shelf.papers.items():
        yield _profile(visit, key, paper)


def _profile(visit: Visit, key: str, paper: Paper) -> Result:
    """Header facts, then a real conversion in a bounded process, as a job would do it."""
    name = f"profile {key}"
    try:
        facts = profile_facts(visit.known.path("profiles"), paper)
        if visit.context is not None:
            visit.context.stock(paper)
    except WorldError as error:
        return bad(name, error.says, error.do)
    if facts.is_demonstration:
        return warn(
            name,
            f"{shown(paper.profile)} is a DEMONSTRATION profile: it belongs to no real sheet.",
            f"Put the profile of your sheet, printer and ink into profiles/ and name it in rules/{key}.yaml.",
        )
    tried = "" if visit.context is not None else " (not tried: the reading process does not start)"
    return fine(name, f"{shown(facts.description) or shown(paper.profile)}{tried}")


def tones(visit: Visit) -> Iterator[Result]:
    """A `tone` goes before the profile's own white and black; with a profile of one's own it is most often forgotten."""
    for key, paper in visit.shelf.papers.items():
        if paper.tone.white is None and paper.tone.black is None:
            continue
        try:
            facts = profile_facts(visit.known.path("profiles"), paper)
        except WorldError:
            continue  # said by `profiles`
        if not facts.is_demonstration:
            yield warn(
                f"tone {key}",
                "`tone` still stands in the paper's file although its profile is your own: it hides the profile's white and black.",
                f"Delete the line `tone` in rules/{key}.yaml (or in the file it extends), unless you measured it on this sheet.",
            )
