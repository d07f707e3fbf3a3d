"""What `continuity` says: results, findings, pictures, figures, sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import earned, expanded, number, said_result
from seeworthy.ground.results import Axis, Figure, Mark, Picture, Result, result
from seeworthy.ground.statistics import mean_t
from seeworthy.ground.uncertainty import interval, upper
from seeworthy.observe.evidence import GREEN, canvas, draw_outline, encode
from seeworthy.procedures.continuity.files import Recording, byte_rate
from seeworthy.procedures.continuity.joints import WITNESSES, File, Joint
from seeworthy.procedures.continuity.measure import CRYSTAL, ByMetadata, Segment, segment_rule

_SAYS = {
    "clock": "the bench clock, as it was read",
    "sound": "the sound, as it was laid together",
    "metadata": "whole seconds of the recorder's clock, and its rate (judgement)",
}


def hidden_losses(files: Sequence[File]) -> list[tuple[str, float]]:
    """Return files in which the clock ran further than the stamps did, and by how much."""
    found = []
    rows = [(f, _ahead(f)) for f in files if f.start and f.end]
    rates = sorted(a / float(f.ends.picture.seconds) for f, a in rows)
    usual = rates[len(rates) // 2] if len(rates) > 2 else 0.0
    for f, ahead in rows:
        assert f.start is not None
        assert f.end is not None
        length = float(f.ends.picture.seconds)
        limit = max(0.03, 5 * math.hypot(f.start.u, f.end.u), 2e-4 * length * (len(rates) < 3))
        if ahead - usual * length > limit:
            found.append((f.ends.source.name, ahead - usual * length))
    return found


def _ahead(f: File) -> float:
    assert f.start is not None
    assert f.end is not None
    return f.end.time - f.start.time - float(f.ends.picture.seconds)


def results(
    files: Sequence[File], joints: Sequence[Joint], stamps: ByMetadata | None, more: bool
) -> list[Result]:
    """Return gaps by every witness, the share lost, and the length of a file."""
    found = []
    for witness in WITNESSES:
        said = [j.said[witness] for j in joints if witness in j.said]
        if said:
            total = stamps.total_u if witness == "metadata" and stamps is not None else None
            found += _gap_results(witness, said, total)
    share = _lost_share(files, joints, stamps)
    if share is not None:
        found.append(share)
    length = _segment_length(files, more)
    return [*found, length] if length is not None else found


def _gap_results(
    witness: str, said: Sequence[tuple[float, float]], total_u: float | None
) -> list[Result]:
    """Mean and largest gap by one witness."""
    n = len(said)
    gaps = [g for g, _ in said]
    own = total_u / n if total_u is not None else math.sqrt(sum(u * u for _, u in said)) / n
    mean, u, dof = sum(gaps) / n, own, math.inf
    if n > 1 and total_u is None:
        scatter = mean_t(gaps)
        if scatter.u > own:
            u, dof = scatter.u, float(n - 1)
    how = {"method": witness}
    part = Component(
        "reading of both ends of a gap", u, "s",
        source="scatter from gap to gap" if math.isfinite(dof) else _SAYS[witness],
    )  # fmt: skip
    found = [result("gap", mean, n=n, dof=dof, conditions={**how, "statistic": "mean"},
                    budget=(part,))]  # fmt: skip
    largest, its_u = max(said)
    if n > 1 and (total_u is None or largest - mean > 3 * its_u):
        one = Component("reading of both ends of a gap", its_u, "s", source=_SAYS[witness])
        how = {**how, "statistic": "maximum"}
        found.append(result("gap", largest, conditions=how, budget=(one,)))
    return found


def _lost_share(
    files: Sequence[File], joints: Sequence[Joint], stamps: ByMetadata | None
) -> Result | None:
    """Share of the whole that falls into gaps, each by its most certain witness."""
    if not joints or any(j.witness is None for j in joints):
        return None
    best = [j.said[j.witness] for j in joints if j.witness is not None]
    lost = sum(g for g, _ in best)
    whole = lost + sum(float(f.ends.picture.seconds) for f in files)
    words = list(dict.fromkeys(j.witness for j in joints if j.witness))
    u = math.sqrt(sum(v * v for _, v in best))
    if words == ["metadata"] and stamps is not None:
        u = stamps.total_u
    share = max(0.0, 100 * lost / whole)
    low, high = interval(100 * lost / whole, 100 * u / whole)
    # Files that overlap lose nothing; a share is never negative.
    return result(
        "lost_share", share, n=len(best),
        interval=(max(0.0, low), max(share, high)), conditions={"method": " and ".join(words)},
        budget=(
            Component(
                "reading of the gaps", u, "s", 100 / whole,
                source="; ".join(_SAYS[w] for w in words),
            ),
        ),
    )  # fmt: skip


def _segment_length(files: Sequence[File], more: bool) -> Result | None:
    """Length of a full file: all but the last, which ends when the recording does."""
    full = files if more else files[:-1]
    if not full:
        return None
    timed = [f.end.time - f.start.time for f in full if f.start and f.end]
    lengths = timed if len(timed) == len(full) else [float(f.ends.picture.seconds) for f in full]
    n, mean = len(lengths), sum(lengths) / len(lengths)
    interval = float(full[0].ends.interval)
    crystal = 0.0 if len(timed) == len(full) else CRYSTAL / math.sqrt(3) * mean
    own = math.hypot(interval / math.sqrt(12), crystal)
    scatter = 0.0
    if n > 1:
        scatter = math.sqrt(sum((x - mean) ** 2 for x in lengths) / (n - 1) / n)
    how = {"method": "clock" if len(timed) == len(full) else "time stamps"}
    dof = float(n - 1) if scatter > own else math.inf
    told = (
        Component("one frame at the end", interval / math.sqrt(12), "s", 1 / 60, "rectangular",
                  "time between frames"),
        Component("camera's clock", crystal, "s", 1 / 60, "rectangular",
                  "judgement: largest error of a crystal"),
        Component("files that differ", scatter, "s", 1 / 60, source="scatter"),
    )  # fmt: skip
    parts = tuple(p for p in told if p.u > 0)
    return result("segment_length", mean / 60, n=n, dof=dof, conditions=how, budget=parts)


def findings(
    recording: Recording, files: Sequence[File], joints: Sequence[Joint], told: str,
    agreed: bool | None,
) -> dict[str, Any]:  # fmt: skip
    """Return what has no uncertainty."""
    at = 0.0
    segments = []
    for f in files:
        length = float(f.ends.picture.seconds)
        segments.append(Segment(at, at + length, 0.0, f.ends.size))
        at += length
    if recording.unfinished:  # the last file is then another one: these are all full
        segments.append(Segment(at, at + 1, 0.0, 0))
    rate = byte_rate(recording)
    return {
        "order": [f.ends.source.name for f in files],
        "ordered_by": told,
        "joints": [
            {
                "after": j.before.source.name,
                "before": j.after.source.name,
                **{w: {"gap_s": round(g, 4), "u_s": round(u, 4)} for w, (g, u) in j.said.items()},
            }
            for j in joints
        ],
        "overlap_s": round(shared[0], 4) if (shared := overlap(joints)) is not None else None,
        "segment_rule": segment_rule(segments),
        "unfinalised_files": [
            {
                "file": b.source.name,
                "media_bytes": b.media_bytes,
                "seconds": round(b.media_bytes / rate, 1) if rate else None,
            }
            for b in recording.unfinished
        ],
        "methods_agree": agreed,
        **_clock_ppm(files),
        "lost_inside": [
            {"file": name, "seconds": round(lost, 3)} for name, lost in hidden_losses(files)
        ],
    }


def _clock_ppm(files: Sequence[File]) -> dict[str, float | None]:
    """How much the files' time runs fast against the bench clock, and its uncertainty, ppm."""
    whole = [f for f in files if f.start and f.end]
    if not whole:
        return {"clock_ppm": None, "clock_ppm_u": None}
    seconds = sum(float(f.ends.picture.seconds) for f in whole)
    u = math.sqrt(sum(m.u**2 for f in whole for m in (f.start, f.end) if m is not None))
    return {
        "clock_ppm": round(-1e6 * sum(_ahead(f) for f in whole) / seconds, 2),
        "clock_ppm_u": round(1e6 * u / seconds, 2),
    }


def pictures(
    files: Sequence[File], joints: Sequence[Joint], watches: dict[Any, Any]
) -> tuple[Picture, ...]:
    """Show the clock at the two ends of the first joint at which it was read."""
    joint = next((j for j in joints if "clock" in j.said), joints[0] if joints else None)
    if joint is None:
        return ()
    drawn = []
    for clock in (watches[joint.before.source][1].clock, watches[joint.after.source][0].clock):
        if clock.sample is None:
            return ()
        view = canvas(clock.sample)
        if clock.outline is not None:
            draw_outline(view, clock.outline, GREEN)
        drawn.append(view)
    if drawn[0].shape != drawn[1].shape:
        drawn = drawn[:1]
    names = f"'{joint.before.source.name}' before and '{joint.after.source.name}' after a joint"
    what = "the clock as it was read" if "clock" in joint.said else "no clock was read"
    return (encode("joint.png", f"{names}: {what}.", np.hstack(drawn)),)


def figures(joints: Sequence[Joint]) -> tuple[Figure, ...]:
    """Return the gap at every joint as a figure."""
    rows = [(j.after.source.name, w, *j.said[w]) for j in joints for w in j.said]
    if not rows:
        return ()
    columns: dict[str, Sequence[Any]] = {
        "joint": [name for name, *_ in rows],
        "witness": [w for _, w, *_ in rows],
        "gap": [round(g, 5) for *_, g, _ in rows],
        "low": [round(interval(g, u)[0], 5) for *_, g, u in rows],
        "high": [round(interval(g, u)[1], 5) for *_, g, u in rows],
    }
    mark = Mark("points", y="gap", low="low", high="high", series="witness")
    return (
        Figure(
            "gaps",
            "Gap at every joint",
            "Time that no file holds; below zero two files hold the same time.",
            columns,
            Axis("joint", "before the file"),
            Axis("gap", "gap", "s", zero=True),
            (mark,),
        ),
    )


def overlap(joints: Sequence[Joint]) -> tuple[float, float] | None:
    """Return the seconds that two files in a row both hold, mean and `u`; None where none is seen.

    A gap is time that is not recorded and cannot be negative: what a camera records twice is
    this figure.
    """
    for witness in WITNESSES:
        said = [j.said[witness] for j in joints if witness in j.said]
        if said:
            mean = sum(g for g, _ in said) / len(said)
            u = math.sqrt(sum(u * u for _, u in said)) / len(said)
            return (-mean, u) if upper(mean, u) < 0 else None
    return None


def sentence(
    files: Sequence[File], found: Sequence[Result], shared: tuple[float, float] | None
) -> str:
    """Say it to a flyer; `shared` from `overlap`."""
    gap = next((r for r in found if r.measurand == "gap"), None)
    if gap is None:
        return f"{len(files)} files follow each other; what lies between them is not known."
    if shared is not None:
        often = number(shared[0], expanded(shared[1]))
        return f"Each new file begins {often} s before the last one ends: nothing is lost."
    if gap.value < 2 * gap.u:
        return f"No time was seen to be lost where a new file starts ({gap.n} joints)."
    full = [float(f.ends.picture.seconds) for f in files[:-1]]
    length = sum(full) / len(full)
    often = f"{length / 60:.1f} min" if length > 100 else f"{length:.0f} s"
    return f"{said_result(gap)} are lost at each new file, about every {often}."


def cut_sentence(results: Sequence[Result], findings: dict[str, Any]) -> str:
    """Say to a flyer what a power cut costs."""
    cuts, opened = findings["power_cuts"], findings["power_cut_files_opened"]
    lost = next((r for r in results if r.measurand == "lost_on_power_cut"), None)
    text = f"After {opened} of {cuts} power cuts the file opened"
    if lost is not None:
        text += f", without its last {earned(lost)} s"
    bound = findings["power_cut_bound_percent"]
    return f"{text}; up to {bound:.0f} % of cuts may leave none (95 %)."
