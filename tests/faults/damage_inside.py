"""Damage to what stands inside pictures and beside them: profiles, XMP packets, order and rule files."""

from __future__ import annotations

import struct
from collections.abc import Callable
from random import Random

from tests.faults import sound_files
from tests.faults.damage import ANY, bits, cut, run
from tests.running.support import CARD, card_profile

_SIGNATURES = (
    b"RGB ",
    b"GRAY",
    b"CMYK",
    b"Lab ",
    b"XYZ ",
    b"15CL",
    b"\0\0\0\0",
    b"scnr",
    b"mntr",
    b"prtr",
    b"link",
    b"nmcl",
    b"abst",
)


# -- ICC ----------------------------------------------------------------------------


def profile(random: Random, *, grey: bool = False) -> bytes:
    """A profile that lies: sizes, class, spaces, versions, tags, curves, tables; or is cut or noisy."""
    rgb = random.choice((sound_files.profile, sound_files.profile, card_profile))
    data = sound_files.grey_profile() if grey else rgb()
    out = bytearray(data)
    for _ in range(random.randint(1, 3)):
        (random.choice((_signature, _size, _tag, _tag, _body, _body, _body)))(out, random)
    made = bytes(out)
    return random.choice(
        (bytes, bytes, bytes, lambda d: bits(d, random), lambda d: cut(d, random), lambda d: run(d, random))
    )(made)


def _signature(out: bytearray, random: Random) -> None:
    at = random.choice((12, 16, 20, 8, 64))
    out[at : at + 4] = random.choice(_SIGNATURES)


def _size(out: bytearray, random: Random) -> None:
    struct.pack_into(">I", out, 0, random.choice((0, 128, len(out) - 1, len(out), len(out) + 1, (1 << 32) - 1)))


def _tag(out: bytearray, random: Random) -> None:
    (count,) = struct.unpack_from(">I", out, 128)
    row = 132 + 12 * random.randrange(max(1, min(count, 20)))
    what = random.choice(("count", "name", "offset", "size"))
    absurd = random.choice(
        (0, 1, 3, 100, 128, 200, len(out), len(out) - 8, 1 << 31, (1 << 32) - 1, random.randrange(len(out)))
    )
    if what == "name":
        out[row : row + 4] = random.choice((b"A2B0", b"rTRC", b"kTRC", b"wtpt", b"desc", b"chad", b"rXYZ", b"????"))
    else:
        struct.pack_into(">I", out, {"count": 128, "offset": row + 4, "size": row + 8}[what], absurd)


def _body(out: bytearray, random: Random) -> None:
    """The first bytes of a tag's body: its type, its counts, its grid."""
    row = 132 + 12 * random.randrange(8)
    (offset,) = struct.unpack_from(">I", out, row + 4)
    at = min(offset + random.randrange(24), len(out) - 4)
    kind = random.choice(
        (b"curv", b"para", b"mft1", b"mft2", b"mAB ", b"XYZ ", b"mluc", b"desc", b"\xff\xff\xff\xff", b"\0\0\0\0")
    )
    if random.random() < 0.5:
        at, new = min(offset, len(out) - 4), kind
    else:
        new = random.choice((kind, random.randbytes(4)))
    out[at : at + 4] = new


# -- XMP ----------------------------------------------------------------------------


def packet(random: Random) -> bytes:
    """An XMP packet that is hostile or broken."""
    sound = sound_files.XMP
    levels = b"".join(b'<!ENTITY a%d "%s">' % (n, b"&a%d;" % (n - 1) * 10) for n in range(1, 9))
    doctype = b'<!DOCTYPE x [<!ENTITY a0 "kelp">%s]>' % levels
    hostile = (
        doctype + sound.replace(b"Kelp", b"&a8;"),
        b'<!DOCTYPE x SYSTEM "file:///etc/hostname">' + sound,
        sound.replace(b"Kelp", b"<b>" * 5000 + b"Kelp"),
        sound.replace(b"Kelp", b"<![CDATA[\x1b[31m</script>]]>"),
        sound.replace(b"Kelp", b"&#x1b;&#0;"),
        sound.replace(b"Kelp", "\u202egnp.tiorf".encode()),
        sound.replace(b"Kelp", b"Kelp " * 150_000),
        sound.replace(b'rdf="', b'rdf="' + b"x" * 70_000),
        sound.replace(b"<dc:title>", b"<dc:title>" * 60),
        b'<?xml version="1.0" encoding="UTF-7"?>' + sound,
        sound.decode().encode("utf-16"),
    )
    return random.choice((*hostile, random.choice(list(ANY.values()))(sound, random)))


PICTURES_WITH: dict[str, Callable[[Random], bytes]] = {
    "profile in a TIFF": lambda random: sound_files.tiff(icc=profile(random), compression="lzw", rowsperstrip=32),
    "profile in a grey TIFF": lambda random: sound_files.tiff(
        sound_files.codes(channels=1)[..., 0],
        photometric="minisblack",
        icc=profile(random, grey=True),
        compression="lzw",
    ),
    "profile in a JPEG": lambda random: sound_files.pillow("JPEG", icc=profile(random)),
    "profile in a PNG": lambda random: sound_files.pillow("PNG", icc=profile(random)),
    "XMP in a TIFF": lambda random: sound_files.tiff(xmp=packet(random), compression="lzw", rowsperstrip=32),
}


# -- YAML ---------------------------------------------------------------------------


def yaml(data: bytes, random: Random) -> bytes:
    """An order or rule file that is hostile or broken."""
    lines = data.splitlines(keepends=True)
    at = random.randrange(len(lines))
    key = lines[at].partition(b":")[0]
    bomb = b"a0: &a0 [x, x]\n" + b"".join(b"a%d: &a%d [%s]\n" % (n, n, b"*a%d, " % (n - 1) * 9) for n in range(1, 9))
    whole = (
        bomb + data, data + bomb, b"[" * 5000, b"{a: " * 3000, data + b"x: " + b"- " * 2000, b"? " * 3000,
        b"a: " + b"9" * 60_000, data * 40, b"\xff\xfe" + data, data.decode().encode("utf-16"), b"---\n" + data + b"---\n" + data,
        b"%YAML 9.9\n---\n" + data, data + b"\0", data + b"t: \x1b]0;x\x07\n", b"k" * 70_000, b"a:\n" + b" " * 60_000 + b"b: 1\n",
        data + b"".join(b"k%d: 1\n" % n for n in range(3000)), b"'" * 30_000, b"!!python/object/apply:os.system [x]\n",
        b"a: \"" + b"\\U00110000" * 9 + b"\"\n", b"<<: {a: 1}\n" + data, b"&a a: *a\n", b"a: |\n" + b"  x\n" * 15_000, b"",
    )  # fmt: skip
    values = (
        b" 1e999 mm\n", b" -0\n", b" .inf\n", b" 0x7fffffffffffffff\n", b" 1" + b"0" * 400 + b" mm\n", b" [1, 2]\n", b" {a: b}\n",
        b" nan\n", " ٣٠x٤٠ mm\n".encode(), b" ../../etc/x\n", b" 10:20:30\n", b" ~\n", b" *a\n", b" !!binary AAAA\n", b" yes\n",
        b" 300000x400000 mm\n", b" 0x0 mm\n", b" 1e-300 mm\n", "\u202e5 mm\n".encode(), b" " + b"x" * 5000 + b"\n",
    )  # fmt: skip
    changed = b"".join([*lines[:at], key + b":" + random.choice(values), *lines[at + 1 :]])
    broken = random.choice(list(ANY.values()))(data, random)
    return random.choice((random.choice(whole), changed, changed, broken, broken))


def order(random: Random) -> bytes:
    """A damaged order file."""
    return yaml(sound_files.ORDER, random)


def rules(random: Random) -> bytes:
    """A damaged rule file of a paper."""
    return yaml(CARD.encode(), random)
