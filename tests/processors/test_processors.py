"""The same print on every processor: golden hashes, and the same again with each library held to other versions of its code.

numpy, OpenBLAS, the C library, libjpeg-turbo and OpenCV each choose their inner loops by what the processor can do. Each can
be told to do as on another one; what the processor at hand lacks is left out, so this asks as much as it can anywhere.
The golden hashes were made on one machine and hold on all, 64-bit ARM included (tried by hand in an emulator).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from numpy._core import _multiarray_umath as umath  # type: ignore[attr-defined]  # numpy names its kernels nowhere else

from printqueue.imaging.colour.manager import ENGINE

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
GOLDEN = json.loads((ROOT / "tests/references/pixel_hashes.json").read_text("utf-8"))

_OPTIONAL = [name for name in umath.__cpu_dispatch__ if umath.__cpu_features__[name]]
_WIDE = [name for name in _OPTIONAL if name not in ("AVX2", "FMA3", "X86_V3")]
_HWCAPS = ",".join(f"-{name}" for name in ("AVX2", "FMA", "FMA4", "AVX512F", "AVX512VL", "AVX512BW", "AVX512DQ"))
KERNELS: dict[str, dict[str, str]] = {
    "BLAS of 2004": {"OPENBLAS_CORETYPE": "Prescott"},
    "BLAS with AVX2": {"OPENBLAS_CORETYPE": "Haswell"},
    "BLAS of another maker": {"OPENBLAS_CORETYPE": "Zen"},
    "BLAS with AVX-512": {"OPENBLAS_CORETYPE": "SkylakeX"},
    "numpy without AVX-512": {"NPY_DISABLE_CPU_FEATURES": " ".join(_WIDE)},
    "numpy without any": {"NPY_DISABLE_CPU_FEATURES": " ".join(_OPTIONAL)},
    "C library without AVX2 and FMA": {"GLIBC_TUNABLES": f"glibc.cpu.hwcaps={_HWCAPS}"},
    "JPEG without SIMD": {"JSIMD_FORCENONE": "1"},
    "OpenCV without AVX2": {"OPENCV_CPU_DISABLE": "AVX2,FP16,AVX512-SKX,AVX512-ICL", "OPENCV_IPP": "disabled"},
}
KERNELS["all of them old"] = {
    name: value for kernel, settings in KERNELS.items() if "AVX-512" not in kernel for name, value in settings.items()
} | KERNELS["BLAS of 2004"]


def _possible(kernel: str) -> bool:
    features = umath.__cpu_features__
    if kernel == "BLAS with AVX-512":
        return bool(features.get("X86_V4") or features.get("AVX512_SKX"))
    if kernel in ("BLAS with AVX2", "BLAS of another maker"):
        return bool(features.get("AVX2") and features.get("FMA3"))
    return bool(features.get("SSE3")) or "BLAS" not in kernel


@cache
def found(kernel: str | None) -> dict[str, Any]:
    """Hashes and measurements of one process that is told to use `kernel`."""
    settings = {name: value for name, value in (KERNELS[kernel] if kernel else {}).items() if value}
    command = [sys.executable, "-m", "tests.processors.pixels", "--measure"]
    ran = subprocess.run(command, cwd=ROOT, env=os.environ | settings, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    return dict(json.loads(ran.stdout))


def test_the_pixels_before_the_colour_engine_are_the_golden_ones() -> None:
    """Lifted, resampled, sharpened: on whatever machine this runs, bit for bit what they were where they were first made."""
    ours, golden = found(None)["pixels"], GOLDEN["pixels"]
    assert {name: one["delivered"] for name, one in ours.items()} == {
        name: one["delivered"] for name, one in golden.items()
    }


def test_the_pixels_of_prints_are_the_golden_ones() -> None:
    """Converted and placed, too. Another version of the engine may change these alone: then they are made anew, on purpose."""
    assert GOLDEN["engine"] == ENGINE, (
        "made with another engine: see tests/processors/pixels.py for how to make them anew"
    )
    assert found(None)["pixels"] == GOLDEN["pixels"]


@pytest.mark.parametrize("kernel", [name for name in KERNELS if _possible(name)])
def test_no_kernel_changes_a_pixel_or_a_verdict(kernel: str) -> None:
    """Each library held to code for another processor: the same pixels, bit for bit; every level and every sentence the
    same, and every number but for one in its last digit.
    """
    held, usual = found(kernel), found(None)["measured"]
    assert held["pixels"] == GOLDEN["pixels"]
    for picture, papers in usual.items():
        for paper, one in papers.items():
            ours = held["measured"][picture][paper]
            assert ours["says"] == one["says"], (picture, paper)
            apart = {name for name, number in one["numbers"].items() if not _alike(ours["numbers"][name], number)}
            assert not apart, (picture, paper)


def _alike(one: object, other: object) -> bool:
    if not (isinstance(one, float) and isinstance(other, float)):
        return one == other
    digits = max(len(repr(value).partition(".")[2]) for value in (one, other))
    return abs(one - other) <= 1.01 * 10.0**-digits
