"""Run of `brightness`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.digits import said_result
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.ground.uncertainty import interval
from seeworthy.observe.light_run import SAMPLES, LightRun
from seeworthy.optics.light_reading import read_light
from seeworthy.optics.sunlight import clear_sky_lux
from seeworthy.procedures.declare import Inputs, Seen, Watch

Floats = npt.NDArray[np.float64]

_ALL = 0.98  # of the picture: a date stamp or a bright spot may stand in the rest (judgement)
_BRIDGED = 0.25  # s: a flash between two black frames does not end a stretch (judgement)
_STRETCHES = 20  # listed at most
_BLOCK = 1.0  # s, within which frames are one look at the scene
_FEWEST = 4  # such blocks, below which their scatter says nothing
_MOST = 600  # points of a line
_NOTHING = 0.1  # %: a square of 3 % of the picture's width; less is not worth a number (judgement)


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for the whole clip."""
    return (Watch(inputs.file(), LightRun()),)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return clipped and black shares, and when the picture was lost in either."""
    watch = seen.watches[0].observer
    assert isinstance(watch, LightRun)
    table = watch.table()
    if len(table) < 2:
        raise CannotMeasure(
            "Fewer than two frames with a time stamp could be looked at.", "Give a longer clip."
        )
    time = table[:, 0] - table[0, 0]
    black, white = table[:, 4], watch.clipped()
    step = float(np.median(np.diff(time)))
    findings: dict[str, Any] = {
        "white_stretches": stretches(time, white >= _ALL, step),
        "black_stretches": stretches(time, black >= _ALL, step),
        "most_clipped_percent": round(100 * float(white.max()), 2),
        "most_clipped_at": round(float(time[int(white.argmax())]), 2),
        "mean_percent": round(100 * float(table[:, 1].mean()), 1),
        "mean_range_percent": [round(100 * float(v), 1) for v in _ends(table[:, 1])],
    }
    warnings = _light(inputs, findings)
    results = (
        mean_share("clipped_share", time, white, watch.surely_clipped()),
        mean_share("black_share", time, black, watch.surely_black()),
    )
    return Outcome(
        results, findings, tuple(warnings), figures=(_figure(time, table[:, 1], white, black),),
        method="picture", sentence=_sentence(results, findings),
    )  # fmt: skip


def _ends(values: Floats) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def stretches(time: Floats, there: npt.NDArray[np.bool_], step: float) -> list[list[float]]:
    """Return from and to of the stretches, s; short breaks are bridged.

    Args:
        time: (n,). Of the frames.
        there: (n,) bool
        step: How long a frame lasts.
    """
    found: list[list[float]] = []
    for t in time[there].tolist():
        if found and t - found[-1][1] <= _BRIDGED:
            found[-1][1] = t + step
        else:
            found.append([t, t + step])
    return [[round(a, 2), round(b, 2)] for a, b in found[:_STRETCHES]]


def mean_share(
    name: str,
    time: Floats,
    share: Floats,
    least: Floats,
    conditions: Mapping[str, Any] | None = None,
) -> Result:
    """Return a mean share in per cent; its scatter from stretches of a second each.

    Args:
        time, share: (n,). s, and 0 to 1, of every frame.
        least: (n,). What of the share is sure: the interval begins as far below it.
    """
    blocks = np.unique((time / _BLOCK).astype(int), return_inverse=True)[1]
    means = np.bincount(blocks, share) / np.bincount(blocks)
    n, value = len(means), float(share.mean())
    # Every frame is looked at in some 12,000 places.
    u_places = math.sqrt(max(value * (1 - value), 1 / SAMPLES) / SAMPLES)
    # Fewer seconds than that: as uncertain as a share that is anything of its size.
    u_scene = float(means.std(ddof=1)) / math.sqrt(n) if n >= _FEWEST else value / math.sqrt(3)
    # Seconds that follow each other are alike.
    alike = _alike(means) if n >= _FEWEST else 0.0
    scene = "scatter of the seconds, with how alike neighbours are" if n >= _FEWEST else (
        "judgement: a clip of few seconds, as uncertain as anything of its size"
    )  # fmt: skip
    parts = (
        Component("places looked at in a frame", 100 * u_places, "%", source="counted"),
        Component(
            "scene, from second to second", 100 * u_scene * math.sqrt((1 + alike) / (1 - alike)),
            "%", source=scene,
        ),
    )  # fmt: skip
    u = combined(parts) / 100
    dof = max((n - 1) * (1 - alike) / (1 + alike), 1.0) if n >= _FEWEST else math.inf
    low, high = interval(value, u, dof)
    low -= value - float(least.mean())
    return result(
        name, 100 * value, n=n, dof=dof, budget=parts,
        interval=(100 * max(low, 0.0), 100 * min(high, 1.0)), conditions=conditions,
    )  # fmt: skip


def _alike(means: Floats) -> float:
    left = means - means.mean()
    square = float((left**2).sum())
    return min(max(float((left[1:] * left[:-1]).sum()) / square, 0.0), 0.8) if square else 0.0


def _light(inputs: Inputs, findings: dict[str, Any]) -> list[str]:
    """Note the light at which this was, where a reading tells it."""
    meter, sun = inputs.reading("light"), inputs.reading("sun_height")
    if meter is not None:
        read = read_light(meter.text)
        findings["light_lux"] = float(f"{read.illuminance.value:.3g}")
        findings["light_from"] = "the light meter"
        return list(read.notes)
    if sun is not None:
        findings["light_lux"] = float(f"{clear_sky_lux(sun.value):.3g}")
        findings["light_from"] = f"the sun at {sun.value:g}°, clear sky, on level ground"
        return ["The light by the sun is that of a clear sky; cloud takes it to a tenth and less."]
    return []


def _figure(time: Floats, mean: Floats, white: Floats, black: Floats) -> Figure:
    pick = slice(None, None, max(1, len(time) // _MOST))
    columns = {
        "time": time[pick].tolist(),
        "mean": (100 * mean[pick]).tolist(),
        "white": (100 * white[pick]).tolist(),
        "black": (100 * black[pick]).tolist(),
    }
    return Figure(
        "brightness",
        "Brightness over the clip",
        "Where white or black climbs, detail is lost for good.",
        columns,
        Axis("time", "time", "s"),
        Axis("mean", "share", "%", zero=True),
        (
            Mark("line", y="mean", label="mean code value"),
            Mark("line", y="white", label="clipped to white"),
            Mark("line", y="black", label="sunk into black"),
        ),
    )


def _sentence(results: Sequence[Result], findings: dict[str, Any]) -> str:
    white, black = results
    text = f"On average {said_result(white)} of the picture is clipped to white"
    text += f" and {said_result(black)} sunk into black"
    if max(white.value, black.value) < _NOTHING:
        text = "Next to nothing of the picture is clipped to white or sunk into black"
    for name, word in (("white_stretches", "all white"), ("black_stretches", "all black")):
        if findings[name]:
            a, b = findings[name][0]
            more = len(findings[name]) - 1
            text += f"; it is {word} from {a:g} to {b:g} s" + (
                f" and {more} times more" * (more > 0)
            )
    return text + "."
