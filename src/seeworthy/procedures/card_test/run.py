"""Run of `card-test`: waits, lost frames and the fullest second, from the packets alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import said_result
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.ground.uncertainty import counted
from seeworthy.media.container import Facts, read_facts
from seeworthy.media.source import Source
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.stream.measure import bit_rates, shown_span
from seeworthy.procedures.timing.measure import StampTiming, in_doubt, read_stamps

_LISTED = 50  # waits named one by one
_THOUGHT = 3  # a judgement: own drawn processes of 2 to 12 waits a minute hold it in 95 %


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for no picture: stamps and sizes of the packets tell it."""
    return ()


@dataclass(frozen=True)
class _Clip:
    """One file.

    Attributes:
        maybe: Frames that each long wait leaves out that may be a wait for the card or not.
        peak, peak_u: Mbit/s in the fullest second.
    """

    name: str
    stamps: StampTiming
    maybe: tuple[int, ...]
    peak: float
    peak_u: float

    @property
    def frames(self) -> int:
        """Frames that there should be."""
        return self.stamps.n + self.lost

    @property
    def lost(self) -> int:
        return sum(g.missing for g in self.stamps.gaps)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Count waits over all files.

    Raises:
        CannotMeasure: Stamps that only count frames, that have no even pace, or too few.
    """
    clips = [_read(source) for source in inputs.files[""]]
    card = inputs.option("card")
    conditions = {"card": card} if card else {}
    minutes = sum(c.stamps.n / c.stamps.rate for c in clips) / 60  # of a rate with its gaps
    sizes = [g.missing for c in clips for g in c.stamps.gaps]
    maybe = [size for c in clips for size in c.maybe]
    frames = sum(c.frames for c in clips)
    # What is in doubt is no wait in the value and the lower end, and one in the upper end.
    low, high = counted(len(sizes))[0], counted(len(sizes) + len(maybe))[1]
    u = math.hypot(math.sqrt(max(len(sizes), 1)), u_rectangular(len(maybe)))
    waits = result(
        "card_wait_rate", len(sizes) / minutes, u / minutes,
        n=len(clips), interval=(low / minutes, high / minutes), conditions=conditions,
    )  # fmt: skip
    fullest = max(clips, key=lambda c: c.peak)
    results = [waits, _loss(sizes, maybe, frames, conditions)]
    if math.isfinite(fullest.peak):
        edge = Component(
            "ends of the fullest second", fullest.peak_u, "Mbit/s", source="time between stamps"
        )
        results.append(
            result("card_peak_rate", fullest.peak, conditions=conditions, budget=(edge,))
        )
    places = [
        {"file": c.name, "after_frame": g.before, "lost": g.missing}
        for c in clips for g in c.stamps.gaps
    ]  # fmt: skip
    longest = max(c.stamps.longest for c in clips)
    doubts = sum(len(c.stamps.undecidable) for c in clips)
    sure = "sure " if maybe else ""
    said = (
        f"{len(sizes)} {sure}{'wait' if len(sizes) == 1 else 'waits'} for the card"
        if sizes
        else f"No {sure}wait for the card was seen"
    )
    most = f"at most {waits.interval[1]:.2g} in a minute (95 %)"
    rate = said_result(waits) if sizes else most
    return Outcome(
        results=tuple(results),
        findings={
            "longest_wait_ms": round(longest * 1e3, 1),
            "waits": {"count": len(sizes), "at": places[:_LISTED]},
            "lost": sum(sizes),
            "minutes": round(minutes, 3),
            "undecidable": doubts,
            "card": card or None,
        },
        warnings=tuple(_warnings(waits, minutes, doubts, len(maybe))),
        sentence=f"{said} in {_lasting(minutes)}: {rate}; {sum(sizes)} of {frames} "
        f"frames {'is' if sum(sizes) == 1 else 'are'} lost, the longest wait is "
        f"{longest * 1e3:.0f} ms.",
    )


def _loss(
    sizes: Sequence[int], maybe: Sequence[int], frames: int, conditions: dict[str, str]
) -> Result:
    """Return the share of frames lost; waits come by chance, each with its number of frames.

    A sum over Poisson events is told like a Poisson count that has the same relative scatter
    (scaled Poisson: Bohm and Zech 2014, Nucl. Instrum. Methods A 748, 1). Where nothing was lost,
    each wait that there may be is taken for one frame.
    """
    part = 100.0 / frames
    each, alike = _alike(sizes)
    most, count = _alike([*sizes, *maybe])
    u = math.hypot(each * math.sqrt(max(alike, 1.0)), u_rectangular(sum(maybe)))
    ends = (each * counted(alike)[0], most * counted(count)[1])
    return result(
        "card_loss", part * sum(sizes), part * u, n=frames,
        interval=(part * ends[0], min(part * ends[1], 100.0)), conditions=conditions,
    )  # fmt: skip


def _alike(sizes: Sequence[int]) -> tuple[float, float]:
    """Return frames a wait and number of waits of that count, all alike, that scatters so."""
    total, squares, count = sum(sizes), sum(s * s for s in sizes), len(sizes)
    # Few waits show little of how their lengths scatter: as many as these are thought of that
    # scatter as waiting times do (exponential: mean square twice the squared mean).
    ratio = (squares * count / total**2 * count + 2 * _THOUGHT) / (count + _THOUGHT) if total else 1
    each = ratio * total / count if total else 1.0
    return each, total / each


def _read(source: Source) -> _Clip:
    facts = read_facts(source)
    packets = facts.video.packets
    again = "Film again and give the camera's own MOV or MP4."
    try:
        stamps = read_stamps(packets.shown_stamps(), packets.time_base)
    except ValueError as error:
        raise CannotMeasure(f"'{source.name}': {error}.", again) from error
    if stamps.coarse:
        raise CannotMeasure(
            f"'{source.name}' counts its frames instead of dating them: a wait leaves no mark.",
            again,
        )
    if stamps.regime in ("two rates", "variable"):
        raise CannotMeasure(
            f"The pace of '{source.name}' wanders by itself: a wait cannot be told from it.",
            "Choose a mode with a fixed frame rate and more light.",
        )
    maybe = in_doubt(stamps, packets.shown_stamps(), packets.time_base)
    return _Clip(source.name, stamps, maybe, *_peak(facts))


def _peak(facts: Facts) -> tuple[float, float]:
    packets = facts.video.packets
    tick = float(packets.time_base)
    span, seconds = shown_span(packets.shown_stamps(), tick), packets.storage_seconds()
    if span is None or not seconds.size:
        return -math.inf, 0.0
    rates = bit_rates(seconds, packets.size, span, tick)
    if rates.peak is None or rates.peak_u is None:
        return -math.inf, 0.0
    return rates.peak / 1e6, rates.peak_u / 1e6


def _warnings(waits: Result, minutes: float, doubts: int, maybe: int) -> list[str]:
    said = []
    if not waits.value:
        said.append(
            f"In {_lasting(minutes)} without a {'sure ' if maybe else ''}wait there may still be "
            f"one in every {_lasting(1 / waits.interval[1])}; film longer to say more."
        )
    if doubts:
        said.append(
            f"At {doubts} {'place' if doubts == 1 else 'places'} long waits may be lost frames or "
            f"longer exposures, {maybe} in all: only the upper ends count them."
        )
    return said


def _lasting(minutes: float) -> str:
    """Write a time as people say it: in seconds where it is short."""
    return f"{60 * minutes:.2g} s" if minutes < 2 else f"{minutes:.3g} minutes"
