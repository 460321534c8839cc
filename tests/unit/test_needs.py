"""The estimate of what a picture needs is a bound: compared with the memory that a real child really used."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

from printqueue.colour import spaces
from printqueue.errors import IncompletePictureError
from printqueue.needs import NOTHING, Header, need_of
from printqueue.orders import resolve
from printqueue.outputs.print_tiff import Provenance
from printqueue.papers.loader import Shelf
from printqueue.render.plan import place
from printqueue.starter import init
from printqueue.workbench import Workbench, ask, print_job
from printqueue.worker import JudgeOrder, ProbeOrder, RenderOrder
from tests.service import support

PROVENANCE = Provenance("x", "y", "p", "z", "n", "s", "v")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workbench]:
    """A studio with the starter papers and the product's own template."""
    studio = init(str(tmp_path_factory.mktemp("needs") / "studio"), "")
    with support.template_of("printqueue.worker") as template:
        yield Workbench(studio, template, Shelf.load(studio.path("rules")))


def _request(bench: Workbench, size: str) -> Any:
    (request,) = resolve.resolve(
        bench.shelf.papers, folder_paper="smooth-rag", folder_size=size, order=None, default_paper=None
    )
    return request


@pytest.mark.parametrize(
    ("megapixels", "size", "options"),
    [
        (6, "A3", {"compression": "lzw", "predictor": True, "rowsperstrip": 64}),
        (48, "A5", {"rowsperstrip": 64}),
        (12, "A4", {"compression": "lzw", "rowsperstrip": 100_000}),
    ],
    ids=["enlarged", "reduced nine times", "one strip"],
)
def test_a_child_stays_within_the_estimate(
    bench: Workbench, tmp_path: Path, megapixels: int, size: str, options: dict[str, Any]
) -> None:
    """Judging and rendering keep within the estimate (VmHWM, proc(5)), and the estimate is no wild guess: five times at most."""
    path = tmp_path / "Estuary.tif"
    _paint(path, megapixels, options)
    request = _request(bench, size)
    job = print_job(request, bench.stock(bench.shelf.papers["smooth-rag"]))
    reading, writing = os.open(path, os.O_RDONLY), os.open(tmp_path / "out.tif", os.O_RDWR | os.O_CREAT)
    with bench.child() as child:
        header = ask(child, "probe", ProbeOrder(bench.bounds), (reading,)).header
        assert header is not None
        need = need_of(header, [place(request, header.width_px, header.height_px)])
        assert ask(child, "judge", JudgeOrder((job,), bench.bounds), (reading,)).report is not None
        assert ask(child, "render", RenderOrder(job, PROVENANCE, bench.bounds), (reading, writing)).rendered is not None
        used = _peak_bytes(child._pid)
    os.close(reading)
    os.close(writing)
    assert used < need.memory < 5 * used
    assert need.output >= os.path.getsize(tmp_path / "out.tif")


def test_a_suspicious_picture_has_its_need_too(bench: Workbench, tmp_path: Path) -> None:
    """A black foot that looks never written, and that may be allowed, is no reason to bound the child to nothing."""
    path = tmp_path / "Night.tif"
    tifffile.imwrite(path, np.full((2000, 3000, 3), 30000, np.uint16), photometric="rgb")
    with open(path, "r+b") as stream:
        stream.seek(4096 * 4000)
        stream.write(bytes(os.path.getsize(path) - 4096 * 4000))
    reading = os.open(path, os.O_RDONLY)
    with bench.child() as child:
        with pytest.raises(IncompletePictureError):
            ask(child, "probe", ProbeOrder(bench.bounds), (reading,))
        header = ask(child, "probe", ProbeOrder(bench.bounds, patient=True), (reading,)).header
    os.close(reading)
    assert header is not None
    assert (header.width_px, header.height_px) == (3000, 2000)


def _paint(path: Path, megapixels: int, options: dict[str, Any]) -> None:
    width = round((megapixels * 1.5e6) ** 0.5)
    height = round(width / 1.5)
    row = (30000 + 18000 * np.sin(np.arange(width) / 700)).astype(np.uint16)
    codes = np.broadcast_to(row[None, :, None], (height, width, 3))
    tifffile.imwrite(path, codes, photometric="rgb", iccprofile=spaces.profile_bytes("srgb"), **options)


def _peak_bytes(pid: int) -> int:
    found = re.search(r"^VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text(), re.MULTILINE)
    assert found is not None
    return int(found[1]) * 1024


@given(st.integers(1, 40_000), st.integers(1, 40_000), st.sampled_from(["A5", "A4", "A3", "A2"]))
def test_estimate_stays_bounded(bench: Workbench, width: int, height: int, size: str) -> None:
    """However large the picture, bands keep the estimate below 3 GB: what studio.yaml allows by default."""
    if not 1 / 20 < width / height < 20:
        return
    need = need_of(Header(width, height, 3, 0), [place(_request(bench, size), width, height)])
    assert NOTHING.memory < need.memory < 3e9
    assert need.wall_s >= 30


def test_more_pixels_need_more(bench: Workbench) -> None:
    """Time, disk and memory never shrink when the picture or the sheet grows."""
    small, large = ([place(_request(bench, size), 3000, 2000)] for size in ("A4", "A2"))
    header, wide = Header(3000, 2000, 3, 0), Header(9000, 6000, 3, 0)
    for less, more in [
        (need_of(header, small), need_of(header, large)),
        (need_of(header, small), need_of(wide, small)),
    ]:
        assert less.memory <= more.memory
        assert less.megapixels < more.megapixels
        assert less.output <= more.output
