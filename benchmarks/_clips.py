"""Long clips made cheaply, and the bare decode that others are held against."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av


def repeated(source: Path, target: Path, seconds: int, times: int) -> None:
    """Write the packets of a clip of so many seconds several times, as one clip."""
    with av.open(str(target), "w") as out:
        stream, shift = None, 0
        for _ in range(times):
            with av.open(str(source)) as clip:
                video = clip.streams.video[0]
                stream = stream or out.add_stream_from_template(video)
                for packet in clip.demux(video):
                    if packet.dts is None:
                        continue
                    packet.pts += shift
                    packet.dts += shift
                    packet.stream = stream
                    out.mux(packet)
                shift += round(Fraction(seconds) / video.time_base)


def bare(path: Path) -> int:
    """Decode as PyAV does it, threads and all, and nothing else; return the frames."""
    count = 0
    with av.open(str(path)) as clip:
        video = clip.streams.video[0]
        video.thread_type = "AUTO"
        for packet in clip.demux(video):
            count += len(packet.decode())
    return count
