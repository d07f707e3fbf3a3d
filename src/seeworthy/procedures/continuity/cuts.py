"""The power-cut test: what the card holds after the power was cut while recording."""

from __future__ import annotations

from typing import Any

from seeworthy.ground.budget import Component
from seeworthy.ground.errors import UnreadableInput, WrongCall
from seeworthy.ground.results import Result, result
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.media.ends import media_without_index, read_ends
from seeworthy.media.source import Source
from seeworthy.procedures.continuity.power_cut import power_cut
from seeworthy.procedures.declare import Inputs

RECOVER = "Keep it as it is; `seeworthy recover {name} --like GOOD` can rebuild it from a good clip"


def cut_results(
    inputs: Inputs, byte_rate: float | None
) -> tuple[list[Result], dict[str, Any], list[str]]:
    """Return results, findings and warnings of the power-cut test.

    Args:
        inputs: Files ``cut=``, readings ``recorded`` (one per file, in their order) and ``cuts``.
        byte_rate: Bytes per second of finished files of the same camera.

    Raises:
        WrongCall: Numbers that do not fit each other.
    """
    sources, recorded = inputs.all_files("cut"), inputs.all_readings("recorded")
    cuts = _count(inputs, len(sources))
    if recorded and len(recorded) != len(sources):
        raise WrongCall(
            f"{len(recorded)} readings 'recorded' were given for {len(sources)} files cut=.",
            "Give one per file, in the same order.",
        )
    lengths = [_length(source) for source in sources]
    lost = [
        (r.value - length, r.u) for r, length in zip(recorded, lengths, strict=False)
        if length is not None
    ]  # fmt: skip
    opened = [n for n in lengths if n is not None]
    found = power_cut(
        cuts, [v for v, _ in lost] if recorded else [0.0] * len(opened), _mean_u(lost)
    )
    warnings = _warnings(sources, lengths, byte_rate)
    results = [
        result(
            "power_cut_failure", found.share, max(found.share - found.low, found.high - found.share)
            / coverage_factor(), n=cuts, interval=(found.low, found.high),
        )
    ]  # fmt: skip
    if lost and found.lost is not None:
        part = Component("cuts that differ", found.lost.u, "s", source="scatter, readings")
        results.append(
            result(
                "lost_on_power_cut", found.lost.value, n=found.lost.n, budget=(part,),
                interval=found.lost.interval, conditions={"statistic": "mean"},
            )
        )  # fmt: skip
    elif lost:
        warnings.append("One cut says nothing of the scatter: cut the power five times or more.")
        (value, u), once = lost[0], {"statistic": "one cut"}
        part = Component("recorded", u, "s", source="reading", common="recorded")
        results.append(result("lost_on_power_cut", value, n=1, conditions=once, budget=(part,)))
    findings = {
        "power_cuts": cuts,
        "power_cut_files_opened": len(opened),
        "power_cut_bound_percent": round(found.bound, 1),
        "power_cut_worst_s": None if found.worst is None or not lost else round(found.worst, 2),
    }
    return results, findings, warnings


def _count(inputs: Inputs, files: int) -> int:
    reading = inputs.reading("cuts")
    cuts = files if reading is None else round(reading.value)
    if reading is not None and abs(reading.value - cuts) > 1e-6:
        raise WrongCall("cuts must be a whole number.", "Write cuts=5.")
    if cuts < max(1, files):
        raise WrongCall(
            f"{files} files cut= cannot come from {cuts} cuts.", "Count every cut, also those "
            "after which no file was found."
        )  # fmt: skip
    return cuts


def _length(source: Source) -> float | None:
    """Seconds of a file; None where it does not open."""
    if media_without_index(source) is not None:
        return None
    try:
        ends = read_ends(source)
    except UnreadableInput:
        return None
    return None if ends is None else float(ends.picture.seconds)


def _mean_u(lost: list[tuple[float, float]]) -> float:
    return sum(u for _, u in lost) / len(lost) if lost else 0.0


def _warnings(
    sources: tuple[Source, ...], lengths: list[float | None], byte_rate: float | None
) -> list[str]:
    return [
        f"'{source.name}' was not finished when the power was cut: "
        f"{held_words(source, byte_rate)}. {RECOVER.format(name=source.name)}."
        for source, length in zip(sources, lengths, strict=True)
        if length is None
    ]


def held_words(source: Source, byte_rate: float | None) -> str:
    """Say how much of a recording a file without its index holds."""
    held = media_without_index(source)
    if held is None:
        return "it does not open"
    amount = f"{held / 1e6:.1f} MB" if held >= 1e5 else f"{held / 1e3:.0f} kB"
    text = f"it holds {amount} of pictures and sound"
    return f"{text}, about {held / byte_rate:.0f} s" if byte_rate else text
