"""`render` with a turned sheet and a hairline, from order and rules to the file on disk, through a real child."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

from printqueue.imaging.colour import spaces
from printqueue.studio.starter import init

pytestmark = pytest.mark.slow


def test_a_turned_print_with_a_hairline(tmp_path: Path) -> None:
    """An upright picture for a long-edge feed: the file lies across, the line frames the picture, its head is at the right."""
    studio = init(str(tmp_path / "studio"), "")
    rules = Path(studio.path("rules", "smooth-rag.yaml"))
    text = rules.read_text("utf-8")
    assert "  feed: long-edge\n" in text
    rules.write_text(text.replace("  feed: long-edge\n", "  feed: long-edge\n  turn: to-feed\n"), "utf-8")
    pixels = np.full((900, 600, 3), 30000, np.uint16)
    pixels[:450, :, 0] = 50000  # the upper half is redder
    picture = tmp_path / "Net loft.tif"
    tifffile.imwrite(picture, pixels, photometric="rgb", iccprofile=spaces.profile_bytes("srgb"), metadata=None)
    (tmp_path / "Net loft.order.yaml").write_text("hairline: 0.2 mm\ntitle: The loft\nallow: [resolution]\n", "utf-8")
    out = tmp_path / "out.tif"
    command = [sys.executable, "-m", "printqueue", "-C", studio.root, "render", str(picture)]
    ran = subprocess.run(
        [*command, "--paper", "smooth-rag", "--size", "A5", "-o", str(out)], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    with tifffile.TiffFile(out) as tiff:
        sheet = tiff.pages.first.asarray()
        assert b"The loft" in bytes(tiff.pages.first.tags[700].value)
    height, width = sheet.shape[:2]
    assert (width, height) == (2976, 2098)  # A5, 210 × 148 mm at 360 ppi
    inked = np.argwhere((sheet < 65535).all(axis=-1))
    (top, left), (foot, right) = inked.min(axis=0), inked.max(axis=0)
    ring = sheet[top : top + 3, left : right + 1]
    assert (ring == ring[0, 0]).all(), "3 px of line at 360 ppi"
    assert (sheet[top + 3 + 20, left + 40] != ring[0, 0]).any()
    middle = (top + foot) // 2
    assert int(sheet[middle, right - 200, 0]) > int(sheet[middle, left + 200, 0]) + 5000, "head at the right"
    assert not list(tmp_path.glob(".*")), "no scratch file, no temp"


def test_a_foot_line_in_the_print(tmp_path: Path) -> None:
    """Title, maker, paper and the recipe's first digits, in ink within 8 mm of the foot; the 15 mm above stay bare."""
    studio = init(str(tmp_path / "studio"), "maker: The tidal mill\n")
    picture = tmp_path / "Net loft.tif"
    pixels = np.full((600, 900, 3), 30000, np.uint16)
    tifffile.imwrite(picture, pixels, photometric="rgb", iccprofile=spaces.profile_bytes("srgb"), metadata=None)
    (tmp_path / "Net loft.order.yaml").write_text(
        "foot_line: 2 mm\ntitle: The loft\nborder: {width: 24 mm}\nallow: [resolution]\n", "utf-8"
    )
    out = tmp_path / "out.tif"
    command = [sys.executable, "-m", "printqueue", "-C", studio.root, "render", str(picture), "--paper", "smooth-rag"]
    ran = subprocess.run([*command, "--size", "A5", "-o", str(out)], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    sheet = tifffile.imread(out)
    dark = np.asarray((sheet < 40000).all(axis=-1))
    mm = 360 / 25.4
    height = sheet.shape[0]
    foot = dark[round(height - 8 * mm) :]
    assert 0.005 < foot.mean() < 0.1, "letters, no block"
    assert not foot[round(5 * mm) :].any(), "nothing nearer to the edge than 3 mm"
    assert not dark[round(height - 23 * mm) : round(height - 8.3 * mm)].any(), "the pencil's place"
