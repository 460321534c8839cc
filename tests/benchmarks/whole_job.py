"""Our job against a plain libvips pipeline, alternately, each in a process of its own.

    python tests/benchmarks/whole_job.py [--json] [--pairs 7] [--case 24|50|150 ...] [--whole-pairs 3] [--memory]

Cases at 360 ppi: 24 MP JPEG to A3, 50 MP to A2, 150 MP to A1; the TIFF sources and the print files uncompressed, and with
LZW and predictor. Sources are made once in BENCH_DIR (default: a folder that goes away). Printed: medians, the median of
the paired ratios with its range, and the peak resident memory (VmHWM) of the process that does the work.

render      ours: open, lift, resample, convert, place, write the TIFF. Not counted on either side: starting Python,
            importing libraries, fsync. libvips (two threads): decode, to linear light by a 16-bit table where it shrinks,
            Lanczos, back, ICC transform with black point compensation, white border, the same TIFF.
whole job   ours: the service from "settled" to "printable": copy and hash, all checks, render, verification, the
            proof picture, fsync, publication; against libvips' render with LZW.

--stages    ours alone, once, one stage after the other in one process: where the time of a whole job goes.

Nothing in CI is timed. Run it on an idle machine; how busy others kept it is printed beside each case.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from printqueue.core.model.picture import Metadata
    from printqueue.imaging.render.sheet import Sheet

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as children of the service have it
os.environ.setdefault("MALLOC_ARENA_MAX", "2")
os.environ.setdefault("VIPS_CONCURRENCY", "2")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

PPI = 360
PAPER = ROOT / "printqueue/rules/profiles/smooth-rag.icc"
CASES = {"24": (24.0, "A3"), "50": (50.0, "A2"), "150": (150.0, "A1"), "400": (400.0, "A1")}
WAYS = ("none", "lzw")
Row = dict[str, object]


def main() -> None:
    """Make the sources, run the pairs, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--whole-pairs", type=int, default=3)
    parser.add_argument("--case", action="append", choices=tuple(CASES))
    parser.add_argument("--memory", action="store_true", help="ours alone, once, at 24 to 400 MP in strips")
    parser.add_argument("--stages", action="store_true", help="ours alone, stage by stage")
    parser.add_argument("--step", nargs=4, metavar=("WHO", "SOURCE", "SIZE", "WAY"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.step:
        print(json.dumps(step(*options.step)))
        return
    cases = options.case or ["24", "50", "150"]
    with _folder() as folder:
        if options.stages:
            rows = [_step("stages", source(folder, case, "lzw"), CASES[case][1], "lzw") for case in cases]
        elif options.memory:
            rows = _memory(folder)
        else:
            rows = _rows(folder, cases, options.pairs, options.whole_pairs)
    print(json.dumps(rows, indent=2) if options.json else "\n".join(_line(row) for row in rows))


@contextmanager
def _folder() -> Iterator[Path]:
    kept = os.environ.get("BENCH_DIR")
    if kept:
        Path(kept).mkdir(parents=True, exist_ok=True)
        yield Path(kept)
        return
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


def _rows(folder: Path, cases: list[str], pairs: int, whole_pairs: int) -> list[Row]:
    rows = []
    for case in cases:
        size = CASES[case][1]
        for way in WAYS:
            path = source(folder, case, way)
            rows.append(
                _paired(f"render {path.name} to {size}, {way}", pairs, ("ours", path, size, way), path, size, way)
            )
        path = source(folder, case, "lzw")
        if whole_pairs:
            name = f"whole job {path.name} to {size}"
            rows.append(_paired(name, whole_pairs, ("whole", path, size, "lzw"), path, size, "lzw"))
    return rows


def _paired(name: str, pairs: int, ours: tuple[str, Path, str, str], path: Path, size: str, way: str) -> Row:
    found: list[tuple[Row, Row]] = []
    busy, own = _busy_s(), 0.0
    for _ in range(pairs):
        found.append((_step(*ours), _step("vips", path, size, way)))
        own += sum(float(str(one["process_s"])) for one in found[-1])
    others = max(0.0, _busy_s() - busy - own)
    ratios = sorted(float(str(a["wall_s"])) / float(str(b["wall_s"])) for a, b in found)
    row: Row = {"case": name, "pairs": pairs, "ratio": round(statistics.median(ratios), 2)}
    row["ratio_range"] = f"{ratios[0]:.2f} to {ratios[-1]:.2f}"
    for who, results in (("ours", [a for a, _ in found]), ("vips", [b for _, b in found])):
        for key in ("wall_s", "cpu_s", "peak_mb"):
            row[f"{who}_{key}"] = round(statistics.median(float(str(one[key])) for one in results), 2)
    row["others_busy_s"] = round(others, 1)
    return row


def _memory(folder: Path) -> list[Row]:
    rows: list[Row] = []
    for case, (megapixels, size) in CASES.items():
        path = source(folder, case, "lzw", jpeg=False)
        for who in ("ours", "whole"):
            row = _step(who, path, size, "lzw")
            printed = float(str(row["print_megapixels"])) if "print_megapixels" in row else 0.0
            if printed:
                row["cpu_ms_per_megapixel"] = round(1000 * float(str(row["cpu_s"])) / (megapixels + printed), 1)
            rows.append({"case": f"{who} {path.name} to {size}", **row})
    return rows


def _line(row: Row) -> str:
    return "  ".join(f"{key} {value}" if key != "case" else f"{value:<42}" for key, value in row.items())


def _step(who: str, path: Path, size: str, way: str) -> Row:
    """One repetition in a fresh process."""
    before = os.times()
    ran = subprocess.run(
        [sys.executable, __file__, "--step", who, str(path), size, way], capture_output=True, text=True, check=False
    )
    if ran.returncode != 0:
        raise SystemExit(ran.stderr)
    after = os.times()
    row: Row = json.loads(ran.stdout.splitlines()[-1])
    row["process_s"] = after.children_user + after.children_system - before.children_user - before.children_system
    return row


def _busy_s() -> float:
    """Seconds that all processors were busy since the machine started (proc_stat(5))."""
    numbers = [int(text) for text in Path("/proc/stat").read_text("ascii").splitlines()[0].split()[1:9]]
    return (sum(numbers) - numbers[3] - numbers[4]) / os.sysconf("SC_CLK_TCK")


def source(folder: Path, case: str, way: str, *, jpeg: bool = True) -> Path:
    """The picture of a case, made if it is not there: forms, edges and grain, seeded, in Adobe RGB (1998)."""
    megapixels = CASES[case][0]
    path = folder / (f"{case}.jpg" if case == "24" and jpeg else f"{case}-{way}.tif")
    if path.exists():
        return path
    paint_in = "import sys; sys.path.insert(0, {!r}); from tests.benchmarks.whole_job import {} as f; f(*{!r})"
    if path.suffix == ".jpg":
        order = paint_in.format(str(ROOT), "paint_jpeg", (str(path), megapixels))
    else:
        order = paint_in.format(str(ROOT), "paint_tiff", (str(path), megapixels, way))
    subprocess.run([sys.executable, "-c", order], check=True)  # its memory must not be counted as ours
    return path


def paint_tiff(path: str, megapixels: float, way: str) -> None:
    """A 16-bit TIFF in strips of 64 rows."""
    from tests.benchmarks.service_job import paint

    paint(path, megapixels, way)


def paint_jpeg(path: str, megapixels: float) -> None:
    """An 8-bit JPEG of quality 95, 4:4:4."""
    import numpy as np
    from PIL import Image

    from printqueue.imaging.colour import spaces

    width = round((megapixels * 1e6 * 1.5) ** 0.5)
    height = round(width / 1.5)
    y, x = np.ogrid[:height, :width]
    random = np.random.default_rng(1)
    planes = [120 + 70 * np.sin(x / 700 + c) * np.cos(y / 500) + random.normal(0, 2, (height, width)) for c in range(3)]
    pixels = np.stack(planes, axis=-1).clip(0, 255).astype(np.uint8)
    Image.fromarray(pixels).save(path, quality=95, subsampling=0, icc_profile=spaces.profile_bytes("adobe-rgb"))


def step(who: str, path: str, size: str, way: str) -> Row:
    """One repetition in this process: seconds of wall and processor, and peak memory in MB (10⁶ bytes)."""
    ways: dict[str, Callable[[str, str, str], Row]] = {"ours": _ours, "vips": _vips, "whole": _whole, "stages": _stages}
    return ways[who](path, size, way)


def _timed(work: Callable[[], None]) -> Row:
    wall, cpu = time.monotonic(), time.process_time()
    work()
    took = {"wall_s": time.monotonic() - wall, "cpu_s": time.process_time() - cpu}
    status = Path("/proc/self/status").read_text("ascii")
    peak = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM"))
    return {**{key: round(value, 3) for key, value in took.items()}, "peak_mb": round(peak * 1024 / 1e6)}


def _ours(path: str, size: str, way: str) -> Row:
    """Our render without verification."""
    from printqueue.core import sizes
    from printqueue.core.model.request import Request
    from printqueue.imaging.colour.icc import read_profile
    from printqueue.imaging.decode.opening import open_picture
    from printqueue.imaging.decode.reader import Bounds
    from printqueue.imaging.render.engine import renderer
    from printqueue.imaging.render.plan import place
    from printqueue.imaging.render.sheet import sheet_of
    from printqueue.sandbox import tasks as worker

    worker.warm_up()
    paper, printed = PAPER.read_bytes(), [0.0]

    def work() -> None:
        with open(path, "rb") as stream, open(path + ".out", "w+b") as out:
            picture = open_picture(stream, Bounds())
            facts, request = picture.facts, Request("smooth-rag", sizes.parse(size), ppi=PPI)
            planned = place(request, facts.width_px, facts.height_px)
            assert picture.icc is not None
            drawn = renderer(
                picture, picture.icc, read_profile(picture.icc), paper_profile=paper, request=request, placement=planned
            )
            printed[0] = planned.sheet_px[0] * planned.sheet_px[1] / 1e6
            if way == "lzw":
                _write_lzw(out, sheet_of(drawn), facts.metadata)
            else:
                _write_plain(out, sheet_of(drawn).file_bands(lambda band: band.tobytes()), planned.file_px, paper)

    row = _timed(work)
    os.unlink(path + ".out")
    return {**row, "print_megapixels": round(printed[0], 1)}


def _write_lzw(out: BinaryIO, sheet: Sheet, metadata: Metadata) -> None:
    """As the product writes."""
    from printqueue.imaging.jobs import Provenance
    from printqueue.imaging.outputs.print_tiff import encode_band, write

    write(
        out,
        sheet.file_bands(encode_band),
        size_px=sheet.file_px,
        ppi=PPI,
        profile=sheet.paper_profile,
        provenance=Provenance("0" * 64, "0" * 64, "smooth-rag", "0" * 64, "", "", ""),
        metadata=metadata,
    )


def _write_plain(out: BinaryIO, bands: Iterator[bytes], size_px: tuple[int, int], paper: bytes) -> None:
    """Uncompressed: the product always compresses, so this stands here."""
    import numpy as np
    import tifffile

    with tifffile.TiffWriter(out) as writer:
        place = writer.write(
            shape=(size_px[1], size_px[0], 3),
            dtype=np.uint16,
            photometric="rgb",
            iccprofile=paper,
            resolution=(PPI, PPI),
            resolutionunit="inch",
            metadata=None,
            returnoffset=True,
        )
    assert place is not None
    out.seek(place[0])
    out.writelines(bands)


def _vips(path: str, size: str, way: str) -> Row:
    """The same picture on the same sheet by libvips."""
    import pyvips

    from printqueue.core import sizes
    from printqueue.core.model.request import Request
    from printqueue.imaging.colour import spaces
    from printqueue.imaging.render.plan import place

    with tempfile.TemporaryDirectory(dir=os.path.dirname(path)) as folder:
        profile = Path(folder) / "source.icc"
        profile.write_bytes(spaces.profile_bytes("adobe-rgb"))

        def work() -> None:
            image = pyvips.Image.new_from_file(path, access="sequential", fail_on="error")
            planned = place(Request("smooth-rag", sizes.parse(size), ppi=PPI), image.width, image.height)
            width, height = planned.picture_px
            if image.format == "uchar":
                image = (image.cast("ushort") * 257).cast("ushort")
            image = image.copy(interpretation="rgb16")
            gamma = 563 / 256  # Adobe RGB (1998)
            shrinks = width < image.width
            if shrinks:
                image = image.gamma(exponent=gamma)  # codes → linear light, a table of 65,536 steps
            image = image.resize(width / image.width, vscale=height / image.height, kernel="lanczos3")
            if shrinks:
                image = image.gamma(exponent=1 / gamma)
            image = image.icc_transform(
                str(PAPER),
                input_profile=str(profile),
                intent="relative",
                black_point_compensation=True,
                depth=16,
            )
            image = image.embed(
                planned.left_px, planned.top_px, *planned.sheet_px, extend="background", background=[65535] * 3
            )
            options = {"compression": "lzw", "predictor": "horizontal"} if way == "lzw" else {"compression": "none"}
            image.tiffsave(str(Path(folder) / "out.tif"), xres=PPI / 25.4, yres=PPI / 25.4, **options)

        return _timed(work)


def _stages(path: str, size: str, _: str) -> Row:
    """Seconds of wall time of what the child and the service do for one print, one after the other."""
    import hashlib
    import io

    from printqueue.core import sizes
    from printqueue.core.model.request import Request
    from printqueue.imaging.colour.icc import read_profile
    from printqueue.imaging.colour.source_profile import choose
    from printqueue.imaging.decode.opening import open_picture
    from printqueue.imaging.decode.reader import Bounds
    from printqueue.imaging.decode.whole import probe
    from printqueue.imaging.jobs import PrintJob, ProofWish, ProofWords
    from printqueue.imaging.prints import drawn
    from printqueue.imaging.proof_pictures import make_proof
    from printqueue.imaging.render.plan import place
    from printqueue.imaging.render.sheet import sheet_of
    from printqueue.imaging.render.verify import verify
    from printqueue.judging.survey.first import first_pass
    from printqueue.judging.survey.native import native_readings
    from printqueue.judging.survey.printed import printed_readings
    from printqueue.judging.survey.tones import tone_readings
    from printqueue.sandbox import tasks as worker
    from printqueue.studio.papers.loader import Shelf

    worker.warm_up()
    took: dict[str, float] = {}
    data, paper = PAPER.read_bytes(), Shelf.load(PAPER.parents[1]).papers["smooth-rag"]
    facts = paper.facts(profile_name="", profile_white=(97, 0, 0), profile_black=(17, 0, 0), is_demonstration=True)
    job = PrintJob(Request("smooth-rag", sizes.parse(size), ppi=PPI), facts, paper.checks, data)

    @contextmanager
    def stage(name: str) -> Iterator[None]:
        start = time.monotonic()
        yield
        took[name] = round(time.monotonic() - start, 2)

    with open(path, "rb") as stream, open(path + ".out", "w+b") as out:
        with stage("hash_s"):
            hashlib.file_digest(stream, "sha256")
        with stage("probe_s"):
            probe(stream, Bounds())
        picture = open_picture(stream, Bounds())
        profile = choose(picture.facts, picture.icc, None)
        assert profile.data is not None
        assert profile.facts is not None
        with stage("read_all_rows_s"):
            first = first_pass(picture)
        with stage("pixel_grid_s"):
            native_readings(first, picture.facts)
        with stage("tones_s"):
            tone_readings(first.copy, profile, data, job.request)
        picture = open_picture(stream, Bounds())  # as the second question to a child
        renderer = drawn(picture, profile, job, place(job.request, picture.facts.width_px, picture.facts.height_px))
        with stage("print_scale_s"):
            printed_readings(renderer, read_profile(profile.data))
        sheet = sheet_of(renderer)
        with stage("render_s"):
            _write_lzw(out, sheet, picture.facts.metadata)
            out.flush()
        with stage("verify_s"):
            verify(out, sheet)
        with stage("proof_s"):
            make_proof(
                picture,
                first.copy,
                job,
                ProofWish(ProofWords("Harbour", "A2", "Accepted.")),
                out=io.BytesIO(),
                small=io.BytesIO(),
            )
        with stage("sync_s"):
            os.fsync(out.fileno())
        with stage("hash_print_twice_s"):
            for _again in range(2):
                out.seek(0)
                hashlib.file_digest(io.BufferedReader(io.FileIO(os.dup(out.fileno()))), "sha256")
    os.unlink(path + ".out")
    row: Row = {"case": f"stages {Path(path).name} to {size}"}
    return row | took


def _whole(path: str, size: str, _: str) -> Row:
    """The service, once, over one picture."""
    import shutil

    from printqueue.studio.starter import init
    from tests.benchmarks.service_job import timed

    with tempfile.TemporaryDirectory(dir=os.path.dirname(path)) as folder:
        studio = init(os.path.join(folder, "studio"), "settle: 0 s\nlimits: {time: 60 min}\n")
        target = studio.path("ready", "smooth-rag", size, "Harbour" + Path(path).suffix)
        os.makedirs(os.path.dirname(target), exist_ok=True)
        shutil.copyfile(path, target)
        found = timed(studio)
    return {"wall_s": found["wall_s"], "cpu_s": found["cpu_s"], "peak_mb": found["peak_child_mb"]}


if __name__ == "__main__":
    main()
