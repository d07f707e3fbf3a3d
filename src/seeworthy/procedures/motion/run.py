"""Run of `motion`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import earned
from seeworthy.ground.errors import BadQuantity, CannotMeasure
from seeworthy.ground.results import Figure, Outcome, Result, result
from seeworthy.ground.uncertainty import interval
from seeworthy.observe.motion_tracks import MotionWatch
from seeworthy.observe.steadied import MOST, tell_steadied
from seeworthy.optics.turning import AXES, Shape
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.motion.figures import rates_figure, spectrum_figure
from seeworthy.procedures.motion.measure import (
    RotationRates,
    lenses_of_view,
    measure_rates,
    percentile,
    rms,
    u_of_view,
    unrest,
)
from seeworthy.procedures.motion.rhythm import Rhythm, even, spectrum, swing, vibration

_BANDS = ((0.0, 0.5), (0.5, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, 8.0), (8.0, math.inf))  # Hz


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for the whole clip."""
    return (Watch(inputs.file(), MotionWatch()),)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return sizes, swing and vibration of the rotation."""
    watch = seen.watches[0].observer
    assert isinstance(watch, MotionWatch)
    view = inputs.reading("hfov")
    assert view is not None
    if not 5 <= view.value < 170:
        raise BadQuantity(
            f"A horizontal view of {view.value:g}° cannot be used here.",
            "Give the angle from side to side, between 5 and 170 degrees.",
        )
    told = tell_steadied(watch.pairs[:MOST], watch.width, watch.height)
    if told.state == "yes":
        raise told.refusal(
            inputs.file().name, "What is left in the picture is not how the craft turned."
        )
    hfov, u_hfov = math.radians(view.value), math.radians(view.u)
    lenses = lenses_of_view(hfov, watch.width, watch.height, inputs.option("lens"))
    row_time = _row_time(inputs, watch.height)
    interval = _interval(watch)
    rows = (row_time,) if row_time is not None else _rows_between(inputs, interval, watch.height)
    rates = measure_rates(
        watch.pairs, lenses, u_of_view(hfov, u_hfov), watch.width, watch.height, rows
    )
    middle = Shape.of_view(hfov, lenses[0].k / 2 + lenses[-1].k / 2, watch.width, watch.height)
    grid, level = even(rates)
    swung = swing(grid, level, rates.interval) if len(grid) >= 64 else None
    shaken = vibration(
        watch.pairs, middle, watch.width, watch.height, row_time=row_time, interval=interval
    )
    conditions = {"mount": inputs.option("mount")} if inputs.option("mount") else {}
    results = _results(rates, swung, shaken, row_time is not None, conditions)
    findings = _findings(inputs, rates, swung, shaken, row_time)
    figures: tuple[Figure, ...] = (rates_figure(rates),)
    if len(grid) >= 64:
        f, density = spectrum(grid, level, rates.interval)
        findings["bands_deg_s"] = _bands(f, density)
        figures += (spectrum_figure(f, density),)
    return Outcome(
        tuple(results), findings, tuple(_warnings(inputs, watch, rates, shaken)), figures=figures,
        method="picture", sentence=_sentence(results),
    )  # fmt: skip


def _interval(watch: MotionWatch) -> float:
    if not watch.pairs:
        raise CannotMeasure(
            "No two frames of this clip could be compared.", "Give a clip with time stamps."
        )
    return float(np.median([p.end - p.start for p in watch.pairs]))


def _row_time(inputs: Inputs, height: int) -> float | None:
    reading = inputs.reading("readout_time")
    if reading is None:
        return None
    sign = -1 if inputs.option("rows") == "bottom" else 1
    return sign * reading.value / 1e3 / height


def _rows_between(inputs: Inputs, interval: float, height: int) -> tuple[float, float]:
    """Ends of what a read-out may take: nothing, or the whole interval."""
    sign = -1 if inputs.option("rows") == "bottom" else 1
    return 0.0, sign * interval / height


def _results(
    rates: RotationRates,
    swung: Rhythm | None,
    shaken: Rhythm | None,
    rows: bool,
    conditions: dict[str, Any],
) -> list[Result]:
    total, ends, blocks = unrest(rates)
    n = int(np.isfinite(rates.rate).all(1).sum())
    found = [
        result(
            "unrest", total.value, n=blocks, interval=ends, conditions=conditions,
            budget=total.parts,
        )
    ]  # fmt: skip
    for axis, name in enumerate(AXES):
        for measurand, size in (
            ("rotation_rms", rms(rates, axis)),
            ("rotation_p95", percentile(rates, axis)),
        ):
            low, high = interval(size.value, size.u)
            found.append(
                result(
                    measurand, size.value, n=n, interval=(max(low, 0.0), high),
                    conditions={"axis": name, **conditions}, budget=size.parts,
                )
            )  # fmt: skip
    if swung is not None:
        on = {"axis": AXES[swung.axis], **conditions}
        period = 1 / swung.frequency
        found.append(
            result("swing_period", period, n=n, conditions=on,
                   budget=(_frequency(swung, period**2),))
        )  # fmt: skip
        found.append(_amplitude("swing", swung, rates, n, on))
    if shaken is not None and rows and not shaken.rivals:
        on = {"axis": AXES[shaken.axis], **conditions}
        found.append(
            result(
                "vibration_frequency", shaken.frequency, n=n, conditions=on,
                budget=(_frequency(shaken, 1.0),),
            )
        )  # fmt: skip
        found.append(_amplitude("vibration", shaken, rates, n, on))
    return found


def _frequency(rhythm: Rhythm, slope: float) -> Component:
    return Component(
        "frequency", rhythm.u_frequency, "Hz", slope, source="spectrum: scatter, length of the clip"
    )


def _amplitude(
    measurand: str, rhythm: Rhythm, rates: RotationRates, n: int, on: dict[str, Any]
) -> Result:
    parts = (
        Component("noise of the following", rhythm.u_amplitude, "deg", source="spectrum: scatter"),
        *rates.scale_parts(rhythm.amplitude, rhythm.axis),
    )
    return result(measurand, rhythm.amplitude, n=n, conditions=on, budget=parts)


def _findings(
    inputs: Inputs,
    rates: RotationRates,
    swung: Rhythm | None,
    shaken: Rhythm | None,
    row_time: float | None,
) -> dict[str, Any]:
    noise = np.degrees(np.sqrt(np.nanmean(rates.noise, axis=0)))
    found: dict[str, Any] = {
        "spin_hz": round(float(np.nanmean(rates.rate[:, 2])) / (2 * math.pi), 4),
        "fastest_seen_hz": round(400.0 if row_time is not None else 0.5 / rates.interval, 1),
        "swing": "none stands out"
        if swung is None
        else f"{AXES[swung.axis]}, {swung.amplitude:.2g}° to either side every "
        f"{1 / swung.frequency:.3g} s",
        "vibration": _vibration_word(shaken, row_time),
        "followed": round(rates.followed, 4),
        "points": round(rates.points, 1),
        "noise_deg_s": {a: round(float(noise[i]), 4) for i, a in enumerate(AXES)},
    }
    if inputs.option("mount"):
        found["mount"] = inputs.option("mount")
    speed, distance = inputs.reading("speed"), inputs.reading("distance")
    if speed is not None and distance is not None:
        found["way_deg_s"] = round(math.degrees(speed.value / distance.value), 3)
    return found


def _vibration_word(shaken: Rhythm | None, row_time: float | None) -> str:
    if shaken is None:
        return "none stands out"
    where = f"{AXES[shaken.axis]}, {shaken.frequency:.4g} Hz"
    if not shaken.rivals:
        return f"{where}, told by the rows"
    others = ", ".join(f"{v:.4g}" for v in shaken.rivals[:4])
    why = "no read-out time was given" if row_time is None else "the rows do not tell them apart"
    return f"{where} or {others} Hz: {why}"


def _bands(f: Any, density: Any) -> dict[str, list[float]]:
    step = float(f[1] - f[0])
    table = {}
    for low, high in _BANDS:
        mine = (f >= low) & (f < high)
        if mine.any():
            name = f"{low:g} to {high:g}" if math.isfinite(high) else f"above {low:g}"
            table[name] = [round(float(v), 4) for v in np.sqrt(density[mine].sum(0) * step)]
    return table


def _warnings(
    inputs: Inputs, watch: MotionWatch, rates: RotationRates, shaken: Rhythm | None
) -> list[str]:
    said = []
    speed, distance = inputs.reading("speed"), inputs.reading("distance")
    if speed is not None and distance is not None:
        said.append(
            f"Flying past at {speed.value:.3g} m/s, {distance.value:.3g} m off, looks like up to "
            f"{math.degrees(speed.value / distance.value):.2g} deg/s of steady yaw or pitch."
        )
    else:
        said.append(
            "Flying past near things looks like slow yaw or pitch; give speed and distance to "
            "see how much."
        )
    if rates.followed < 0.95:
        said.append(
            f"{100 * (1 - rates.followed):.0f} % of the frames could not be followed and are left "
            "out: cuts, sky or water alone, or blur."
        )
    if watch.rotation in (90, 270):
        said.append("Axes are those of the stored picture, which players turn by a quarter.")
    if shaken is not None:
        said.append(
            "A vibration shears the rows of a frame, which passes for roll: roll is upwards of "
            "what it was."
        )
    if shaken is not None and shaken.rivals and inputs.reading("readout_time") is None:
        said.append("A vibration is seen whose true frequency needs the reading readout_time.")
    return said


def _sentence(results: Sequence[Result]) -> str:
    by = {r.measurand: r for r in reversed(results)}
    text = f"The camera turned at {earned(by['unrest'])} deg/s rms"
    if "swing" in by:
        text += (
            f" and swung {earned(by['swing'])}° to either side every {earned(by['swing_period'])} s"
        )
    blur = earned(by["unrest"], 1e3 * math.radians(1) / 100)
    return f"{text}: in 1/100 s that smears a far point by {blur} mm per metre."
