"""Run of `timing`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.clock.watch import ClockWatch
from seeworthy.ground.budget import Component
from seeworthy.ground.digits import earned, expanded, number
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result, result
from seeworthy.media.container import read_facts
from seeworthy.media.frames import PassSummary
from seeworthy.media.source import Source
from seeworthy.observe.changes import ChangeWatch
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.timing import clocked as timing_clock
from seeworthy.procedures.timing.duplicates import STANDS, Repeats, find_repeats
from seeworthy.procedures.timing.evidence import draw_pair, thin
from seeworthy.procedures.timing.measure import StampTiming, read_stamps
from seeworthy.procedures.timing.spans import Span

# Part of the frames that may be left open where the rest tells how many pictures differ; a
# judgement: beyond it a claim would be judged by what was not seen.
_MOST_OPEN = 0.15


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for one look at every frame."""
    watches = [Watch(inputs.file(), ChangeWatch())]
    if _with_clock(inputs):
        watches.append(Watch(inputs.file(), ClockWatch()))
    return tuple(watches)


def _with_clock(inputs: Inputs) -> bool:
    return inputs.option("clock") == "yes"


@dataclass(frozen=True)
class _Facts:
    """Everything the clip says, frames numbered as in the file."""

    stamps: StampTiming | None
    seconds: npt.NDArray[np.float64] | None
    repeats: Repeats
    dropped: list[int]
    corrupt: list[int]
    frames: int
    fields: bool


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Judge stamps, differences and damage together."""
    source = inputs.file()
    watcher = seen.watches[0].observer
    if not isinstance(watcher, ChangeWatch):  # pragma: no cover - the engine hands back our own
        raise TypeError("timing got another procedure's observer")
    summary = seen.passes[source]
    if summary.frames < 3:
        held = "one frame" if summary.frames == 1 else f"{summary.frames} frames"
        raise CannotMeasure(
            f"'{source.name}' holds {held}; a frame rate needs at least three.",
            "Film for ten seconds or more.",
        )
    facts = _gather(source, watcher, summary)
    outcome = Outcome(
        results=_results(facts),
        findings=_findings(facts),
        warnings=tuple(_warnings(facts, len(watcher.keys))),
        pictures=_pictures(facts, watcher),
        figures=_figures(facts),
        sentence=_sentence(facts),
    )
    return _by_clock(inputs, seen, outcome) if _with_clock(inputs) else outcome


def _by_clock(inputs: Inputs, seen: Seen, outcome: Outcome) -> Outcome:
    """Add what the on-screen clock says."""
    watcher = seen.watches[1].observer
    if not isinstance(watcher, ClockWatch):  # pragma: no cover - the engine hands back our own
        raise TypeError("timing got another procedure's observer")
    facts = timing_clock.judge(watcher, inputs.reading("screen_clock"))
    found = {**outcome.findings, **timing_clock.findings(facts)}
    stamped = (found["dropped_frames"] or {"at": []})["at"]
    found["dropped_frames"] = _counted(sorted([*stamped, *facts.hidden]))
    return replace(
        outcome,
        results=(*outcome.results, *timing_clock.results(facts)),
        findings=found,
        warnings=(*outcome.warnings, *timing_clock.warnings(facts)),
        pictures=(*outcome.pictures, timing_clock.evidence(watcher)),
        figures=(timing_clock.figure(facts), *outcome.figures),
        sentence=f"{outcome.sentence} {timing_clock.sentence(facts)}",
    )


def _gather(source: Source, watcher: ChangeWatch, summary: PassSummary) -> _Facts:
    ticks, base, reordered = _ticks(source, watcher, summary)
    stamps = None
    if ticks is not None:
        try:
            stamps = read_stamps(ticks, base)
        except ValueError:
            ticks = None
    changes = np.full(summary.frames, np.nan)
    changes[np.asarray(watcher.numbers, int)] = watcher.changes
    repeats = find_repeats(changes, watcher.keys, summary.corrupt, reordered=reordered)
    dropped = [g.before for g in stamps.gaps for _ in range(g.missing)] if stamps else []
    seconds = None if ticks is None else (ticks - ticks[0]) * float(base)
    fields = summary.scan is not None and summary.scan.kind == "interlaced"
    return _Facts(stamps, seconds, repeats, dropped, list(summary.corrupt), summary.frames, fields)


def _ticks(
    source: Source, watcher: ChangeWatch, summary: PassSummary
) -> tuple[npt.NDArray[np.int64] | None, Any, bool]:
    """Stamps of all frames in the file, their time base, and whether frames are reordered.

    The packets' own stamps also cover frames that could not be decoded. Where packets
    have none (AVI counts frames instead) the decoded frames' stamps serve.
    """
    packets = read_facts(source).video.packets
    reordered = bool(packets.reordered_runs().size)
    whole = packets.shown_stamps()
    if len(whole) == summary.frames:
        return whole, packets.time_base, reordered
    own = [s for s in watcher.stamps if s is not None]
    if len(own) < len(watcher.stamps) or len(own) != summary.frames:
        return None, packets.time_base, reordered
    return np.asarray(own, np.int64), summary.stage.time_base, reordered


_FILE = "scatter of the file's own stamps"


def _results(facts: _Facts) -> tuple[Result, ...]:
    stamps = facts.stamps
    if stamps is None:
        return ()
    scatter = Component("scatter and rounding of the stamps", stamps.u_rate, "Hz", source=_FILE)
    rate = result("frame_rate", stamps.rate, n=stamps.n - 1, dof=stamps.dof, budget=(scatter,))
    rates = (rate, *_distinct(facts))
    if stamps.coarse:
        return rates
    low, high = stamps.jitter_interval
    jitter = result(
        "frame_jitter",
        stamps.jitter * 1e3,
        n=stamps.n - 2,
        interval=(low * 1e3, high * 1e3),
        budget=(
            Component("few stamps, and their rounding", stamps.u_jitter * 1e3, "ms", source=_FILE),
        ),
    )
    return *rates, jitter


def _distinct(facts: _Facts) -> tuple[Result, ...]:
    """Return the rate of different pictures, where repeats were found and little is left open."""
    stamps, repeats, frames = facts.stamps, facts.repeats, facts.frames
    unknown = _held(repeats.undecidable)
    again = sum(f not in unknown for f in repeats.at)
    if stamps is None or not again or len(unknown) > _MOST_OPEN * frames:
        return ()
    told = frames - len(unknown)
    value = stamps.rate * (1 - again / told)
    # In what is not decided repeats may be all, none, or (the value) as many as elsewhere.
    low, high = (stamps.rate * (n - again) / frames for n in (told, frames))
    half = expanded(stamps.u_rate, stamps.dof)
    parts = (
        Component("frames that are left open", u_rectangular(max(value - low, high - value)), "Hz",
                  distribution="rectangular", source="all of them repeats, or none"),
        Component("frame rate", stamps.u_rate, "Hz", source=_FILE),
    )  # fmt: skip
    ends = low - half, high + half
    return (result("distinct_rate", value, n=stamps.n - 1, interval=ends, budget=parts),)


def _counted(at: Sequence[int]) -> dict[str, Any]:
    return {"count": len(at), "at": [int(i) for i in at]}


def _spans(spans: Sequence[Span]) -> list[dict[str, Any]]:
    return [{"first": s.first, "last": s.last, "reason": s.reason} for s in spans]


def _findings(facts: _Facts) -> dict[str, Any]:
    stamps, repeats = facts.stamps, facts.repeats
    return {
        "dropped_frames": _counted(facts.dropped) if stamps else None,
        "duplicated_frames": _counted(repeats.at),
        "corrupt_frames": _counted(facts.corrupt),
        "first_pause_ms": round(stamps.pause * 1e3, 3) if stamps and stamps.pause else None,
        "longest_gap_ms": round(stamps.longest * 1e3, 3) if stamps else None,
        "frames": facts.frames,
        "rate_regime": stamps.regime if stamps else None,
        "cadences": [
            {"hz": round(rate, 4), "share": round(share, 3)}
            for rate, share in (stamps.rates if stamps else ())
        ],
        "undecidable": {
            "dropped": _spans(stamps.undecidable if stamps else ()),
            "duplicated": _spans(repeats.undecidable),
        },
        "blind_key_frames": repeats.blind_keys,
    }


def _held(spans: Sequence[Span]) -> set[int]:
    """Return the frames that lie in any of the spans."""
    return {f for s in spans for f in range(s.first, s.last + 1)}


def _warnings(facts: _Facts, keys: int) -> list[str]:
    said = []
    stamps, repeats = facts.stamps, facts.repeats
    if stamps is None:
        said.append(
            "Time stamps are missing, or not every picture has one: rate, jitter and lost frames "
            "cannot be known. "
            "Use the camera's own file (MOV or MP4), not a bare stream."
        )
    else:
        if stamps.coarse:
            said.append(
                "The file counts its frames instead of dating them: the rate is the one it claims, "
                "jitter cannot be known, and only gaps of whole frames show."
            )
        if stamps.pause:
            said.append(
                f"The wait after the first picture is {stamps.pause * 1e3:.0f} ms: the recording "
                "was still starting. Rate and jitter are those of what follows."
            )
        if stamps.backward:
            count, first = len(stamps.backward), stamps.backward[0]
            said.append(
                f"{count} time stamps do not come after the one before, first at frame {first}."
            )
        if stamps.undecidable:
            count = len(stamps.undecidable)
            said.append(
                f"At {count} {'place' if count == 1 else 'places'} a gap in the time stamps may "
                "be a lost frame or a longer exposure; not counted, listed as undecidable."
            )
    stands = [s for s in repeats.undecidable if s.reason == STANDS]
    if stands:
        longest = max(stands, key=lambda s: s.last - s.first)
        more = f" ({len(stands)} such places, this is the longest)" if len(stands) > 1 else ""
        said.append(
            f"From frame {longest.first} to {longest.last} the picture stands still between two "
            f"motions: a held camera, or a recording that froze{more}."
        )
    still = _held([s for s in repeats.undecidable if s.reason != STANDS])
    unknown = len(still) / max(facts.frames, 1)
    if unknown > 0.01:
        said.append(
            f"In {unknown:.0%} of the frames a repeated picture would not show, because the "
            "picture hardly changes; film something that moves to test for repeats."
        )
    elif repeats.blind_keys:
        said.append(
            f"At {repeats.blind_keys} of {keys} key frames a repeated picture would not show."
        )
    return said


def _pictures(facts: _Facts, watcher: ChangeWatch) -> tuple[Picture, ...]:
    """Show the frames around the first fault of each kind."""
    after_gap = {f + 1: "lost frames between frames {a} and {b}" for f in facts.dropped}
    faults = {
        **after_gap,
        **dict.fromkeys(facts.repeats.at, "frame {b} shows the picture of frame {a} again"),
        **dict.fromkeys(facts.corrupt, "frame {b} is damaged"),
    }
    shown: dict[str, Picture] = {}
    for shot in sorted(watcher.snapshots, key=lambda s: s.frame):
        words = faults.get(shot.frame)
        if words is None or words in shown:
            continue
        text = words.format(a=shot.frame - 1, b=shot.frame)
        name = f"timing-{len(shown) + 1}.png"
        caption = f"{text[0].upper()}{text[1:]} (the frame before is drawn from every few rows)."
        shown[words] = Picture(name, caption, draw_pair(shot))
    return tuple(shown.values())


def _figures(facts: _Facts) -> tuple[Figure, ...]:
    if facts.seconds is None or facts.stamps is None:
        return ()
    steps = np.diff(facts.seconds) * 1e3
    faults = {
        "lost frame follows": set(facts.dropped),
        "repeated": {f - 1 for f in facts.repeats.at},
        "damaged": {max(0, f - 1) for f in facts.corrupt},
    }
    rows = thin(steps, sorted(set().union(*faults.values())))
    interval = [round(float(steps[i]), 4) for i in rows]
    columns: dict[str, Any] = {
        "time": [round(float(facts.seconds[i + 1]), 4) for i in rows],
        "interval": interval,
    }
    marks = [Mark("line", y="interval")]
    kinds = [next((name for name, at in faults.items() if i in at), None) for i in rows]
    if any(kinds):
        columns["fault"] = kinds
        columns["at_fault"] = [v if k else None for v, k in zip(interval, kinds, strict=True)]
        marks.append(Mark("points", y="at_fault", series="fault"))
    return (
        Figure(
            name="intervals",
            title="Time from each frame to the next",
            sentence="A flat line is an even recording; a step up is time without a picture.",
            columns=columns,
            x=Axis("time", "time in the clip", "s"),
            y=Axis("interval", "time since the frame before", "ms", zero=True),
            marks=tuple(marks),
        ),
    )


def _sentence(facts: _Facts) -> str:
    """Say it to a flyer."""
    lost, twice, bad = len(facts.dropped), len(facts.repeats.at), len(facts.corrupt)
    faults = [
        f"{count} {what}"
        for count, what in ((lost, "lost"), (twice, "shown twice"), (bad, "damaged"))
        if count
    ]
    clean = f"No frame of {facts.frames} was seen to be lost, shown twice or damaged"
    told = f"Of {facts.frames} frames {', '.join(faults)}" if faults else clean
    told += "".join(f": {earned(r)} different pictures a second" for r in _distinct(facts))
    if facts.stamps is None:
        return f"{told}; its time stamps are missing or incomplete, so the rate cannot be told."
    spread = max(expanded(facts.stamps.u_rate, facts.stamps.dof), 1e-3 * facts.stamps.rate)
    paced = f"{number(facts.stamps.rate, spread)} pictures a second"
    even = "at an even pace"
    if lost and facts.stamps.rates:
        even = (
            f"on average, {even} of {number(facts.stamps.rates[0][0], spread)} with frames left out"
        )
    jitter = number(facts.stamps.jitter * 1e3, expanded(facts.stamps.u_jitter * 1e3))
    kind = {
        "constant": even,
        "uneven": f"on average, unevenly: they come about {jitter} ms early or late",
        "two rates": "on average, changing between two rates",
        "variable": "on average, at a pace that wanders",
    }[facts.stamps.regime]
    if facts.fields:
        fields = number(2 * facts.stamps.rate, 2 * spread)
        kind += f", each of two fields ({fields} fields a second)"
    longest = f"the longest wait for a picture is {facts.stamps.longest * 1e3:.0f} ms"
    return f"{paced} {kind}. {told}; {longest}."
