"""What the photographer wrote: are settings, papers and profiles in order, and can the `notify` command run?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from printqueue.cli.doctor.result import Result, Visit, bad, fine, warn
from printqueue.core.errors import UsageError, WorldError
from printqueue.core.nearest import suggestion
from printqueue.core.text import shown
from printqueue.core.yaml.plain_yaml import RulesError
from printqueue.service.notices.commands import CommandBook
from printqueue.studio.papers.schema import Paper
from printqueue.studio.stock import profile_facts


def settings(visit: Visit) -> Iterator[Result]:
    """studio.yaml, one line per problem."""
    if visit.no_studio is not None:
        return
    if visit.no_settings is not None:
        for line in str(visit.no_settings).split("\n"):
            yield bad(line, "Put the line right.")
        yield warn("Folders, papers, ledger and service were not looked at: settings decide where they are.", "")
        return
    config, papers = visit.known.config, visit.shelf.papers
    if config.default_paper is not None and config.default_paper not in papers:
        said = f"default_paper: there is no paper '{config.default_paper}' in rules/."
        yield bad(said, suggestion(config.default_paper, papers) or "Name a paper of rules/.")
    else:
        yield fine("The settings can be read.")


def rules(visit: Visit) -> Iterator[Result]:
    """Every problem in every rule file."""
    shelf = visit.shelf
    for problem in shelf.problems:
        yield bad(str(problem), "A running service keeps the papers as they last were, until this is put right.")
    if not shelf.papers:
        yield bad("There is no paper that can be used in rules/.", "Write one, or copy one from a new studio.")
    elif not shelf.problems:
        yield fine(f"{len(shelf.papers)} papers: {', '.join(shelf.papers)}.")


def profiles(visit: Visit) -> Iterator[Result]:
    """One line for each paper."""
    for key, paper in visit.shelf.papers.items():
        yield _profile(visit, key, paper)


def _profile(visit: Visit, key: str, paper: Paper) -> Result:
    """Check the header, then try a real conversion in a bounded process, as for a print."""
    name = f"profile {key}"
    try:
        facts = profile_facts(visit.known.path("profiles"), paper)
        if visit.context is not None:
            visit.context.stock(paper)
    except WorldError as error:
        return bad(error.says, error.do, name=name)
    if facts.is_demonstration:
        return warn(
            f"{shown(paper.profile)} is a DEMONSTRATION profile: it belongs to no real sheet.",
            f"Put the profile of your sheet, printer and ink into profiles/ and name it in rules/{key}.yaml.",
            name=name,
        )
    tried = "" if visit.context is not None else " (not tried: the reading process does not start)"
    return fine(f"{shown(facts.description) or shown(paper.profile)}{tried}", name=name)


def tones(visit: Visit) -> Iterator[Result]:
    """`tone` overrides the profile's white and black; it is easily forgotten when a real profile is installed."""
    for key, paper in visit.shelf.papers.items():
        if paper.tone.white is None and paper.tone.black is None:
            continue
        try:
            facts = profile_facts(visit.known.path("profiles"), paper)
        except WorldError:
            continue  # reported by `profiles`
        if not facts.is_demonstration:
            yield warn(
                "`tone` still stands in the paper's file although its profile is your own: it hides the profile's white and black.",
                f"Delete the line `tone` in rules/{key}.yaml (or in the file it extends), unless you measured it on this sheet.",
                name=f"tone {key}",
            )


def notices(visit: Visit) -> Iterator[Result]:
    """The `notify` command, looked up as the service does, but not run."""
    yield from notices_results(visit, None)


def notices_results(visit: Visit, where: Sequence[str] | None) -> Iterator[Result]:
    """The same with the given folders for commands.yaml (None: the user's and the system's)."""
    settings = visit.known.config.notify
    if settings is None:
        yield fine("Nobody is told: studio.yaml has no `notify`.")
        return
    try:
        found = CommandBook(visit.known.root, where).find(settings.command)
    except RulesError as error:
        for problem in error.problems:
            yield bad(str(problem), "Put the line right.")
    except UsageError as error:
        yield bad(error.says, error.do or "Put that right.")
    else:
        program, file = shown(found.program), shown(found.file)
        said = f"On {', '.join(settings.on)}: '{settings.command}' of {file} runs {program} (it was not run now)."
        yield fine(said)
