"""Run of `endurance`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from seeworthy.ground.digits import said_u
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.examples import as_options
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, result
from seeworthy.media.container import read_facts
from seeworthy.media.source import Source
from seeworthy.procedures.declare import Inputs, Seen
from seeworthy.procedures.endurance.measure import (
    FAT32_LIMIT,
    Endurance,
    Rate,
    endurance,
    file_minutes,
    lost_share,
    rate_of_seconds,
    speed_class,
    typed_rate,
)
from seeworthy.procedures.stream.measure import bit_rates, shown_span

# Larger cards leave the shop with exFAT, whose files may be larger (SD standard; from memory).
_LARGEST_FAT32 = 32.5
_SHORT = 60
_DIFFERENT = 0.10


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return the recording time, what binds it, and what the card must be able to do."""
    rate, warnings, figures = _rate(inputs)
    card, run_time = inputs.reading("card"), inputs.reading("run_time")
    _check(card, rate, run_time)
    rule = _file_rule(inputs, card)
    file_time = inputs.reading("file_time")
    found = endurance(
        card=_label(card),
        rate=rate,
        battery=None if run_time is None else (run_time.value / 60, run_time.u / 60),
        file_limit=rule["limit"] if rule["stops"] and rate is not None else None,
        file_hours=file_time.value / 60 if file_time is not None and rule["stops"] else None,
    )
    findings: dict[str, Any] = {
        "binds": found.binds,
        "binds_share": round(found.shares[found.binds], 3),
        "limits": {k: {"hours": v, "u": u} for k, (v, u) in found.limits.items()},
    }
    if rate is not None:
        findings |= _of_rate(rate, rule)
        warnings += _about_files(findings, rule, found)
    gap, segment = inputs.reading("gap"), inputs.reading("segment")
    if gap is not None and segment is not None:
        share, u = lost_share((gap.value, gap.u), (segment.value, segment.u))
        findings["lost_share"] = {"value": share, "u": u, "unit": "%"}
    warnings += _missing(card, rate, run_time)
    if found.shares[found.binds] < 0.95:
        warnings.append(
            "Which limit comes first is not certain: "
            + ", ".join(f"{name} {100 * share:.0f} %" for name, share in found.shares.items())
            + "."
        )
    main = result(
        "record_time",
        found.hours,
        found.u,
        n=rate.n if rate is not None else 1,
        interval=found.interval,
        conditions={"limit": found.binds},
        budget=found.budget,
    )
    return Outcome((main,), findings, tuple(warnings), figures=figures, sentence=_sentence(found))


def _label(card: Quantity | None) -> tuple[float, float] | None:
    """Return what a card holds: the figure printed on it is a name, not a reading.

    ``8 GB`` is no figure rounded to a gigabyte: cards hold what is printed on them, less what
    the file system takes, which has its own allowance. A ± that was typed counts.
    """
    return None if card is None else (card.value, card.u if card.stated else 0.0)


def _check(card: Quantity | None, rate: Rate | None, run_time: Quantity | None) -> None:
    if run_time is None and (card is None or rate is None):
        missing = "a card size" if rate is not None else "a clip or a bit rate"
        if card is None and rate is None:
            missing = "card and bit rate, or a battery's running time"
        raise CannotMeasure(
            f"What is missing is {missing}.",
            f"Add a clip, {as_options('endurance.card')}, {as_options('endurance.run_time')}.",
        )


def _rate(inputs: Inputs) -> tuple[Rate | None, list[str], tuple[Figure, ...]]:
    """Return the rate by the clips, else as typed, with what to say about it."""
    typed = inputs.reading("bit_rate")
    audio = inputs.reading("audio_rate")
    if inputs.all_files():
        pairs = [_seconds(source) for source in inputs.all_files()]
        clips = [seconds for seconds, _ in pairs]
        rate = rate_of_seconds(clips, max(peak for _, peak in pairs))
        said = []
        length = sum(len(clip) for clip in clips)
        if length < _SHORT:
            said.append(
                f"The clip has {length} s: a minute or more, of sky and of land, tells the rate "
                "of a flight better."
            )
        if typed is not None and abs(typed.value / rate.mean - 1) > _DIFFERENT:
            said.append(
                f"The typed bit rate of {typed.value:.3g} Mbit/s was not used: the clip has "
                f"{rate.mean:.3g} Mbit/s."
            )
        return rate, said, (_figure(np.concatenate(clips), rate),)
    if typed is None:
        return None, [], ()
    value, u = typed.value, typed.u
    if audio is not None:
        value, u = value + audio.value, math.hypot(u, audio.u)
    said = [] if audio is not None else ["Sound was not given and is not counted."]
    if not typed.stated:
        said.append(
            "The bit rate is one figure without a spread: 5 % is assumed between scenes. A clip "
            "of a flight tells better."
        )
    return typed_rate(value, u, typed.stated), said, ()


def _seconds(source: Source) -> tuple[Any, float]:
    """Return Mbit/s in every second of a clip, and the peak: pictures, sound and container."""
    facts = read_facts(source)
    packets = facts.video.packets
    tick = float(packets.time_base)
    span = shown_span(packets.shown_stamps(), tick)
    if span is None or span.seconds < 2:
        raise CannotMeasure(
            f"'{source.name}' lasts less than two seconds, which tells no bit rate.",
            "Film a minute of what a flight would show.",
        )
    rates = bit_rates(packets.storage_seconds(), packets.size, span, tick)
    rest = max(0.0, facts.size * 8 / span.seconds - rates.mean)
    # The stream's windows overlap by half; every other one is a second of its own.
    return (rates.window[::2] + rest) / 1e6, ((rates.peak or 0.0) + rest) / 1e6


def _file_rule(inputs: Inputs, card: Quantity | None) -> dict[str, Any]:
    """Return whether a file limit holds, how large, and whether the camera stops there."""
    system = inputs.option("filesystem")
    if not system:
        system = "exfat" if card is not None and card.value > _LARGEST_FAT32 else "fat32"
    given = inputs.reading("file_limit")
    limit = given.value * 1e9 if given is not None else FAT32_LIMIT if system == "fat32" else None
    return {
        "limit": limit,
        "stops": inputs.option("file_rule", "continues") == "stops",
        "system": system,
        "given": bool(inputs.option("file_rule")),
    }


def _of_rate(rate: Rate, rule: dict[str, Any]) -> dict[str, Any]:
    measured = not math.isnan(rate.peak)
    peak = rate.peak if measured else rate.mean
    findings: dict[str, Any] = {
        "bit_rate": {"value": rate.mean, "u": rate.u, "unit": "Mbit/s"},
        "bit_rate_5_95": [rate.low, rate.high] if measured else None,
        "speed_class": {**speed_class(peak), "peak_MB_s": peak / 8, "from_peak": measured},
        "file_system": rule["system"],
    }
    if rule["limit"] is not None:
        findings["time_per_file"] = {
            "value": file_minutes(rate.mean, rule["limit"]),
            "u": file_minutes(rate.mean, rule["limit"]) * rate.u / rate.mean,
            "unit": "min",
        }
    return findings


def _about_files(findings: dict[str, Any], rule: dict[str, Any], found: Endurance) -> list[str]:
    said = []
    if not findings["speed_class"]["from_peak"]:
        said.append("The card's speed class is by the mean rate: a clip would tell the peak.")
    per_file = findings.get("time_per_file")
    if per_file and not rule["given"] and per_file["value"] < found.hours * 60:
        said.append(
            f"A file is full after {per_file['value']:.0f} min ({rule['system'].upper()}). The "
            "camera is taken to go on with a new file; if it stops there, add "
            "--option file_rule=stops."
        )
    return said


def _missing(card: Quantity | None, rate: Rate | None, run_time: Quantity | None) -> list[str]:
    if run_time is None:
        return ["The battery was left out: add run_time from `battery`."]
    if card is None or rate is None:
        return ["The card was left out: it needs its size and a clip or a bit rate."]
    return []


def _figure(seconds: Any, rate: Rate) -> Figure:
    counts, edges = np.histogram(seconds, bins=min(40, max(5, len(seconds) // 5)))
    return Figure(
        "bit-rate",
        "Bit rate from second to second",
        "The card has to keep up with the right end; how long it lasts is set by the mean.",
        {
            "rate": ((edges[1:] + edges[:-1]) / 2).tolist(),
            "share": (100 * counts / counts.sum()).tolist(),
        },
        Axis("rate", "bit rate", "Mbit/s"),
        Axis("share", "share of seconds", "%", zero=True),
        (Mark("bars", y="share"), Mark("rule", value=rate.mean, across="x", label="mean")),
    )


_WORDS = {
    "card": "the card is full",
    "battery": "the cell is empty",
    "file rule": "the file may not grow further",
}


def _sentence(found: Endurance) -> str:
    others = [
        f"{name} {said_u(hours, u, 'h')}"
        for name, (hours, u) in found.limits.items()
        if name != found.binds
    ]
    told = f"It records {said_u(found.hours, found.u, 'h')} until {_WORDS[found.binds]}"
    return told + (f" (else: {', '.join(others)})." if others else ".")
