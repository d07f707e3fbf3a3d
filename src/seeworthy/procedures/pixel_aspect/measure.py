"""Pixel aspect ratio from rings: one camera, one or two pictures, all unknowns at once.

A circle shows up as an ellipse because the pixels are not square, because the target is tilted,
because the print is out of round, and because the lens bends. Edge points are traced back to the
target's plane, where every circle must be round about one common centre. Concentric circles give
the tilt (their image centres part), up to the unknown focal length; a second picture with the
target turned by 90° separates what belongs to the target from what belongs to the camera. What the
pictures do not tell (focal length, distortion, roundness of the print) enters as a prior of stated
width and comes out in the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize

from seeworthy.ground.budget import Component, combined
from seeworthy.procedures.pixel_aspect.ring_edges import RingEdge

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RingTake:
    """Concentric edges of one picture, outermost first.

    Attributes:
        edges: Outermost first.
        roll: How far the target is turned in its own plane, degrees (0, 90).
        radii: True radii relative to the outermost, when the target is known.
    """

    edges: Sequence[RingEdge]
    roll: float = 0.0
    radii: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class Priors:
    """What is assumed about what the pictures do not tell: (mean, standard deviation).

    Attributes:
        focal: log of focal length over frame width, 0.8 within a factor of 1.6: horizontal angles
            of view of about 40° to 90°.
        bend: k1 of the lens in tangent-plane units
        stretch: log of the print's width over height. A few tenths of a percent: paper feed of home
            printers.
        tilt: degrees about either axis. Used when there is only one circle to see it by.
    """

    focal: tuple[float, float] = (math.log(0.8), 0.45)
    bend: tuple[float, float] = (-0.05, 0.12)
    stretch: tuple[float, float] = (0.0, 0.0015)
    tilt: tuple[float, float] = (0.0, 12.0)


@dataclass(frozen=True, slots=True)
class Aspect:
    """What the rings say.

    Attributes:
        value, u: Pixel width over pixel height.
        tilts: Of the target against the sensor in each picture, degrees.
        stretch: Print's width over height, minus 1 (prior included).
        rms: Edge points about the model, px.
        parts: What `u` is made of.
    """

    value: float
    u: float
    tilts: tuple[float, ...]
    stretch: float
    rms: float
    turned: bool
    parts: tuple[Component, ...] = ()


CORRELATED = 8.0
"""Neighbouring edge points share coding and pixel-grid errors: this many count as one."""

FLOOR = 3e-5
"""Relative standard uncertainty that stays with any number of points (study of this method)."""

FLOOR_UNKNOWN = 1e-4
"""The same where the proportions of the rings are not known."""

SPREAD = 0.3
"""Standard deviation in px of how far dark has spread over an edge, before it is seen."""

_ROUND = 24
"""Places on each fitted edge that stand for its hundreds of points."""

_SHARED = 4  # log aspect, log focal, bend over focal squared, stretch


def measure_aspect(takes: Sequence[RingTake], width: int, height: int) -> Aspect:
    """Fit the model to one or two pictures.

    Args:
        takes: As it stands, and turned by 90°.
        width, height: Stored frame, px.
    """
    model = _Model(takes, width, height, Priors())
    found = _best_fit(model)
    model.set_noise(found.x)
    found = optimize.least_squares(model.residuals, found.x, x_scale="jac", max_nfev=60)
    covariance = np.linalg.pinv(found.jac.T @ found.jac)
    value = math.exp(float(found.x[0]))
    fitted = math.sqrt(float(covariance[0, 0]))
    unseen = model.unseen_tilt()
    floor = FLOOR if model.known_radii else FLOOR_UNKNOWN
    parts = (
        Component("fit, print and tilt", fitted, "", value, source="scatter of edges, priors"),
        Component("many points alike", floor, "", value, source="our own rendered clips"),
        Component("a tilt that one circle hides", unseen, "", value,
                  source="judgement: facing by eye to 3°"),
    )  # fmt: skip
    return Aspect(
        value,
        combined(parts),
        tuple(model.tilt(found.x, i) for i in range(len(takes))),
        math.exp(float(found.x[3])) - 1,
        model.rms,
        model.turned,
        parts,
    )


def _best_fit(model: _Model) -> optimize.OptimizeResult:
    """Fit from several focal lengths and tilts: bend and tilt can stand in for each other."""
    best = None
    for focal, slope in ((0.8, 0.0), (0.5, 0.1), (1.4, -0.1)):
        start = model.start()
        start[1] = math.log(focal)
        for at in model.offsets:
            start[at] = start[at + 1] = slope
        found = optimize.least_squares(model.residuals, start, x_scale="jac", max_nfev=60)
        if best is None or found.cost < best.cost:
            best = found
    return best


class _Model:
    """Residuals of edges and priors for a parameter vector; lengths in frame widths.

    Vector: log aspect, log focal, bend, stretch; then per take the slope of the target's plane over
    the focal length (x, y), the centre (x, y), the log radius of the outermost circle, and how many
    px dark has spread over the edges (a wrong tone curve does that, the same in all directions of
    the stored frame); then log radii of the other circles where they are not known. The picture
    fixes slope over focal length, not the slope: so written, the fit is nearly linear.
    """

    def __init__(self, takes: Sequence[RingTake], width: int, height: int, priors: Priors) -> None:
        self.takes = takes
        self.width = width
        self.centre = np.array([(width - 1) / 2, (height - 1) / 2])
        self.priors = priors
        rolls = [t.roll for t in takes]
        self.turned = len(takes) > 1 and abs(math.sin(math.radians(rolls[1] - rolls[0]))) > 0.7
        around = np.linspace(0, 2 * math.pi, _ROUND, endpoint=False)
        self.points = [
            [(e.ellipse.at(around) - self.centre) / width for e in t.edges] for t in takes
        ]
        # Where an edge goes when dark spreads by one px: outwards or inwards.
        self.spread = [[e.ellipse.normal(around) * e.side / width for e in t.edges] for t in takes]
        self.scatter = float(np.mean([e.rms for t in takes for e in t.edges]))
        self.known_radii = all(t.radii is not None for t in takes)
        self.noise = self._point_noise(0.02)
        self.rms = self.scatter
        self.offsets: list[int] = []
        at = _SHARED
        for take in takes:
            self.offsets.append(at)
            at += 6 + (len(take.edges) - 1 if take.radii is None else 0)
        self.size = at

    def _point_noise(self, misfit: float) -> float:
        """Noise (px) of one of the places, scatter averaged, systematic misfit in full."""
        averaged = self.scatter * math.sqrt(_ROUND * CORRELATED / self._rays())
        return math.hypot(averaged, 2 * misfit)

    def _rays(self) -> float:
        return float(np.mean([len(e.points) for t in self.takes for e in t.edges]))

    def set_noise(self, v: Array) -> None:
        """Weigh the data by what the fit leaves over."""
        misfit = float(np.sqrt(np.mean(self.misfit(v) ** 2)))
        self.rms = math.hypot(self.scatter, misfit)
        self.noise = self._point_noise(misfit)

    def part(self, v: Array, i: int) -> Array:
        """Return the part of the vector that belongs to one take."""
        end = self.offsets[i + 1] if i + 1 < len(self.offsets) else self.size
        part: Array = v[self.offsets[i] : end]
        return part

    def start(self) -> Array:
        """Return a facing target seen by a lens without bend."""
        v = np.zeros(self.size)
        every = [p for take in self.points for p in take]
        v[0] = float(np.mean([math.log(p[:, 1].std() / p[:, 0].std()) for p in every]))
        v[1] = self.priors.focal[0]
        aspect = math.exp(v[0])
        for points, take, at in zip(self.points, self.takes, self.offsets, strict=True):
            middle = points[0].mean(axis=0)
            v[at + 2 : at + 4] = middle[0], middle[1] / aspect
            sizes = [float(p[:, 0].std()) * math.sqrt(2) for p in points]
            v[at + 4] = math.log(sizes[0])
            if take.radii is None:
                v[at + 6 : at + 5 + len(sizes)] = [math.log(s) for s in sizes[1:]]
        return v

    def tilt(self, v: Array, i: int) -> float:
        """Return the tilt of the target in a take, degrees."""
        slope = self.part(v, i)[:2] * math.exp(float(v[1]))
        return math.degrees(math.atan(math.hypot(*slope)))

    def misfit(self, v: Array) -> Array:
        """Return how far every place on every edge is from round, px."""
        out = []
        aspect, focal, stretch = math.exp(float(v[0])), math.exp(float(v[1])), float(v[3])
        squeeze = np.array([math.exp(-stretch / 2), math.exp(stretch / 2)])
        for i, take in enumerate(self.takes):
            part = self.part(v, i)
            for j, points in enumerate(self.points[i]):
                flat = (points - float(part[5]) * self.spread[i][j]) / (1.0, aspect)
                flat = flat * (1 - float(v[2]) * np.sum(flat**2, axis=1, keepdims=True))
                plane = _turn(_to_plane(flat, part, focal), take.roll) * squeeze
                away = np.hypot(*plane.T) - self._radius(take, part, j)
                out.append(away * self.width)
        return np.concatenate(out)

    def _radius(self, take: RingTake, part: Array, j: int) -> float:
        outer = math.exp(float(part[4]))
        if take.radii is None:
            return outer if j == 0 else math.exp(float(part[5 + j]))
        return outer * take.radii[j]

    def residuals(self, v: Array) -> Array:
        """Return weighted misfits followed by the pulls of the priors."""
        p = self.priors
        # With a turned take the print's stretch is seen; its prior may be wide.
        stretch = (p.stretch[0], 0.03) if self.turned else p.stretch
        focal = math.exp(float(v[1]))
        pulls = [
            (v[1] - p.focal[0]) / p.focal[1],
            (v[2] * focal**2 - p.bend[0]) / p.bend[1],
            (v[3] - stretch[0]) / stretch[1],
        ]
        for i, take in enumerate(self.takes):
            part = self.part(v, i)
            # One circle does not show its slope: hold it level, see `unseen_tilt`.
            wide = math.tan(math.radians(p.tilt[1])) if len(take.edges) > 1 else 1e-3
            pulls += [part[0] * focal / wide, part[1] * focal / wide, part[5] / SPREAD]
        return np.concatenate([self.misfit(v) / self.noise, np.array(pulls)])

    def unseen_tilt(self) -> float:
        """Relative uncertainty from a tilt that a single circle cannot show.

        Facing by eye is good to about 3° about either axis; the ratio of the cosines
        then strays by 0.2 %.
        """
        hidden = any(len(t.edges) < 2 for t in self.takes)
        return 0.002 if hidden else 0.0


def _turn(points: Array, degrees: float) -> Array:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    x, y = points.T
    return np.column_stack([c * x + s * y, -s * x + c * y])


def _to_plane(flat: Array, part: Array, focal: float) -> Array:
    """Trace picture points (n, 2) to the target's plane, its centre as origin.

    Lengths are as they appear at the centre's depth, in frame widths.
    """
    centre = part[2:4]
    # n · ray with the normal n = (slope x, slope y, 1) and ray = (x, y, focal) / focal.
    depth = (1 + part[:2] @ centre) / (1 + flat @ part[:2])
    rays = np.column_stack([flat, np.full(len(flat), focal)])
    seen = rays * depth[:, None] - (centre[0], centre[1], focal)
    plane: Array = seen @ _facing(part[:2] * focal)
    return plane


def _facing(slope: Array) -> Array:
    """Return two axes (3, 2) in the plane of normal (slope, 1), without a twist of their own."""
    n = np.array([slope[0], slope[1], 1.0])
    n = n / np.linalg.norm(n)
    x, y, z = (float(c) for c in n)
    # The smallest turn that takes the optical axis to n.
    k = 1 / (1 + z)
    return np.array([[1 - x * x * k, -x * y * k], [-x * y * k, 1 - y * y * k], [-x, -y]])
