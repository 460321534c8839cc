"""Tone curves: every kind that ICC.1 defines against its closed form, every broken one refused, lcms as witness."""

from __future__ import annotations

import struct
from contextlib import suppress
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import skimage
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms

from printqueue.core.model.paper import Intent
from printqueue.core.model.picture import PictureFacts
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.curves import channel_curves
from printqueue.imaging.colour.icc import ProfileError, read_profile
from printqueue.imaging.colour.source_profile import choose

Array = NDArray[np.float64]
CODES = np.linspace(0, 1, 65536)
PROFILES = Path(__file__).parents[3] / "printqueue/rules/profiles"


def profile(space: str, tags: dict[str, bytes]) -> bytes:
    """A display profile of these tag bodies, laid out by ICC.1 7.2 and 7.3 and by nothing of ours."""
    offset = 132 + 12 * len(tags)
    table, bodies = struct.pack(">I", len(tags)), b""
    for name, body in tags.items():
        table += name.encode() + struct.pack(">II", offset + len(bodies), len(body))
        bodies += body + bytes(-len(body) % 4)
    head = struct.pack(">I4xI4s4s4s12x4s", offset + len(bodies), 0x04400000, b"mntr", space.encode(), b"XYZ ", b"acsp")
    white = struct.pack(">3I", 0xF6D6, 0x10000, 0xD32D)
    return (head.ljust(68, b"\0") + white).ljust(128, b"\0") + table + bodies


def xyz(*values: float) -> bytes:
    """An XYZType of one colour."""
    return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(value * 65536) for value in values))


def grey(curve: bytes) -> bytes:
    """A grey profile with this curve."""
    return profile("GRAY", {"wtpt": xyz(0.9642, 1, 0.8249), "kTRC": curve})


def rgb(*curves: bytes) -> bytes:
    """A profile with sRGB's matrix and these three curves."""
    columns = {f"{c}XYZ": xyz(*spaces.to_pcs_matrix(spaces.SPACES["srgb"])[:, i]) for i, c in enumerate("rgb")}
    trcs = {f"{c}TRC": curve for c, curve in zip("rgb", curves, strict=True)}
    return profile("RGB ", {"wtpt": xyz(0.9642, 1, 0.8249), **columns, **trcs})


def para(kind: int, *values: float) -> bytes:
    """A parametricCurveType (ICC.1 10.18); the values are stored as 15.16 fixed point."""
    return b"para\0\0\0\0" + struct.pack(f">HH{len(values)}i", kind, 0, *(round(v * 65536) for v in values))


def curv(*entries: int) -> bytes:
    """A curveType (ICC.1 10.6)."""
    return b"curv\0\0\0\0" + struct.pack(f">I{len(entries)}H", len(entries), *entries)


def curve_of(data: bytes) -> Array:
    """The first channel's curve of a profile."""
    return channel_curves(data, read_profile(data))[0]


def kind_1(x: Array) -> Array:
    """ICC.1 function type 1 with g 2.2, a 0.9, b 0.1: zero below -b/a, which never happens here."""
    return (0.9 * x + 0.1) ** 2.2


def kind_1_with_foot(x: Array) -> Array:
    """ICC.1 function type 1 with g 2, a 1.25, b -0.25: zero below 0.2."""
    return np.where(x >= 0.2, np.clip(1.25 * x - 0.25, 0, None) ** 2, 0)


def kind_2(x: Array) -> Array:
    """ICC.1 function type 2 with g 2, a 1, b -0.25, c 0.4375: flat at c below 0.25."""
    return np.where(x >= 0.25, np.clip(x - 0.25, 0, None) ** 2 + 0.4375, 0.4375)


def kind_3(x: Array) -> Array:
    """ICC.1 function type 3 with sRGB's numbers (IEC 61966-2-1)."""
    return np.where(x >= 0.04045, ((x + 0.055) / 1.055) ** 2.4, x / 12.92)


def kind_4(x: Array) -> Array:
    """ICC.1 function type 4 with g 3, a 0.8, b 0.1, c 0.25, d 0.25, e 0.271, f 0.2."""
    return np.where(x >= 0.25, (0.8 * x + 0.1) ** 3 + 0.271, 0.25 * x + 0.03125)


CLOSED_FORMS = {
    "0": (para(0, 2.2), CODES**2.2),
    "1": (para(1, 2.2, 0.9, 0.1), kind_1(CODES)),
    "1 with foot": (para(1, 2, 1.25, -0.25), kind_1_with_foot(CODES)),
    "2": (para(2, 2, 1, -0.25, 0.4375), kind_2(CODES)),
    "3": (para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), kind_3(CODES)),
    "4": (para(4, 3, 0.8, 0.1, 0.25, 0.25, 0.271, 0.03125), kind_4(CODES)),
    "identity": (curv(), CODES),
    "gamma as 8.8": (curv(round(1.8 * 256)), CODES ** (round(1.8 * 256) / 256)),
    "two entries": (curv(0, 65535), CODES),
    "three entries": (curv(0, 16384, 65535), np.interp(CODES, [0, 0.5, 1], [0, 16384 / 65535, 1])),
    "4096 entries": (
        curv(*np.rint(np.linspace(0, 1, 4096) ** 2.2 * 65535).astype(int)),
        CODES**2.2,
    ),
}


@pytest.mark.parametrize("name", CLOSED_FORMS)
def test_closed_forms(name: str) -> None:
    """Each kind of curve is the function that ICC.1 writes, over all codes and relative to its white."""
    body, wanted = CLOSED_FORMS[name]
    np.testing.assert_allclose(curve_of(grey(body)), wanted / wanted[-1], atol=3e-5)


@pytest.mark.parametrize("name", [name for name in CLOSED_FORMS if name != "2"])
def test_the_engine_agrees(name: str) -> None:
    """The colour engine sees the same luminance in the grey profile (to what 16 bits of L* resolve)."""
    body, wanted = CLOSED_FORMS[name]
    codes = np.arange(0, 65536, 257, dtype=np.uint16)
    pixels = np.repeat(codes[None, :, None], 3, axis=2)
    seen = imagecodecs.cms_transform(
        pixels,
        rgb(body, body, body),
        ImageCms.ImageCmsProfile(ImageCms.createProfile("XYZ")).tobytes(),
        colorspace="rgb",
        outcolorspace="xyz",
        outdtype="f8",
        intent=1,
    )[0, :, 1]
    np.testing.assert_allclose(seen, wanted[::257], atol=2e-4)


def test_three_channels_keep_their_own_curves() -> None:
    """Red, green and blue curves are read apart, in that order."""
    data = rgb(para(0, 1.8), curv(), curv(0, 16384, 65535))
    red, green, blue = channel_curves(data, read_profile(data))
    np.testing.assert_allclose(red, CODES**1.8, atol=2e-5)
    np.testing.assert_allclose(green, CODES)
    assert blue[32768] == pytest.approx(0.25, abs=1e-4)


def test_grey_has_one_curve() -> None:
    """A grey profile gives one curve, an RGB one three."""
    data = grey(para(0, 2.2))
    assert len(channel_curves(data, read_profile(data))) == 1
    assert len(channel_curves(rgb(curv(), curv(), curv()), read_profile(rgb(curv(), curv(), curv())))) == 3


def test_a_shipped_grey_profile() -> None:
    """A dot-gain profile found in the wild (grey, printer class) gives the tone curve that its engine shows."""
    with Image.open(Path(skimage.__file__).parent / "data/page.png") as image:
        data = bytes(image.info["icc_profile"])
    curve = curve_of(data)
    assert (np.diff(curve) >= 0).all()
    np.testing.assert_allclose(curve, manager.tone_curve(data, grey=True), atol=2e-3)


def test_curves_fall_back_on_the_engine() -> None:
    """A table profile has no curves of its own: the neutral axis serves all three channels, rising from black."""
    data = (PROFILES / "smooth-rag.icc").read_bytes()
    red, green, blue = channel_curves(data, read_profile(data))
    assert red is green is blue
    assert (np.diff(red) >= 0).all()
    assert red[-1] == 1
    assert 0.02 < red[0] < 0.03, "L* 17 of the paper's black, relative to its white, is 2.4 % of the light"


@pytest.mark.parametrize(
    "body",
    {
        "unknown kind of parametric": para(5, 1, 1, 1, 1, 1, 1, 1),
        "parametric without its values": para(3, 2.4, 0.9),
        "parametric that is infinite": para(1, -2, 1, 0),
        "white is black": curv(0, 0, 0),
        "white below black": para(3, 1, 0, 0, 0, 0),
        "cut short": curv(0, 30000, 65535)[:-4],
        "count without end": b"curv\0\0\0\0\xff\xff\xff\xff" + bytes(8),
        "no curve at all": b"XYZ \0\0\0\0" + bytes(12),
        "too short to be anything": b"curv\0\0\0\0",
        "empty parametric": b"para\0\0\0\0" + bytes(4),
    }.values(),
)
def test_broken_curves_are_refused(body: bytes) -> None:
    """A curve that ICC.1 does not define is a `ProfileError` with a clause in words."""
    data = grey(body)
    with pytest.raises(ProfileError, match="tone curve"):
        channel_curves(data, read_profile(data))


def test_a_falling_dent_is_ironed() -> None:
    """A table that dips is read as never falling, so that light can be turned back into codes."""
    curve = curve_of(grey(curv(0, 30000, 20000, 65535)))
    assert (np.diff(curve) >= 0).all()


def in_the_wild(name: str) -> bytes:
    """The profile embedded in a picture that scikit-image ships."""
    with Image.open(Path(skimage.__file__).parent / "data" / name) as image:
        return bytes(image.info["icc_profile"])


SEEDS = [
    spaces.profile_bytes("srgb"),
    spaces.profile_bytes("adobe-rgb"),
    grey(curv(0, 16384, 65535)),
    rgb(para(4, 3, 0.8, 0.1, 0.25, 0.25, 0.271, 0.03125), curv(460), curv()),
    in_the_wild("rocket.jpg"),
    in_the_wild("page.png"),
    in_the_wild("color.png"),
]
EDITS = st.lists(
    st.tuples(st.integers(0, 1 << 16), st.sampled_from([b"\0", b"\xff", b"\x7f", b"\x80\0\0\0", b"\xff\xff\xff\xff"])),
    max_size=6,
)


def broken(data: bytes, edits: list[tuple[int, bytes]], cut: int) -> bytes:
    """The profile with some bytes overwritten and, mostly, its end or stated size changed."""
    out = bytearray(data)
    for where, what in edits:
        at = where % len(out)
        out[at : at + len(what)] = what
    return bytes(out[: len(out) - cut]) if cut else bytes(out)


def only_profile_errors(data: bytes) -> None:
    """Reading and curves answer or raise `ProfileError`, and nothing else; a profile chosen for a picture works."""
    with suppress(ProfileError):
        for curve in channel_curves(data, read_profile(data)):
            assert np.isfinite(curve).all()
            assert curve[-1] == 1
    for colour in ("rgb", "grey"):
        chosen = choose(PictureFacts("TIFF", 4, 4, 16, colour), data, None)
        assert chosen.data is not None or chosen.state == "unreadable"
        if chosen.data is not None and chosen.facts is not None:
            channel_curves(chosen.data, chosen.facts)
            renders_through(chosen.data, colour)


def renders_through(data: bytes, colour: str) -> None:
    """A source profile converts: a picture must not get stuck at its rendering."""
    pixels = np.zeros((1, 1) if colour == "grey" else (1, 1, 3), np.uint16)
    manager.to_paper(pixels, data, spaces.profile_bytes("srgb"), intent=Intent.RELATIVE, black_point_compensation=True)


@settings(max_examples=120, deadline=None, derandomize=True, database=None)
@given(st.sampled_from(SEEDS), EDITS, st.sampled_from([0, 0, 0, 1, 4, 40]))
@example(SEEDS[0], [(0, b"\xff\xff\xff\xff")], 0)
@example(SEEDS[0], [(128, b"\xff\xff\xff\xff")], 0)
@example(SEEDS[0], [], 300)
def test_a_damaged_profile_costs_a_reason(data: bytes, edits: list[tuple[int, bytes]], cut: int) -> None:
    """Whatever bytes are overwritten or missing, nothing but `ProfileError` comes out."""
    only_profile_errors(broken(data, edits, cut))


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.binary(max_size=400))
def test_noise_is_no_profile(data: bytes) -> None:
    """Random bytes, with and without the ICC mark, are refused with a reason."""
    for candidate in (data, data[:36].ljust(36, b"\0") + b"acsp" + data[40:]):
        with pytest.raises(ProfileError):
            read_profile(candidate)


@settings(max_examples=80, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 6), st.lists(st.integers(-(1 << 31), (1 << 31) - 1), min_size=0, max_size=8))
def test_any_parametric_curve(kind: int, values: list[int]) -> None:
    """Any numbers in a parametric curve give a rising curve that ends at 1, or a `ProfileError`."""
    body = b"para\0\0\0\0" + struct.pack(f">HH{len(values)}i", kind, 0, *values)
    if len(body) < 12:
        return
    data = grey(body)
    try:
        curve = channel_curves(data, read_profile(data))[0]
    except ProfileError:
        return
    assert (np.diff(curve) >= 0).all()
    assert curve[-1] == 1
