"""How long ten hours of recording take: 30 files of 20 min with the clock at their ends (2 min).

    python benchmarks/continuity.py [--files 30] [--minutes 20] [--size 1280x720]

Pictures are rendered at the ends of the files only; between them one second of packets is
repeated, so that a file is far smaller than a camera's. Its index is not: it holds every frame.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import av

NEAR = 0.8  # seconds rendered at each end
GAP = 1.37
RATE = 30
GOAL = 120.0


def lengthen(short: Path, path: Path, minutes: float) -> None:
    """Repeat the middle second (one group of pictures) of a clip until it is long enough."""
    with av.open(str(short)) as source, av.open(str(path), "w") as target:
        target.metadata.update(source.metadata)
        stream = source.streams.video[0]
        out = target.add_stream_from_template(stream)
        packets = [p for p in source.demux(stream) if p.size]
        keys = [i for i, p in enumerate(packets) if p.is_keyframe]
        middle = keys[len(keys) // 2]
        until = next(k for k in keys if k > middle)
        step = (packets[-1].dts - packets[0].dts) // (len(packets) - 1)
        count = round((minutes * 60 * RATE - len(packets)) / (until - middle)) + 1
        order = [*range(middle), *list(range(middle, until)) * count, *range(until, len(packets))]
        offset = packets[0].pts - packets[0].dts
        for place, i in enumerate(order):
            packet = av.Packet(bytes(packets[i]))
            packet.stream, packet.time_base = out, stream.time_base
            packet.dts = place * step
            packet.pts = packet.dts + offset
            packet.duration = step
            packet.is_keyframe = packets[i].is_keyframe
            target.mux(packet)


def make(folder: Path, files: int, minutes: float, size: tuple[int, int]) -> list[Path]:
    from seeworthy.virtual.clock_screen import Screen, ScreenView
    from seeworthy.virtual.clock_shots import Shots
    from seeworthy.virtual.segments import Recorder, RoomScene, record
    from seeworthy.virtual.sensor import RollingCamera

    camera = RollingCamera(
        width=size[0], height=size[1], exposure=1 / 60, readout_time=0.016, rate=RATE
    )
    shots = Shots(camera, Screen(), ScreenView(share=0.8))
    recorder = Recorder(
        width=size[0], height=size[1], rate=Fraction(RATE), seconds=4.0, gap=0.0, bit_rate=3_000_000
    )
    paths = []
    for i in range(files):
        begin = 30_000.0 + i * (minutes * 60 + GAP)

        def picture(t: float, begin: float = begin) -> object:
            return shots(begin + t if t < 2 else begin + t + minutes * 60 - 4)

        part = folder / "short"
        part.mkdir(exist_ok=True)
        [one] = record(part, recorder, RoomScene(picture, ends=NEAR), files=1, last=4.0)
        paths.append(folder / f"TUR{i + 1:04d}.MP4")
        lengthen(one.path, paths[-1], minutes)
    return paths


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=30)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--size", default="1280x720")
    chosen = parser.parse_args()
    width, height = map(int, chosen.size.split("x"))
    from seeworthy.engine.measure import measure

    with tempfile.TemporaryDirectory() as folder:
        paths = make(Path(folder), chosen.files, chosen.minutes, (width, height))
        start, spent = time.perf_counter(), time.process_time()
        outcome = measure("continuity", paths).outcome
        seconds, spent = time.perf_counter() - start, time.process_time() - spent
    gap = next(r for r in outcome.results if r.measurand == "gap")
    hours = chosen.files * chosen.minutes / 60
    state = "reached" if seconds < GOAL else "not reached"
    print(
        f"continuity of {chosen.files} files, {hours:.1f} h of {chosen.size}: {seconds:.1f} s "
        f"(goal {GOAL:.0f} s: {state}), {spent:.1f} s of it computing\n"
        f"gap {gap.value:.4f} s ± {gap.u:.4f} s by the "
        f"{gap.conditions['method']}, rendered {GAP} s; clock {outcome.findings['clock_ppm']} ppm"
    )


if __name__ == "__main__":
    main()
