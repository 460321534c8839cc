"""Being told: does the command that studio.yaml names exist, may it run, and can nobody else change it?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from printqueue.cli.doctor.result import Result, Visit, bad, fine
from printqueue.core.errors import UsageError
from printqueue.core.text import shown
from printqueue.core.yaml.plain_yaml import RulesError
from printqueue.service.notices.commands import CommandBook


def notices(visit: Visit) -> Iterator[Result]:
    """The command of `notify`, looked for as the service looks for it; it is not run."""
    yield from notices_results(visit, None)


def notices_results(visit: Visit, where: Sequence[str] | None) -> Iterator[Result]:
    """The same with the folders of commands.yaml given (None: the user's and the system's)."""
    settings = visit.known.config.notify
    if settings is None:
        yield fine("notices", "Nobody is told: studio.yaml has no `notify`.")
        return
    try:
        found = CommandBook(visit.known.root, where).find(settings.command)
    except RulesError as error:
        for problem in error.problems:
            yield bad("notices", str(problem), "Put the line right.")
    except UsageError as error:
        yield bad("notices", error.says, error.do or "Put that right.")
    else:
        program, file = shown(found.program), shown(found.file)
        said = f"On {', '.join(settings.on)}: '{settings.command}' of {file} runs {program} (it was not run now)."
        yield fine("notices", said)
