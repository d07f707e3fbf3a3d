"""Does the file open as it is? Then it needs no recovery, and what it holds is said."""

from __future__ import annotations

import av.error

from seeworthy.ground.errors import Conflict, UnreadableInput
from seeworthy.media.opening import open_clip, video_stream
from seeworthy.media.source import Source

_COVERED = 0.5  # share of the file's bytes that must be read as pictures and sound (a judgement)


def refuse_what_opens(broken: Source) -> None:
    """Refuse a file whose pictures can be read without its index.

    Fragmented MP4, AVI, transport streams and Matroska carry their layout with every piece, and
    with it their own stamps: rebuilt with another clip's rate they would lose them.

    Raises:
        Conflict
    """
    pictures = held = 0
    first = last = None
    try:
        with open_clip(broken) as container:
            video = video_stream(container, broken)
            for packet in container.demux():
                held += packet.size
                if packet.stream.index != video.index or not packet.size:
                    continue
                pictures += 1
                if packet.pts is not None and packet.time_base is not None:
                    seconds = float(packet.pts * packet.time_base)
                    first = seconds if first is None else min(first, seconds)
                    last = seconds if last is None else max(last, seconds)
    except UnreadableInput:
        return
    except (av.error.FFmpegError, ValueError):
        pass  # the end is cut; what came before it was read
    if pictures < 2 or held < _COVERED * broken.path.stat().st_size:
        return
    span = "" if first is None or last is None else f", {last - first:.2f} s from first to last"
    raise Conflict(
        f"'{broken.name}' opens as it is: {pictures} pictures{span}, with their own time stamps. "
        "It needs no recovery, which would take them away.",
        "Open it as it is; where another program does not, copy it into a new file without coding "
        "it again.",
    )
