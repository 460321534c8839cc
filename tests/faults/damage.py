"""Ways to break a file: any bytes, and the lies that each format makes possible. Repeatable from one number."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from random import Random

Way = Callable[[bytes, Random], bytes]
_ABSURD = (0, 1, 2, 3, 255, 4096, 65535, 65536, 1 << 20, 100_000_000, (1 << 31) - 1, 1 << 31, (1 << 32) - 1)


# -- any file ---------------------------------------------------------------------


def bits(data: bytes, random: Random) -> bytes:
    """Flip one to eight bits."""
    out = bytearray(data)
    for _ in range(random.randint(1, 8)):
        out[random.randrange(len(out))] ^= 1 << random.randrange(8)
    return bytes(out)


def head_bits(data: bytes, random: Random) -> bytes:
    """Change one to six bytes among the first 600, where headers live."""
    out = bytearray(data)
    for _ in range(random.randint(1, 6)):
        out[random.randrange(min(600, len(out)))] = random.choice((0, 1, 255, 127, random.randrange(256)))
    return bytes(out)


def run(data: bytes, random: Random) -> bytes:
    """Overwrite a run with noise, zeros or ones."""
    start = random.randrange(len(data))
    size = random.randint(1, 600)
    fill = random.choice((random.randbytes(size), bytes(size), b"\xff" * size))
    return data[:start] + fill[: len(data) - start] + data[start + size :]


def cut(data: bytes, random: Random) -> bytes:
    """Cut the end off."""
    return data[: random.randint(1, len(data) - 1)]


def gap(data: bytes, random: Random) -> bytes:
    """Leave out or put in some bytes in the middle, or say a part twice."""
    a, b = sorted(random.randrange(len(data)) for _ in range(2))
    b = min(b, a + 2000)
    return random.choice((data[:a] + data[b:], data[:b] + data[a:], data[:a] + random.randbytes(9) + data[a:]))


def zero_tail(data: bytes, random: Random) -> bytes:
    """Full length, but the end was never written."""
    kept = random.randint(1, len(data) - 1)
    return data[:kept] + bytes(len(data) - kept)


ANY: dict[str, Way] = {f.__name__: f for f in (bits, head_bits, run, cut, gap, zero_tail)}


# -- TIFF ---------------------------------------------------------------------------


def tiff_lie(data: bytes, random: Random) -> bytes:
    """One directory entry lies about its tag, type, count or value; sometimes two do."""
    out = bytearray(data)
    for _ in range(random.randint(1, 2)):
        order, big, entries, _ = _directory(bytes(out))
        place = random.choice(entries)
        part = random.choice(("tag", "type", "count", "value", "value"))
        if part in ("tag", "type"):
            new = random.choice((0, 1, 2, 3, 4, 5, 7, 12, 13, 16, 65535, random.choice(_TAGS)))
            struct.pack_into(order + "H", out, place + (0 if part == "tag" else 2), new)
        else:
            at = place + (4 if part == "count" else 12 if big else 8)
            struct.pack_into(
                order + ("Q" if big else "I"), out, at, random.choice((*_ABSURD, random.randrange(len(data))))
            )
    return bytes(out)


def tiff_chain(data: bytes, random: Random) -> bytes:
    """The chain of directories loops, or leads into the pixels."""
    order, big, _, following = _directory(data)
    first = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)[0]
    new = random.choice((first, random.randrange(len(data)), len(data), (1 << 32) - 1, first + 2))
    out = bytearray(data)
    struct.pack_into(order + ("Q" if big else "I"), out, following, new)
    return bytes(out)


def tiff_children(data: bytes, random: Random) -> bytes:
    """A chain of directories that all point to each other as children, at the end of the file."""
    order, big, _, following = _directory(data)
    if big:
        return tiff_lie(data, random)
    at, count = len(data) + len(data) % 2, random.randint(2, 80)
    blocks = b""
    for number in range(count):
        here = at + number * 30
        body = struct.pack(order + "HHIHH", 254, 4, 1, 0, 0)[:12].ljust(12, b"\0")
        body += struct.pack(order + "HHII", 330, 4, 1, here)
        nexts = here + 30 if number < count - 1 else 0
        blocks += struct.pack(order + "H", 2) + body + struct.pack(order + "I", nexts)
    out = bytearray(data.ljust(at, b"\0") + blocks)
    struct.pack_into(order + "I", out, following, at)
    return bytes(out)


_TAGS = (
    254,
    256,
    257,
    258,
    259,
    262,
    266,
    273,
    274,
    277,
    278,
    279,
    284,
    317,
    320,
    322,
    324,
    325,
    330,
    338,
    339,
    347,
    700,
    34675,
    34665,
)


def _directory(data: bytes) -> tuple[str, bool, list[int], int]:
    """Byte order, BigTIFF or not, places of the entries, place of the next pointer of the first directory."""
    order = "<" if data[:2] == b"II" else ">"
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    first = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)[0]
    head, size = (8, 20) if big else (2, 12)
    first = min(first, len(data) - head - size - 8)
    count = min(
        struct.unpack_from(order + ("Q" if big else "H"), data, first)[0], (len(data) - first - head - 8) // size
    )
    places = [first + head + size * number for number in range(max(1, count))]
    return order, big, places, places[-1] + size


# -- JPEG ---------------------------------------------------------------------------


def jpeg_lie(data: bytes, random: Random) -> bytes:
    """A segment lies about its length, its kind, or a byte of its contents."""
    out = bytearray(data)
    place = random.choice(_markers(data))
    part = random.choice(("length", "kind", "contents", "contents", "contents"))
    if part == "length":
        struct.pack_into(">H", out, place + 2, random.choice((0, 1, 2, 3, 65535, random.randrange(65536))))
    elif part == "kind":
        out[place + 1] = random.choice(
            (0xC0, 0xC1, 0xC2, 0xC3, 0xC4, 0xC9, 0xCA, 0xD8, 0xD9, 0xDA, 0xDB, 0xDC, 0xDD, 0xE1, 0xE2, 0xFF)
        )
    else:
        size = struct.unpack_from(">H", data, place + 2)[0]
        for _ in range(random.randint(1, 3)):
            out[min(len(out) - 1, place + 4 + random.randrange(max(1, min(size, 40))))] = random.choice(
                (0, 1, 255, random.randrange(256))
            )
    return bytes(out)


def jpeg_order(data: bytes, random: Random) -> bytes:
    """A segment is missing, stands twice, or a scan stands two hundred times."""
    places = _markers(data)
    at = random.randrange(len(places) - 1)
    a, b = places[at], places[at + 1]
    if random.random() < 0.3:
        return data[: places[-1]] + data[places[-1] : -2] * random.randint(2, 300) + data[-2:]
    return random.choice((data[:a] + data[b:], data[:b] + data[a:]))


def _markers(data: bytes) -> list[int]:
    places, at = [], 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        places.append(at)
        if data[at + 1] == 0xDA:
            break
        at += 2 + struct.unpack_from(">H", data, at + 2)[0]
    return places


# -- PNG ----------------------------------------------------------------------------


def png_lie(data: bytes, random: Random) -> bytes:
    """A chunk's contents change while its checksum holds; or its length lies."""
    chunks = _chunks(data)
    at = random.randrange(len(chunks))
    name, body = chunks[at]
    if body and random.random() < 0.8:
        body = random.choice((head_bits, bits, cut, run))(body, random) if len(body) > 1 else b"\xff"
        chunks[at] = (name, body)
        return _png(chunks)
    out = bytearray(data)
    struct.pack_into(">I", out, data.index(name) - 4, random.choice(_ABSURD))
    return bytes(out)


def png_order(data: bytes, random: Random) -> bytes:
    """Chunks are missing, stand twice, or change places."""
    chunks = _chunks(data)
    a, b = random.randrange(len(chunks)), random.randrange(len(chunks))
    match random.randrange(3):
        case 0:
            del chunks[a]
        case 1:
            chunks.insert(b, chunks[a])
        case _:
            chunks[a], chunks[b] = chunks[b], chunks[a]
    return _png(chunks)


def png_size(data: bytes, random: Random) -> bytes:
    """The header claims another size, depth or kind, with a checksum that holds."""
    chunks = _chunks(data)
    width, height = (random.choice((*_ABSURD, 150, 100, 30_000)) for _ in range(2))
    depth, kind = random.choice((1, 2, 4, 8, 16, 16)), random.choice((0, 2, 3, 4, 6, 6))
    chunks[0] = (b"IHDR", struct.pack(">IIBBBBB", width, height, depth, kind, 0, 0, random.choice((0, 1))))
    return _png(chunks)


def png_bomb(data: bytes, random: Random) -> bytes:
    """Pixels, profile or text that inflate to far more than anyone wants."""
    chunks = _chunks(data)
    bomb = zlib.compress(bytes(random.choice((1 << 20, 1 << 24, 1 << 26))), 9)
    kind = random.choice(("IDAT", "iCCP", "zTXt", "iTXt"))
    if kind == "IDAT":
        return _png([(name, bomb if name == b"IDAT" else body) for name, body in chunks])
    made = {"iCCP": b"srgb\0\0" + bomb, "zTXt": b"Title\0\0" + bomb, "iTXt": b"XML:com.adobe.xmp\0\1\0\0\0" + bomb}[
        kind
    ]
    kept = [chunk for chunk in chunks if chunk[0] != b"iCCP"]
    return _png([kept[0], *[(kind.encode(), made)] * random.choice((1, 1, 400)), *kept[1:]])


def _chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    found, at = [], 8
    while at + 12 <= len(data):
        size, name = struct.unpack_from(">I4s", data, at)
        found.append((name, data[at + 8 : at + 8 + size]))
        at += 12 + size
    return found


def _png(chunks: list[tuple[bytes, bytes]]) -> bytes:
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body)) for name, body in chunks
    )


TIFF = ANY | {f.__name__: f for f in (tiff_lie, tiff_chain, tiff_children)} | {"tiff_lie again": tiff_lie}
JPEG = ANY | {f.__name__: f for f in (jpeg_lie, jpeg_order)} | {"jpeg_lie again": jpeg_lie}
PNG = ANY | {f.__name__: f for f in (png_lie, png_order, png_size, png_bomb)} | {"png_lie again": png_lie}


def ways(kind: str) -> dict[str, Way]:
    """The ways for a file of this kind, by the first word of its name."""
    return {"TIFF": TIFF, "JPEG": JPEG, "PNG": PNG}.get(kind.split(maxsplit=1)[0], ANY)
