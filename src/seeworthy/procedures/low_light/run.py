"""Run of `low-light`: what it asks to see, and what it concludes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from seeworthy.ground.budget import Component
from seeworthy.ground.errors import WrongCall
from seeworthy.ground.examples import as_options
from seeworthy.ground.quantities import Quantity, parse
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.ground.uncertainty import interval
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.optics.light_reading import like, parse_light, read_light
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.low_light.figures import figures, picture, sentence
from seeworthy.procedures.low_light.measure import RATE_LIMIT, SHARPNESS_LIMIT, SNR_LIMIT, Usable
from seeworthy.procedures.low_light.takes import LightTake, UsableLimits, judge, measure_takes
from seeworthy.procedures.noise.referred import snr_result


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Keep pairs of frames of every take."""
    _readings(inputs)
    _limits(inputs)
    return [Watch(source, NoiseFrames(8, colour=False)) for source in inputs.all_files()]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Measure every take against the brightest, and find the least usable light."""
    lights = _readings(inputs)
    limits = _limits(inputs)
    takes = measure_takes(inputs, seen, lights)
    usable = judge(takes, limits)
    return Outcome(
        tuple(_results(takes, usable, limits)),
        _findings(takes, usable, limits),
        tuple(_doubts(takes, usable, inputs)),
        tuple(picture(take) for take in takes),
        figures(takes, usable, limits),
        "",
        sentence(takes, usable),
    )


def _readings(inputs: Inputs) -> list[Quantity]:
    """Return the light of each file, in lx.

    Raises:
        WrongCall: Not one reading per file.
        BadQuantity: A reading that is not light.
    """
    texts = [q.text for q in inputs.all_readings("light")]
    files = inputs.all_files()
    if len(texts) != len(files):
        some = "one light reading was" if len(texts) == 1 else f"{len(texts)} light readings were"
        raise WrongCall(
            f"{some[0].upper()}{some[1:]} typed for {len(files)} files.",
            f"Type one for each file, in the files' order: {as_options('low-light.light')}.",
        )
    return [parse_light(text) for text in texts]


def _limits(inputs: Inputs) -> UsableLimits:
    def typed(name: str, unit: str, default: float) -> float:
        text = inputs.option(name)
        if not text:
            return default
        if unit == "%" and text.strip().endswith("%"):
            return parse(text, "%", positive=True).value / 100
        return parse(text.removesuffix("dB").strip(), "", positive=True).value

    limits = UsableLimits(
        typed("least_snr", "dB", SNR_LIMIT),
        typed("least_sharpness", "%", SHARPNESS_LIMIT),
        typed("least_rate", "%", RATE_LIMIT),
    )
    if max(limits.sharpness, limits.rate) > 1:
        raise WrongCall(
            "A share of bright light cannot be above 1.", "Write 0.5 or 50 % for one half."
        )
    return limits


def _results(takes: Sequence[LightTake], usable: Usable, limits: UsableLimits) -> list[Result]:
    found = [
        result(
            "usable_lux", usable.lux, n=len(takes), interval=usable.interval, budget=usable.budget,
            conditions={
                "criterion": limits.text(),
                **({"bound": usable.bound} if usable.bound else {}),
            },
            evidence=[take.evidence for take in takes],
        )
    ]  # fmt: skip
    for take in takes:
        light = {"light": round(take.lux.value, 4)}
        shows = [take.evidence]
        if take.grey is not None:
            where: dict[str, Any] = {
                **light, "grey": "18 % surface", "channel": "luminance",
            }  # fmt: skip
            found.append(snr_result(take.grey, where, take.shift, take.parts, shows))
        if take.kept is not None and take is not takes[0]:
            value, u = take.kept
            found.append(
                result(
                    "sharpness_kept", value, n=take.edges, conditions=light, evidence=shows,
                    interval=interval(value, u, least=0.0), budget=take.kept_parts,
                )
            )  # fmt: skip
        if take.rate is not None:
            rate, u_rate, dof, n = take.rate
            stamps = Component("time stamps", u_rate, "Hz", source="their rounding and scatter")
            found.append(
                result("frame_rate", rate, n=n, dof=dof, conditions=light, budget=(stamps,))
            )
    return found


def _findings(takes: Sequence[LightTake], usable: Usable, limits: UsableLimits) -> dict[str, Any]:
    level = like(usable.lux)
    return {
        "criterion": limits.text(),
        "fails_first": usable.binds,
        "crossed_at_lux": {
            name: None if lux is None else round(lux, 3) for name, lux in usable.crossings.items()
        },
        "like": f"{level.condition} ({level.source})",
        "mid_grey_percent": {
            f"{t.lux.value:.4g} lx": round(100 * t.grey.signal, 2) for t in takes if t.grey
        },
        "darker_stops": {
            f"{t.lux.value:.4g} lx": round(t.darker, 2) for t in takes if t.darker is not None
        },
        "exposure_at_most_ms": {
            f"{t.lux.value:.4g} lx": round(1000 / t.rate[0], 2) for t in takes if t.rate
        },
        "edges_from": takes[0].edges_from,
        "tone": takes[0].tone,
    }


def _doubts(takes: Sequence[LightTake], usable: Usable, inputs: Inputs) -> list[str]:
    said = []
    for take in takes:
        where = f"At {take.lux.value:.3g} lx"
        said += [f"{where}: {text}" for text in take.notes]
    if usable.bound == "upper":
        said.append("The picture is usable in every take: the limit lies below the darkest one.")
    if usable.bound == "lower":
        said.append("Not even the brightest take is usable: the limit lies above it.")
    if len(takes) < 4:
        said.append(f"{len(takes)} levels only; five or six, two stops apart, tell more.")
    said += _taken_for_granted(inputs)
    shared = dict.fromkeys(text for take in takes for text in take.assumptions)
    return said + list(shared)


def _taken_for_granted(inputs: Inputs) -> list[str]:
    """Say what was assumed of the meter, once each."""
    said: dict[str, None] = {}
    for reading in inputs.all_readings("light"):
        if re.fullmatch(r"[-+±/\d\s.,]+", reading.text):
            said[f"light={reading.text!r} has no unit and was taken as lux."] = None
        said.update(dict.fromkeys(read_light(reading.text).notes))
    return list(said)
