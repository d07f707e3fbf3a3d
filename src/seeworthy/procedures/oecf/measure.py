"""Tone curve from patches of known density: the scene's light over the light by the tag.

Stops of the scene are a smooth function W of stops by the tag (ISO 14524 has the same pairs, code
values over log exposure, from memory). What else lies between a density and its code value is
fitted along, each with a prior: lamp and lens over the scale (a surface of second degree, told by
the bare paper between the steps), exposure of each clip, the paper's own density, densities that
are wrong in proportion, and veiling glare. All is linear, so that curve and covariance follow in
one step (Bayes' theorem for normal distributions; JCGM 102 has the propagation).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.propagation import u_rectangular
from seeworthy.media.tone_curve import Mode, ToneCurve

Floats = npt.NDArray[np.float64]

LEAST_STEPS = 6
"""Steps of known density: four tell a bent line, and two may be left out (a judgement)."""
KNOT = 0.25
"""Stops between two knots of W, a straight line between them."""
SLOPE_SD, SLOPE_REACH = 0.6, 2.0
"""Prior of the slope of W around 1, and over how many stops it bends. A judgement from formulas:
powers of 2.2 to 2.6, sRGB, S-shaped and logarithmic looks under the tag BT.709 have slopes of
0.6 to 2.4, and from 1 to 2.2 within two stops where the tag's straight toe ends."""
LEAST_SLOPE = 0.2
"""Least slope that a curve is given where no step was seen (a judgement)."""
SURFACE_SD = 0.5
"""Prior of each term of lamp and lens, stops at the frame's edge (a judgement; 0.4 to 2 stops
are common in corners)."""
EXPOSURE_SD = 6.0
"""Prior of a clip's exposure, stops: any."""
PAPER_SD = 0.05
"""Prior of the paper's density around the one that is taken for it (a judgement)."""
GLARE = 0.005
"""Most light of the paper that lens and air spread over the dark steps, a share (a judgement;
lenses without a lamp in the picture have about that much)."""
_CODE = 0.2
"""Code values by which coding moves a whole patch, standard (a judgement; docs/accuracy/colour
found 0.06 to 0.16 of clips of our own)."""
_DISAGREE = 3.0
"""Birge ratio from which steps and curve contradict each other and no curve is told: scatter of
three times what is stated has no place in the uncertainty (a judgement)."""
_BELOW = 2.0  # stops that the curve goes on below the darkest step
_PER_DENSITY = math.log2(10)


@dataclass(frozen=True, slots=True)
class StepPatch:
    """One patch as it was seen.

    Attributes:
        tag: log2 of its light by the tag.
        u_tag: Standard uncertainty of it by noise and coding, stops.
        place: In the frame, -1 to 1.
        density, u_density: None: bare paper.
        clip: Number of the clip, from 0.
    """

    tag: float
    u_tag: float
    place: tuple[float, float]
    density: float | None
    u_density: float = 0.0
    clip: int = 0


@dataclass(frozen=True)
class Fitted:
    """A curve and what was fitted along.

    Attributes:
        slope, u_slope: Of the picture's light by the tag over the scene's, at 18 % grey in the
            first clip.
        grey: log2 of the light by the tag of that grey.
        uneven: Stops between brightest and darkest place of the scale.
        exposures: Stops of each clip over the first.
        worst: Farthest that the tag's stops are off between two steps.
    """

    curve: ToneCurve
    slope: float
    u_slope: float
    grey: float
    uneven: float
    exposures: tuple[float, ...]
    worst: float
    birge: float


def u_of_code(code_step: float, light: float, scatter: float, count: int) -> float:
    """Return the standard uncertainty of a patch's light by the tag, stops.

    Args:
        code_step: Linear light of one code value there.
        scatter: Standard deviation of its pixels over time.
        count: Pixels and frames.
    """
    ratio = scatter / light
    # The mean of light over a curve is not the light of the mean: second order, of unknown sign.
    return math.hypot(_CODE * code_step / light, ratio / math.sqrt(count), ratio**2 / 2) / math.log(
        2
    )


def fit_curve(patches: Sequence[StepPatch], mode: Mode, paper: float) -> Fitted:
    """Fit the curve.

    Args:
        paper: Density taken for bare paper.

    Raises:
        CannotMeasure: Too few steps, or steps that contradict each other.
    """
    steps = [p for p in patches if p.density is not None]
    if len(steps) < LEAST_STEPS:
        raise CannotMeasure(
            f"A tone curve needs {LEAST_STEPS} steps between black and white; there are "
            f"{len(steps)}.",
            "Fill the frame with the scale, and expose so that the middle steps are mid-grey.",
        )
    model = _Model(patches, paper)
    found, covariance, birge = model.solve()
    slopes = found[: model.intervals]
    if birge > _DISAGREE or float(slopes[model.seen_intervals()].min()) < 0.1:
        raise CannotMeasure(
            "Densities and light contradict each other: no one tone curve explains the steps.",
            "Check the order of the densities, gloss and shadows; switch off looks that treat "
            "parts of the picture apart (HDR, dynamic contrast).",
        )
    return model.told(found, covariance, mode, birge)


class _Model:
    """Unknowns in one vector: slopes of W, surface and exposure per clip, paper, scale, glare."""

    def __init__(self, patches: Sequence[StepPatch], paper: float) -> None:
        self.patches = patches
        self.paper = paper
        self.clips = max(p.clip for p in patches) + 1
        lowest = min(p.tag for p in patches) - _BELOW
        highest = max(0.0, *(p.tag for p in patches))
        self.knots = np.arange(
            math.floor(lowest / KNOT) * KNOT, highest + 2 * KNOT, KNOT, dtype=np.float64
        )
        self.intervals = len(self.knots) - 1
        self.extra = 5 * self.clips + self.clips + 3
        known = [p.density for p in patches if p.density is not None]
        self.middle = float(np.mean(known))
        self.span = max(float(np.ptp(known)), 0.1)

    def integral(self, x: float) -> Floats:
        """Return how W(x) - W(0) follows from the slopes of the intervals."""
        low, high = self.knots[:-1], self.knots[1:]
        up = np.clip(x - np.maximum(low, 0), 0, np.maximum(high - np.maximum(low, 0), 0))
        down = np.clip(np.minimum(high, 0) - x, 0, np.maximum(np.minimum(high, 0) - low, 0))
        return np.asarray(up - down)

    def row(self, p: StepPatch) -> tuple[Floats, float]:
        """Return the row and the right side of one patch: scene's stops of both ways are equal."""
        extra = np.zeros(self.extra)
        x, y = p.place
        at = 5 * p.clip
        extra[at : at + 5] = [-x, -y, -(x * x), -x * y, -(y * y)]
        extra[5 * self.clips + p.clip] = -1.0
        density = self.paper if p.density is None else p.density
        if p.density is None:
            extra[-3] = _PER_DENSITY
        else:
            extra[-2] = _PER_DENSITY * math.sqrt(2) * (density - self.middle) / self.span
        extra[-1] = -(10 ** (density - self.paper)) / math.log(2)
        return np.concatenate([self.integral(p.tag), extra]), -_PER_DENSITY * density

    def prior(self) -> tuple[Floats, Floats]:
        """Return mean and covariance of the unknowns before any step was seen."""
        middles = (self.knots[1:] + self.knots[:-1]) / 2
        far = np.abs(middles[:, None] - middles) * math.sqrt(5) / SLOPE_REACH
        # Matérn 5/2: it bends, and has no kinks.
        slopes = SLOPE_SD**2 * (1 + far + far**2 / 3) * np.exp(-far)
        us = [p.u_density for p in self.patches if p.density is not None]
        scale = float(np.sqrt(np.mean(np.square(us))))
        own = [
            *[SURFACE_SD] * (5 * self.clips),
            *[EXPOSURE_SD] * self.clips,
            PAPER_SD,
            scale,
            u_rectangular(GLARE),
        ]
        size = self.intervals + self.extra
        covariance = np.zeros((size, size))
        covariance[: self.intervals, : self.intervals] = slopes
        covariance[self.intervals :, self.intervals :] = np.diag(np.square(own))
        mean = np.zeros(size)
        mean[: self.intervals] = 1.0
        return mean, covariance

    def solve(self) -> tuple[Floats, Floats, float]:
        """Return unknowns, their covariance (widened where steps scatter), and the Birge ratio."""
        rows = [self.row(p) for p in self.patches]
        a, b = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
        noise = self.noise()
        mean, prior = self.prior()
        birge = 1.0
        for _ in range(2):  # the second time with what the scatter of the first widens
            seen = a @ prior @ a.T + birge**2 * noise
            gain = np.linalg.solve(seen, a @ prior).T
            found = mean + gain @ (b - a @ mean)
            if birge == 1.0:
                left = b - a @ found
                dof = max(len(b) - float(np.trace(a @ gain)), 1.0)
                birge = math.sqrt(max(1.0, float(left @ np.linalg.solve(noise, left)) / dof))
        return found, prior - gain @ a @ prior, birge

    def noise(self) -> Floats:
        """Return the covariance of what patches differ by on their own.

        Whether densities are wrong each for itself or all in proportion (`prior`) is not known:
        both are allowed for. One step is wrong alike in all clips.
        """
        density = np.array([math.nan if p.density is None else p.density for p in self.patches])
        own = np.array([p.u_density * _PER_DENSITY for p in self.patches])
        alike = density[:, None] == density  # never of bare paper
        tag = np.array([p.u_tag for p in self.patches])
        return np.asarray(np.where(alike, np.outer(own, own), 0.0) + np.diag(tag**2))

    def ends(self) -> tuple[float, float]:
        """Return log2 of the darkest and brightest step by the tag."""
        tags = [p.tag for p in self.patches]
        return min(tags), max(tags)

    def seen_intervals(self) -> npt.NDArray[np.bool_]:
        low, high = self.ends()
        seen: npt.NDArray[np.bool_] = (self.knots[1:] > low) & (self.knots[:-1] < high)
        return seen

    def told(self, found: Floats, covariance: Floats, mode: Mode, birge: float) -> Fitted:
        """Return the curve and the figures."""
        n = self.intervals
        w = np.array([self.integral(float(x)) for x in self.knots])
        # Beyond the steps the fit may bend back; light does not.
        scene = w @ np.maximum(found[:n], LEAST_SLOPE)
        every = w[::2]
        low, high = self.ends()
        curve = ToneCurve(
            mode, self.knots, scene, self.knots[::2], every @ covariance[:n, :n] @ every.T,
            (low, high),
        )  # fmt: skip
        exposures = found[n + 5 * self.clips : n + 6 * self.clips]
        wanted = math.log2(0.18) + float(exposures[0])
        grey = float(np.interp(wanted, scene, self.knots))
        pull = self.integral(grey + 0.5) - self.integral(grey - 0.5)
        over = float(pull @ found[:n])
        u_over = math.sqrt(max(float(pull @ covariance[:n, :n] @ pull), 0.0))
        inside = (self.knots >= low) & (self.knots <= high)
        off = scene[inside] - self.knots[inside]
        return Fitted(
            curve, 1 / over, u_over / over**2, grey, self._uneven(found),
            tuple(float(e - exposures[0]) for e in exposures[1:]),
            float(np.ptp(off)) if inside.any() else 0.0, birge,
        )  # fmt: skip

    def _uneven(self, found: Floats) -> float:
        terms = found[self.intervals : self.intervals + 5]
        first = [p.place for p in self.patches if p.clip == 0]
        values = [float(np.dot(terms, [x, y, x * x, x * y, y * y])) for x, y in first]
        return float(np.ptp(values))
