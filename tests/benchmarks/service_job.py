"""Times the whole job in the service: one 50-megapixel 16-bit TIFF to A2 at 360 ppi.

    python tests/benchmarks/service_job.py [--json] [--megapixels 50] [--compression lzw|none]

Prints wall and processor seconds from "settled" to "printable", and the peak resident
memory of the largest process. Nothing in CI is timed; run it on an idle machine.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import resource
import tempfile
import threading
import time
from contextlib import suppress

import numpy as np
import tifffile

from printqueue.imaging.colour import spaces
from printqueue.ledger import LedgerReader
from printqueue.service.starting import running_service
from printqueue.studio.folders import Studio
from printqueue.studio.starter import init


def main() -> None:
    """Make the picture, run the service once over it, print what it took."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--megapixels", type=float, default=50.0)
    parser.add_argument("--compression", choices=("lzw", "none"), default="lzw")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=os.environ.get("BENCH_DIR")) as folder:
        studio = init(os.path.join(folder, "studio"), "settle: 0 s\n")
        target = studio.path("ready", "smooth-rag", "A2", "Harbour.tif")
        # In a process of its own: the painter's memory must not be counted as a child's.
        painter = multiprocessing.get_context("spawn").Process(
            target=paint, args=(target, options.megapixels, options.compression)
        )
        painter.start()
        painter.join()
        size = os.path.getsize(target)
        result = timed(studio) | {"source_bytes": size, "megapixels": options.megapixels, "source": options.compression}
    if options.json:
        print(json.dumps(result, indent=2))
    else:
        print("\n".join(f"{name:<22}{value}" for name, value in result.items()))


def paint(path: str, megapixels: float, compression: str) -> None:
    """A photo-like 16-bit picture with grain."""
    width = round((megapixels * 1e6 * 1.5) ** 0.5)
    height = round(width / 1.5)
    y, x = np.ogrid[:height, :width]
    random = np.random.Generator(np.random.PCG64(1))
    pixels = np.empty((height, width, 3), np.uint16)
    for channel in range(3):
        wave = 30000 + 18000 * np.sin(x / 700 + channel) * np.cos(y / 500)
        pixels[..., channel] = np.clip(wave + random.normal(0, 300, (height, width)), 0, 65535)
    tifffile.imwrite(
        path,
        pixels,
        photometric="rgb",
        compression=None if compression == "none" else compression,
        predictor=compression != "none",
        rowsperstrip=64,
        iccprofile=spaces.profile_bytes("adobe-rgb"),
    )


def timed(studio: Studio) -> dict[str, object]:
    """Run the service once; wall, processor time and peak memory of it and its children."""
    started, cpu = time.monotonic(), _cpu_s()
    with running_service(studio, once=True, watch=False) as service:
        watch = _PeakOfChildren(os.getpid())
        service.run()
        peak_mb = watch.stop()
    wall = time.monotonic() - started
    record = LedgerReader(studio.ledger).prints()[0]
    assert record.state == "printable", record.says
    output = studio.path(record.output or "")
    with tifffile.TiffFile(output) as tiff:
        shape = tiff.pages.first.shape
    return {
        "wall_s": round(wall, 2),
        "cpu_s": round(_cpu_s() - cpu, 2),
        "peak_child_mb": peak_mb,
        "output": f"{shape[1]} x {shape[0]} px",
        "output_bytes": os.path.getsize(output),
    }


class _PeakOfChildren(threading.Thread):
    """Samples the resident memory of all descendants; rusage would count the painter too."""

    def __init__(self, parent: int) -> None:
        super().__init__(daemon=True)
        self._parent, self._peak_kb, self._done = parent, 0, threading.Event()
        self.start()

    def run(self) -> None:
        """Twenty looks a second."""
        while not self._done.wait(0.05):
            for pid in self._descendants(self._parent):
                with suppress(OSError, IndexError, ValueError), open(f"/proc/{pid}/status", encoding="ascii") as status:
                    line = next((text for text in status if text.startswith("VmHWM")), "VmHWM: 0 kB")
                    self._peak_kb = max(self._peak_kb, int(line.split()[1]))

    def stop(self) -> int:
        """End, and give the peak in MB."""
        self._done.set()
        self.join()
        return self._peak_kb // 1024

    def _descendants(self, pid: int) -> list[int]:
        with suppress(OSError), open(f"/proc/{pid}/task/{pid}/children", encoding="ascii") as children:
            own = [int(child) for child in children.read().split()]
            return own + [below for child in own for below in self._descendants(child)]
        return []


def _cpu_s() -> float:
    usages = (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    return sum(usage.ru_utime + usage.ru_stime for usage in usages)


if __name__ == "__main__":
    main()
