"""The walk through an AVI, whose chunks say themselves what they are and how long.

Microsoft RIFF: every chunk is a tag of four letters and a length of 32 bits; ``movi`` holds
``##dc`` or ``##db`` (pictures) and ``##wb`` (sound), padded to even lengths (from memory).
"""

from __future__ import annotations

from seeworthy.media.recover.reference import ReferenceLayout
from seeworthy.media.recover.scan import StrayScan
from seeworthy.media.recover.slices import Sample

_HEAD = 8  # bytes: name and size of a chunk
_LISTS = (b"LIST", b"RIFF")
_LETTERS = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789 ")


def is_avi(data: memoryview) -> bool:
    """Tell an AVI by its first twelve bytes."""
    return bytes(data[:4]) == b"RIFF" and bytes(data[8:12]) == b"AVI "


def scan_avi(data: memoryview, layout: ReferenceLayout) -> StrayScan:
    """Walk through the chunks of an AVI from ``movi`` on.

    A chunk that the end of the file cuts is kept if it is sound and left out if it is a picture;
    where no chunk begins the walk ends, and the rest counts as skipped.
    """
    found = StrayScan()
    place = bytes(data[: 1 << 20]).find(b"movi")
    at, end = (place + 4 if place >= 0 else 12), len(data)
    while at + _HEAD <= end:
        tag = bytes(data[at : at + 4])
        size = int.from_bytes(data[at + 4 : at + _HEAD], "little")
        if tag in _LISTS:
            at += _HEAD + 4
            continue
        if not _LETTERS.issuperset(tag):
            break
        body, kind = at + _HEAD, tag[2:]
        held = min(size, end - body)
        if kind in (b"dc", b"db") and size:
            if held < size:
                found.cut_pictures += 1
                return found
            found.pictures.append(Sample(body, size, True, True, 0, 0))
        elif kind == b"wb" and layout.sound != "none" and held:
            found.runs.append((body, held, len(found.pictures)))
        at = body + size + size % 2
    found.skipped += max(0, end - at)
    return found
