"""Lens: angles of view, focal length and distortion from views of the board."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.measurands import measurand
from seeworthy.ground.propagation import u_rectangular
from seeworthy.optics.lens import COEFFICIENTS, LensCamera, tv_distortion, view_angles
from seeworthy.optics.plane import direct_homography
from seeworthy.procedures.lens.board import BoardView
from seeworthy.procedures.lens.calibrate import LensFit, choose
from seeworthy.procedures.lens.directions import DirectionMap, direction_map
from seeworthy.procedures.lens.halves import agree, difference, widened

Array = npt.NDArray[np.float64]
LEAST_VIEWS = 5  # two fix a camera (Zhang 2000); three more for a spread (a judgement)
LEAST_SPREAD = 15.0
"""Degrees between the two most different board angles below which focal length and
distance cannot be told apart."""

RIVAL = 0.01
"""Models whose held-out error is within this share of the best are as good."""

_MISS = 3.0
"""px by which a corner may miss the fitted lens and still be believed."""

HOW = (
    "Tip the board: left, right, up and down by 20° to 40°, near and far and into every corner, "
    "and hold each still for a second."
)


@dataclass(frozen=True, slots=True)
class Half:
    """Odd views minus even ones, and the standard uncertainty it was held against."""

    difference: float
    u: float
    agree: bool


@dataclass(frozen=True)
class LensFigures:
    """What the views say.

    Attributes:
        errors: Held-out rms in px by model.
        values: dict of str to (value, u). By measurand id; an angle is missing where the model
            folds before the edge.
        coefficients: dict of str to (value, u). Distortion coefficients.
        spread: Largest angle between two board positions, degrees.
        reach: How far out corners were seen, as a share of the half diagonal.
        left_out: Corners that were gross misses (of more than 3 px and eight times the typical
            one).
        halves: By measurand id and ``k1``, empty of few views.
        budgets: By measurand id: what each `u` is made of.
        map: The uncertainty over the frame.
    """

    fit: LensFit
    errors: dict[str, float]
    values: dict[str, tuple[float, float]]
    coefficients: dict[str, tuple[float, float]]
    spread: float
    reach: float
    dof: float
    left_out: int
    halves: dict[str, Half]
    budgets: dict[str, tuple[Component, ...]]
    map: DirectionMap


def select_views(views: Sequence[BoardView], width: int, most: int = 30) -> list[BoardView]:
    """Return up to `most` views that differ most from each other, in their order.

    A view's place is where the board's corners came to lie; farthest-point sampling.
    """
    if len(views) <= most:
        return list(views)
    marks = np.array([_describe(v, width) for v in views])
    chosen = [int(np.argmax([len(v.plane) for v in views]))]
    apart = np.linalg.norm(marks - marks[chosen[0]], axis=1)
    while len(chosen) < most:
        chosen.append(int(np.argmax(apart)))
        apart = np.minimum(apart, np.linalg.norm(marks - marks[chosen[-1]], axis=1))
    return [views[i] for i in sorted(chosen)]


def _describe(view: BoardView, width: int) -> Array:
    """Return centre, affine part and perspective of a view as one vector."""
    middle = view.plane.mean(axis=0)
    size = float(np.ptp(view.plane)) or 1.0
    h = direct_homography((view.plane - middle) / size, view.image / width)
    return np.concatenate([h[:, 2][:2], h[:2, :2].ravel(), 0.5 * h[2, :2]])


def measure_lens(views: Sequence[BoardView], width: int, height: int) -> LensFigures:
    """Calibrate and state angles of view with their uncertainties.

    Args:
        width, height: Frame in px.

    Raises:
        CannotMeasure: Too few views, all from one angle, or no model that explains them.
    """
    if len(views) < LEAST_VIEWS:
        raise CannotMeasure(
            f"Only {len(views)} still view{'s' if len(views) != 1 else ''} of the board "
            f"could be used; {LEAST_VIEWS} are needed, 12 are good.",
            HOW,
        )
    total = sum(len(v.plane) for v in views)
    views, fits, errors = _chosen(views, width, height)
    left_out = total - sum(len(v.plane) for v in views)
    fit = fits[0]
    spread = _spread(fit.normals())
    if spread < LEAST_SPREAD:
        raise CannotMeasure(
            f"The board is always seen from nearly the same angle (within {spread:.0f}°).", HOW
        )
    best = errors[fit.form.name]
    rivals = [f for f in fits[1:] if errors[f.form.name] <= best * (1 + RIVAL)]
    budgets = _budgets(fit, rivals)
    values = {
        name: (value, combined(budgets[name]))
        for name, value in zip(_NAMES, map(float, _figures(fit.camera)), strict=True)
        if name in budgets
    }
    focal, u = values["focal_length"]
    if not u < 0.05 * focal:
        raise CannotMeasure("The views do not fix the focal length (within 5 %).", HOW)
    scatter = float(fit.view_rms().std(ddof=1) / math.sqrt(len(views)))
    values["reprojection_rms"] = (fit.rms, scatter)
    names = COEFFICIENTS[fit.form.kind][: fit.form.free]
    bounds = fit.uncertainty(lambda c: np.array(c.k[: len(names)]))
    coefficients = {n: (k, float(b)) for n, k, b in zip(names, fit.camera.k, bounds, strict=False)}
    reach = _reach(views, width, height)
    dof = len(views) - 1.0
    budgets["reprojection_rms"] = (
        Component("scatter of the views", scatter, "px", source="scatter"),
    )
    told = _against_halves(views, fit, values, coefficients, dof)
    for name, half in told.items():
        if name in budgets and not half.agree:
            more = math.sqrt(max(values[name][1] ** 2 - half.u**2, 0.0))
            part = Component("two halves of the views differ", more, measurand(name).unit,
                             source="half their difference, beyond the rest")  # fmt: skip
            budgets[name] = (*budgets[name], part)
    seen = direction_map(views, fit, rivals, dof)
    return LensFigures(
        fit, errors, values, coefficients, spread, reach, dof, left_out, told, budgets, seen
    )


def _chosen(
    views: Sequence[BoardView], width: int, height: int
) -> tuple[Sequence[BoardView], list[LensFit], dict[str, float]]:
    """Return the views without points that were taken for others, and the lenses they fit."""
    try:
        fits, errors = choose(views, width, height)
    except ValueError:
        raise CannotMeasure(
            "The views of the board do not fit any lens.",
            "Check that the board is flat and stiff and that it is the right target.",
        ) from None
    clean = _without_misses(views, fits[0])
    if sum(len(v.plane) for v in clean) < sum(len(v.plane) for v in views):
        return clean, *choose(clean, width, height)
    return views, fits, errors


def _against_halves(
    views: Sequence[BoardView],
    fit: LensFit,
    values: dict[str, tuple[float, float]],
    coefficients: dict[str, tuple[float, float]],
    dof: float,
) -> dict[str, Half]:
    """Widen what two halves of the views disagree about; return what they say."""
    away = difference(views, fit, lambda c: np.array([*_figures(c), c.k[0]]))
    told: dict[str, Half] = {}
    if away is None:
        return told
    for name, d in zip((*_NAMES, "k1"), away, strict=True):
        found = coefficients if name == "k1" else values
        if name in found and math.isfinite(d):
            value, u = found[name]
            told[name] = Half(float(d), u, agree(u, d, dof))
            found[name] = (value, widened(u, float(d), dof))
    return told


def _without_misses(views: Sequence[BoardView], fit: LensFit) -> list[BoardView]:
    """Return the views without corners that were taken for another one.

    Only gross misses go: what is left keeps the scatter that the uncertainty is made of.
    """
    off = [np.hypot(*r.T) for r in fit.residuals]
    limit = max(_MISS, 8 * float(np.median(np.concatenate(off))))
    kept = [d <= limit for d in off]
    if all(k.all() for k in kept) or any(k.sum() < 6 for k in kept):
        return list(views)
    return [BoardView(v.plane[k], v.image[k], v.label) for v, k in zip(views, kept, strict=True)]


def _figures(camera: LensCamera) -> Array:
    return np.array([*view_angles(camera), camera.fx, tv_distortion(camera)])


_NAMES = ("hfov", "vfov", "dfov", "focal_length", "tv_distortion")


def _budgets(fit: LensFit, rivals: Sequence[LensFit]) -> dict[str, tuple[Component, ...]]:
    """Return what the uncertainties are made of; models that are as good widen (rectangular)."""
    centre, u = _figures(fit.camera), fit.uncertainty(_figures)
    away = [np.abs(_figures(other.camera) - centre) for other in rivals]
    found: dict[str, tuple[Component, ...]] = {}
    for i, name in enumerate(_NAMES):
        if not (math.isfinite(centre[i]) and math.isfinite(u[i])):
            continue
        unit = measurand(name).unit
        parts = [Component("scatter between views, corners and bow", float(u[i]), unit,
                           source="scatter; bow: judgement of 0.5 mm, fitted")]  # fmt: skip
        parts += [
            Component(f"the model ({other.form.name} is as good)", u_rectangular(float(off[i])),
                      unit, distribution="rectangular", source="difference of the models")
            for other, off in zip(rivals, away, strict=True)
            if math.isfinite(off[i])
        ]  # fmt: skip
        found[name] = tuple(parts)
    return found


def _spread(normals: Array) -> float:
    cosines = np.clip(np.abs(normals @ normals.T), 0, 1)
    return math.degrees(math.acos(float(cosines.min())))


def _reach(views: Sequence[BoardView], width: int, height: int) -> float:
    every = np.concatenate([v.image for v in views])
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    return float(np.quantile(np.hypot(*(every - centre).T), 0.995) / math.hypot(*centre))
