"""Run of `gyro`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import earned, said_result
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import Outcome, Result, result
from seeworthy.media.logs import Column, Log, pairs, read_log
from seeworthy.observe.motion_flow import turns
from seeworthy.observe.motion_tracks import MotionWatch
from seeworthy.observe.steadied import MOST, Steadied, tell_steadied
from seeworthy.optics.turning import AXES, Shape
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.gyro.align import Alignment, Gyro, align
from seeworthy.procedures.gyro.figures import rates_figure
from seeworthy.procedures.gyro.fit import GyroFit, fit_gyro
from seeworthy.procedures.gyro.follow import held_back

Floats = npt.NDArray[np.float64]

# A view to begin with; the fit leaves it at once.
_FIRST_VIEW = math.radians(70.0)
_LEAST_PAIRS = 45
_LEAST_SAMPLES = 20
# Read-out times of both halves of the picture may differ by this many of their standard
# uncertainties (95 % of normal differences), and must be known to a fifth of the interval.
_HALVES_AGREE = 2.0
_ROW_KNOWN = 0.2
# Corners are followed a little short or long, all alike (fitted on our own rendered clips,
# seed 1: 0.06 %).
_FOLLOWING = 0.001
_SCATTER = "scatter of the fit, or half of what the picture's two sides differ by"
# The widest lenses of small cameras draw 180 to 200 deg (common practice, no source).
_WIDEST = math.radians(200.0)
# Focal length not known to this share is no answer (a judgement: a sixth of the view).
_FOCAL_KNOWN = 0.15


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for the whole clip."""
    return (Watch(inputs.file(), MotionWatch()),)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return view, focal length, offset, axes and, with motion enough, the read-out time."""
    log = _log(inputs)
    gyro, names = gyro_of(log, inputs.option("axes"))
    watch = seen.watches[0].observer
    assert isinstance(watch, MotionWatch)
    found = fit_clip(inputs.file().name, watch, gyro)
    fit, rows, picture, told = found.fit, found.rows, found.picture, found.told
    explained = _explained(picture, told)
    warnings = list(log.notes)
    if rows is None:
        warnings.append(
            "The read-out time cannot be told from this clip; the offset is that of the middle row."
        )
    findings: dict[str, Any] = {
        "lens_bend": [round(float(fit.values[1]), 4), round(float(fit.u[1]), 4)],
        "axes": [[round(float(v), 4) for v in row] for row in fit.axes],
        "axes_u_deg": [round(math.degrees(float(v)), 3) for v in fit.u[2:5]],
        "left_handed": bool(np.linalg.det(fit.axes) < 0),
        "likeness": round(found.first.likeness, 4),
        "explained": {a: round(v, 4) for a, v in explained.items()},
        "rows_read": _rows_word(rows),
        "log_columns": names,
        "left_out_deg_s": {
            a: round(math.degrees(float(np.nanstd((picture - told)[:, i]))), 3)
            for i, a in enumerate(AXES)
        },
    }
    results = _results(found, watch)
    by = {r.measurand: r for r in reversed(results)}
    return Outcome(
        tuple(results), findings, tuple(warnings),
        figures=(rates_figure(found.time, picture, told),), method="gyroscope",
        sentence=(
            f"The picture is {earned(by['hfov'])}° across; the log's clock reads "
            f"{said_result(by['gyro_offset'])} against the clip's."
        ),
    )  # fmt: skip


def fit_clip(name: str, watch: MotionWatch, gyro: Gyro) -> GyroFound:
    """Return lens, axes, offset and, with motion enough, the read-out of a clip with its log.

    Args:
        name: Of the clip, for refusals.

    Raises:
        CannotMeasure: Steadied, too little texture or turning, or not the clip's log.
    """
    steadied = tell_steadied(watch.pairs[:MOST], watch.width, watch.height)
    if steadied.state == "yes":
        raise steadied.refusal(
            name, "So the picture does not follow the camera, nor the gyroscope."
        )
    found = _fit(watch, gyro)
    fit = found.fit
    focal, u_focal = float(fit.values[0]), float(fit.u[0])
    if u_focal > _FOCAL_KNOWN * focal:
        raise CannotMeasure(
            f"The focal length stays between {focal - 2 * u_focal:.0f} and "
            f"{focal + 2 * u_focal:.0f} px: the camera hardly turned up, down or sideways.",
            "Turn the camera briskly to both sides and up and down at far things.",
        )
    if fit.shape.hfov > _WIDEST:
        raise CannotMeasure(
            f"Picture and log would make a view of {math.degrees(fit.shape.hfov):.0f}°: the "
            "picture turns far less than the gyroscope.",
            "Turn steadying off, give the log of this clip with its axes, and check its unit.",
        )
    lags = held_back(found.picture, found.told, found.interval)
    if lags:
        raise Steadied("yes", lags).refusal(
            name, "Lens and clock do not follow from a picture that was held."
        )
    return found


def _log(inputs: Inputs) -> Log:
    columns = pairs(inputs.option("columns"), "columns")
    units = pairs(inputs.option("units"), "units")
    return read_log(inputs.file("log"), columns=columns, units=units)


def gyro_of(log: Log, axes: str = "") -> tuple[Gyro, list[str]]:
    """Return the rotation of a log, and the columns that it was read from.

    Args:
        axes: The three columns as typed, by header or number; found by name when left out.
    """
    chosen = _columns(axes, log)
    time, rates = log.together(chosen)
    if len(time) < _LEAST_SAMPLES:
        raise CannotMeasure("The log holds hardly any rows.", "Give the log of the whole clip.")
    if any(c.unit_from == "assumed" for c in chosen) and np.abs(rates).max() < 1:
        raise WrongCall(
            "The log does not say the unit of its rotation, and the numbers are very small.",
            'Say it: --option units="rotation:rad/s" or rotation:deg/s.',
        )
    return Gyro(time, np.radians(rates)), [c.header for c in chosen]


def _columns(axes: str, log: Log) -> list[Column]:
    named = [p.strip() for p in axes.split(",") if p.strip()]
    rotations = list(log.all("rotation"))
    if named:
        rotations = [_by_name(log, name) for name in named]
    by_axis = {c.axis: c for c in reversed(rotations) if c.axis in ("x", "y", "z")}
    if not named and len(by_axis) == 3:
        return [by_axis[a] for a in ("x", "y", "z")]
    if len(rotations) != 3:
        shown = ", ".join(f"'{c.header}'" for c in log.columns)
        raise CannotMeasure(
            f"'{log.name}' has {len(rotations)} columns of rotation where three are needed.",
            f"Name them with --option axes=HEADER,HEADER,HEADER; its columns: {shown}.",
        )
    return rotations


def _by_name(log: Log, name: str) -> Column:
    for column in log.columns:
        if name.lower() == column.header.strip().lower():
            return column
    if name.isdigit() and any(c.index == int(name) - 1 for c in log.columns):
        return log.at(int(name) - 1)
    shown = ", ".join(f"'{c.header}'" for c in log.columns)
    raise WrongCall(f"'{log.name}' has no column '{name}'.", f"Its columns: {shown}.")


@dataclass(frozen=True, slots=True, eq=False)
class GyroFound:
    """What a clip and its log tell together.

    Attributes:
        rows: Read-out time (negative: from the bottom) and u, s; None where not to be told.
        time: (n,). s, middle of every pair of frames.
        picture, told: (n, 3). Rotation by the picture and by the log, rad/s.
        interval: s between frames.
    """

    fit: GyroFit
    rows: tuple[float, float] | None
    first: Alignment
    time: Floats
    picture: Floats
    told: Floats
    interval: float


def _fit(watch: MotionWatch, gyro: Gyro) -> GyroFound:
    pairs_ = watch.pairs
    usable = [p for p in pairs_ if len(p.points) >= 8]
    if len(usable) < _LEAST_PAIRS:
        raise CannotMeasure(
            f"Only {len(usable)} frames show enough texture to follow.",
            "Film far things rich in detail, in good light and in focus, for ten seconds.",
        )
    interval = float(np.median([p.end - p.start for p in pairs_]))
    shape = Shape.of_view(_FIRST_VIEW, 0.5, watch.width, watch.height)
    solved = [t for _, t in turns(pairs_, shape, watch.width, watch.height)]
    rate = np.concatenate([t.rate for t in solved])
    time = np.concatenate([t.time for t in solved])
    seen = np.isfinite(rate).all(1)
    if seen.sum() < _LEAST_PAIRS:
        raise CannotMeasure(
            "The picture's motion cannot be followed.", "Film far things rich in detail."
        )
    first = align(time[seen], rate[seen], interval, gyro)
    fit = fit_gyro(pairs_, gyro, first, shape, interval=interval)
    halves = [
        fit_gyro(pairs_, gyro, first, shape, interval=interval, side=side) for side in (-1, 1)
    ]
    rows = _rows(fit, halves, interval, watch.height)
    if rows is None:
        fit = fit_gyro(pairs_, gyro, first, shape, interval=interval, rows=False)
    fit = _of_both_sides(fit, halves)
    middle = np.array([(p.start + p.end) / 2 for p in pairs_])
    return GyroFound(fit, rows, first, middle, *_told(watch, gyro, fit), interval)


def _of_both_sides(fit: GyroFit, halves: Sequence[GyroFit]) -> GyroFit:
    """Return the fit with the mean of both halves' focal lengths, and half their difference as u.

    A craft that turns also changes its way. What that does to near things has the other
    sign on the other side of the picture, and cancels where both sides count alike.
    """
    values, cov = fit.values.copy(), fit.cov.copy()
    a, b = (float(h.values[0]) for h in halves)
    values[0] = (a + b) / 2
    cov[0, 0] += (_FOLLOWING * values[0]) ** 2
    for i in (0, 1, 5):
        apart = float(halves[0].values[i] - halves[1].values[i]) / 2
        grow = max(1.0, abs(apart) / math.sqrt(max(cov[i, i], 1e-30)))
        cov[i, :] *= grow
        cov[:, i] *= grow
    shape = replace(fit.shape, focal=float(values[0]))
    return replace(fit, values=values, cov=cov, u=np.sqrt(np.diag(cov)), shape=shape)


def _rows(
    fit: GyroFit, halves: Sequence[GyroFit], interval: float, height: int
) -> tuple[float, float] | None:
    """Return read-out time (negative: from the bottom) and u, s; None where not to be told.

    Near things below far ones move as if rows were late. Where that happens, both halves
    of a picture seldom tell the same time.
    """
    value, u = float(fit.values[6]) * height, float(fit.u[6]) * height
    a, b = ((float(h.values[6]) * height, float(h.u[6]) * height) for h in halves)
    apart = abs(a[0] - b[0])
    u = max(u, apart / 2)
    if u > _ROW_KNOWN * interval or apart > _HALVES_AGREE * math.hypot(a[1], b[1]):
        return None
    if abs(value) > interval or abs(value) < 2 * u:
        return None
    return value, u


def _rows_word(rows: tuple[float, float] | None) -> str:
    if rows is None:
        return "cannot be told"
    return "top to bottom" if rows[0] > 0 else "bottom to top"


def _results(found: GyroFound, watch: MotionWatch) -> list[Result]:
    fit = found.fit
    lens = fit.shape
    # View from focal length and bend together, by differences.
    slope = []
    for change in ((1.0, 0.0), (0.0, 0.03)):
        other = Shape(lens.focal + change[0], lens.k + change[1], lens.width, lens.height)
        slope.append((other.hfov - lens.hfov) / max(change))
    gradient = np.array(slope)
    u_view = math.sqrt(float(gradient @ fit.cov[:2, :2] @ gradient))
    conditions = {"method": "gyroscope"}

    def scatter(u: float, unit: str) -> Component:
        return Component("turning by picture against log", u, unit, source=_SCATTER)

    def with_following(u: float, unit: str, slope: float) -> tuple[Component, ...]:
        part = Component("following of the corners", _FOLLOWING * lens.focal, "px", slope,
                         source="fitted on our own rendered clips, seed 1")  # fmt: skip
        left = math.sqrt(max(u**2 - part.part**2, 0.0))
        return scatter(left, unit), replace(part, u=math.sqrt(u**2 - left**2) / abs(slope))

    results = [
        result(
            "hfov", math.degrees(lens.hfov), n=fit.pairs, dof=fit.dof, conditions=conditions,
            budget=with_following(math.degrees(u_view), "deg", math.degrees(slope[0])),
        ),
        result(
            "focal_length", lens.focal, n=fit.pairs, dof=fit.dof,
            conditions=conditions | {"frame": f"{watch.width}x{watch.height}"},
            budget=with_following(float(fit.u[0]), "px", 1.0),
        ),
        result(
            "gyro_offset", 1e3 * float(fit.values[5]), n=fit.pairs,
            dof=fit.dof, conditions=conditions, budget=(scatter(1e3 * float(fit.u[5]), "ms"),),
        ),
    ]  # fmt: skip
    if found.rows is not None:
        value, u = found.rows
        results.append(
            result(
                "readout_time", 1e3 * abs(value), n=fit.pairs, dof=fit.dof,
                conditions=conditions, budget=(scatter(1e3 * u, "ms"),),
            )
        )  # fmt: skip
    return results


def _told(watch: MotionWatch, gyro: Gyro, fit: GyroFit) -> tuple[Floats, Floats]:
    """Return rotation by the picture and by the log, (n, 3) each, rad/s, means alike."""
    pairs_ = watch.pairs
    row = float(fit.values[6])
    solved = [t for _, t in turns(pairs_, fit.shape, watch.width, watch.height, row)]
    picture = np.concatenate([t.rate for t in solved])
    start = np.array([p.start for p in pairs_])
    end = np.array([p.end for p in pairs_])
    offset = float(fit.values[5])
    turned = gyro.between(gyro.angle(), start + offset, end + offset)
    told = turned @ fit.axes.T / (end - start)[:, None]
    return picture, told + np.nanmean(picture - told, axis=0)


def _explained(picture: Floats, told: Floats) -> dict[str, float]:
    left = np.nanvar(picture - told, axis=0)
    whole = np.nanvar(picture, axis=0)
    return {a: float(1 - left[i] / max(whole[i], 1e-15)) for i, a in enumerate(AXES)}
