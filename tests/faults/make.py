"""Broken files from good ones: every way that cards, cables and malice spoil them.

`make(folder, count, seed)` writes good seeds (small clips of every container, stills, tables,
texts, a package) and `count` broken ones, the same for the same seed.
"""

from __future__ import annotations

import io
import json
import random
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import av
import cv2
import numpy as np

Spoil = Callable[[bytes, random.Random], bytes]


def seeds() -> dict[str, bytes]:
    """Return good contents by ending."""
    rng = np.random.default_rng(14)
    picture = rng.integers(0, 255, (96, 128, 3), np.uint8)
    found = {kind: _clip(kind) for kind in ("mp4", "mov", "avi", "mkv")}
    for kind in ("jpg", "png", "tiff"):
        found[kind] = cv2.imencode(f".{kind}", picture)[1].tobytes()
    rows = "".join(f"{i / 20:.2f},{max(0, i % 60 - 10)}\n" for i in range(400))
    found["csv"] = ("Time (s),Altitude (m)\n" + rows).encode()
    found["toml"] = b'title = "North dunes"\n[scene]\nlight = "9000 lx"\n[load]\npeak = "9 g"\n'
    found["json"] = json.dumps(
        {"kind": "colour", "matrix": [[1, 0, 0], [0, 1, 0], [0, 0, 1]], "exposure": 1.0}
    ).encode()
    found["cube"] = b"LUT_3D_SIZE 2\n" + b"0.1 0.2 0.3\n" * 8
    package = io.BytesIO()
    with zipfile.ZipFile(package, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("datapackage.json", json.dumps({"name": "x", "resources": []}))
        archive.writestr("cameras.csv", "camera,maker\nDunlin,\n")
    found["zip"] = package.getvalue()
    return found


def fragmented() -> bytes:
    """Return a clip whose tables stand in fragments (ISO/IEC 14496-12, moof and traf)."""
    return _clip("mp4", {"movflags": "frag_keyframe+empty_moov"})


def _clip(kind: str, options: dict[str, str] | None = None) -> bytes:
    target = io.BytesIO()
    name = {"mkv": "matroska"}.get(kind, kind)
    with av.open(target, "w", format=name, options=options or {}) as container:
        stream = container.add_stream("mpeg4" if kind == "avi" else "libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 128, 96, "yuv420p"
        sound = container.add_stream("pcm_s16le" if kind == "avi" else "aac", rate=8000)
        sound.layout = "mono"
        for index in range(12):
            pixels = np.full((96, 128, 3), index * 9, np.uint8)
            pixels[20:60, 4 * index : 4 * index + 30] = (220, 90, 40)
            frame = av.VideoFrame.from_ndarray(pixels, format="rgb24")
            for packet in stream.encode(frame):
                container.mux(packet)
        tone = np.sin(np.arange(3840) / 3) * 9000
        for start in range(0, 3840, 960):
            samples = tone[None, start : start + 960].astype(np.int16)
            heard = av.AudioFrame.from_ndarray(samples, format="s16", layout="mono")
            heard.sample_rate, heard.pts = 8000, start
            container.mux(sound.encode(heard))
        container.mux(stream.encode(None))
        container.mux(sound.encode(None))
    return target.getvalue()


def _flips(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 4, 40, 400))):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(1, len(data))]


def _head_gone(data: bytes, rng: random.Random) -> bytes:
    return data[rng.randrange(1, max(2, min(len(data), 600))) :]


def _zeroed(data: bytes, rng: random.Random) -> bytes:
    at, size = rng.randrange(len(data)), rng.choice((8, 64, 512, 4096))
    return data[:at] + b"\0" * min(size, len(data) - at) + data[at + size :]


def _boxes(data: bytes) -> list[tuple[int, int]]:
    found, at = [], 0
    while at + 8 <= len(data):
        size = struct.unpack(">I", data[at : at + 4])[0]
        if size < 8 or at + size > len(data):
            break
        found.append((at, size))
        at += size
    return found or [(0, len(data) // 2), (len(data) // 2, len(data) - len(data) // 2)]


def _swapped(data: bytes, rng: random.Random) -> bytes:
    parts = [data[a : a + n] for a, n in _boxes(data)]
    rng.shuffle(parts)
    return b"".join(parts)


def _doubled(data: bytes, rng: random.Random) -> bytes:
    at, size = rng.choice(_boxes(data))
    return data[: at + size] + data[at:]


def _oversized(data: bytes, rng: random.Random) -> bytes:
    """Write another length into a box, 32 bits or the 64-bit form."""
    at, _ = rng.choice(_boxes(data))
    length = rng.choice((0, 1, 7, 8, 2**31 - 1, 2**31, 2**32 - 1))
    out = bytearray(data)
    out[at : at + 4] = struct.pack(">I", length)
    if length == 1 and at + 16 <= len(out):
        out[at + 8 : at + 16] = struct.pack(">Q", rng.choice((0, 15, 2**40, 2**63, 2**64 - 1)))
    return bytes(out)


def _wild_numbers(data: bytes, rng: random.Random) -> bytes:
    """Overwrite words of four bytes by giants: dimensions, stamps, counts of tables."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 3, 12))):
        at = rng.randrange(max(1, len(out) - 4))
        value = rng.choice((0, 1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 65_535, 1_000_000_000))
        out[at : at + 4] = struct.pack(rng.choice(("<I", ">I")), value)[: len(out) - at]
    return bytes(out)


def _tables(data: bytes, rng: random.Random) -> bytes:
    """Blow up the counts that stand in the tables of stamps, sizes and offsets."""
    out = bytearray(data)
    marks = (b"stts", b"stsz", b"stco", b"stsc", b"tkhd", b"avih", b"idx1", b"IHDR", b"mvhd")
    places = [i for m in marks for i in range(len(data)) if data.startswith(m, i)]
    for at in rng.sample(places, min(len(places), 2)) if places else [0]:
        offset = at + 4 + 4 * rng.randrange(5)
        out[offset : offset + 4] = struct.pack(">I", rng.choice((2**31 - 1, 2**32 - 1, 2**28)))
    return bytes(out)


def _encoded(data: bytes, rng: random.Random) -> bytes:
    text = data.decode("latin-1")
    return rng.choice(
        (
            text.encode("utf-16"),
            text.encode("utf-32"),
            b"\xef\xbb\xbf" + data,
            data.replace(b"\n", b"\r"),
            data.replace(b"\n", b"\0\n"),
            data + b"\xff\xfe\x80",
            data.replace(b"1", "\u0661".encode()),
        )
    )


def _endless(data: bytes, rng: random.Random) -> bytes:
    return rng.choice(
        (
            data + b"9" * 140_000,
            data + b"[" * 3000,
            b"a = " + b"[" * 2000 + b"]" * 2000,
            data + b'"' + b"x," * 80_000,
            data.replace(b"1", b"1e999"),
            data.replace(b"0", b"0" * 400),
            data.replace(b"\n", b"," * 500 + b"\n"),
        )
    )


_ALL: tuple[Spoil, ...] = (_flips, _cut, _head_gone, _zeroed, _swapped, _doubled, _oversized,
                           _wild_numbers)  # fmt: skip
_MEDIA: tuple[Spoil, ...] = (*_ALL, _tables)
_TEXT: tuple[Spoil, ...] = (_flips, _cut, _head_gone, _zeroed, _encoded, _endless)
_TEXTS = {"csv", "toml", "json", "cube"}


def make(folder: Path, count: int, seed: int) -> list[Path]:
    """Write good seeds (``good.mp4`` …) and `count` broken files; return the broken ones."""
    good = seeds()
    for kind, data in good.items():
        (folder / f"good.{kind}").write_bytes(data)
    rng = random.Random(seed)
    kinds = list(good)
    made = []
    for number in range(count):
        kind = kinds[number % len(kinds)]
        spoil = rng.choice(_TEXT if kind in _TEXTS else _MEDIA)
        data = spoil(good[kind], rng)
        if rng.random() < 0.2:
            data = rng.choice(_ALL)(data or b"\0", rng)
        path = folder / f"{number:04d}-{spoil.__name__.strip('_')}.{kind}"
        path.write_bytes(data)
        made.append(path)
    return made
