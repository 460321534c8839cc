"""What `init` puts into a new studio: starter papers, their demonstration profiles, a settings file, ready folders."""

from __future__ import annotations

import os
from importlib.resources import files
from importlib.resources.abc import Traversable

from printqueue.studio.folders import Studio, make_studio, open_studio
from printqueue.studio.papers.loader import Shelf

_SETTINGS = """\
# Settings of this studio. Every line is optional; without it the value shown holds.
# default_paper: smooth-rag     # the paper of a picture dropped directly into ready/
# settle: 5 s                   # the shortest quiet time before a picture is taken
# scan: 15 s                    # a full look at ready/, whatever the file events say
# watch: auto                   # auto | poll
# workers: auto                 # pictures at once
# maker: ""                     # your name
# limits: {pixels: 1000 MP, memory: 3 GB, time: 10 min}
"""


def init(root: str, settings: str = _SETTINGS) -> Studio:
    """Make a studio at `root` (new or empty), ready to run."""
    studio = make_studio(root)
    package = files("printqueue") / "rules"
    for entry in package.iterdir():
        if entry.name.endswith((".yaml", ".md")):
            _copy(entry, studio.path("rules", entry.name))
    for entry in (package / "profiles").iterdir():
        if entry.name.endswith(".icc"):
            _copy(entry, studio.path("profiles", entry.name))
    with open(studio.path("studio.yaml"), "x", encoding="utf-8") as stream:
        stream.write(settings)
    for key, paper in Shelf.load(studio.path("rules")).papers.items():
        for size in paper.sizes:
            os.makedirs(studio.path("ready", key, size.name), exist_ok=True)
    return open_studio(studio.root)


def _copy(entry: Traversable, target: str) -> None:
    with open(target, "xb") as stream:
        stream.write(entry.read_bytes())
