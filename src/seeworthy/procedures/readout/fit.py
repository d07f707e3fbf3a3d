r"""Row time from the places of passing uprights, all in one least-squares fit.

An upright that stands in the world is one line of the pencil through the vertical
vanishing point; with the place ``s`` where it crosses the middle row,

.. math:: x_u = s + (c_0 + c_1 s)\, y_u ,\qquad s = S_i(T_k + y\, t_{row})

``c_0`` is the camera's roll, ``c_1`` its pitch, and ``x_u, y_u`` are free of radial distortion,
``x_u = x (1 + \kappa r^2)``. ``S_i`` is a polynomial in time: each track has its own speed and
acceleration. Speed and lean come from the same points, so errors in both are weighed rightly. Each
object may stand a little off upright: a random tilt, shared by its edges, whose size is estimated
with the rest (so that a leaning post counts for what it is worth).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.statistics import robust_spread
from seeworthy.procedures.readout.level import SpiritLevel
from seeworthy.procedures.readout.refine import RowPoints

Doubles = npt.NDArray[np.float64]

# Weak prior knowledge that only matters where a clip says nothing about it:
# pitch within some 6 degrees, distortion of some per cent at the side of the frame.
_PITCH_PRIOR = 0.10
_BEND_PRIOR = 0.06
_HELD = 1e-5  # columns per row, of a roll that is given: nothing beside any level's uncertainty
# Neighbouring bands and frames share their errors: so many points count as one.
_NEIGHBOURS = 6.0


@dataclass(frozen=True, slots=True)
class RowFit:
    """The fitted camera.

    Attributes:
        row_time: s per row; negative when rows are read from the bottom.
        u: Standard uncertainty of `row_time` from this fit, s.
        roll, roll_u: Lean of resting uprights in the middle of the frame, columns per row.
        pitch: Change of that lean per column, times half the width.
        bend: Radial distortion at the middle of the frame's sides, relative.
        tilt: Standard deviation of single uprights' tilts, columns per row.
        tilts: (m,) array. Tilt of each object.
        object: (n,) int array. Number of the object that each track is an edge of, 0 to m - 1.
        speed, lean: (n,) arrays. Per track: mean speed (px/s) and lean without roll, pitch and bend
            (columns per row).
        lean_u: (n,) array. Standard uncertainty of `lean`.
        residual: (n,) array. Robust residual per track, px.
        normal: (m, 4, 4) array. What each object adds to the normal equations of the shared
            unknowns.
        right: (m, 4) array. And to their right-hand side at the solution.
        prior: (4, 4) array. Inverse covariance of what was known before, about `centre` (4,).
    """

    row_time: float
    u: float
    roll: float
    roll_u: float
    pitch: float
    bend: float
    tilt: float
    tilts: Doubles
    object: npt.NDArray[np.int64]
    speed: Doubles
    lean: Doubles
    lean_u: Doubles
    residual: Doubles
    normal: Doubles
    right: Doubles
    prior: Doubles
    centre: Doubles

    def without(self, left_out: npt.NDArray[np.bool_]) -> float:
        """Return the row time without some objects: one Gauss-Newton step from here."""
        normal = self.prior + self.normal[~left_out].sum(0)
        right = self.right[~left_out].sum(0) - self.prior @ (self._state() - self.centre)
        return self.row_time + float(np.linalg.lstsq(normal, right, rcond=None)[0][0])

    def _state(self) -> Doubles:
        return np.array([self.row_time, self.roll, self.pitch, self.bend])


def _prior(level: SpiritLevel | None) -> tuple[Doubles, Doubles]:
    """Inverse covariance and centre of what is known before: the roll only where it is given.

    A given roll is held: uprights of one speed tell it from lean by the few per cent alone by
    which lens and place change their speed, and that is wrong (7.3 ms came out as 16.5).
    """
    roll, weight = (level.slope, 1 / _HELD**2) if level else (0.0, 0.0)
    spread = [0.0, weight, 1 / _PITCH_PRIOR**2, 1 / _BEND_PRIOR**2]
    return np.diag(spread), np.array([0.0, roll, 0.0, 0.0])


def fit_row_time(
    tracks: Sequence[RowPoints],
    objects: npt.NDArray[np.int64],
    half_width: float,
    start: float = 0.0,
    level: SpiritLevel | None = None,
) -> RowFit:
    """Fit row time, roll, pitch and distortion to all tracks.

    Args:
        objects: (n,) int array. Which object each track is an edge of; numbers from 0 without gaps.
        half_width: Of the frame, px.
        start: First guess of the row time, s.
        level: The camera's roll, where it is known from elsewhere; it is held, and its
            uncertainty is not in `u`.
    """
    prior, centre = _prior(level)
    state = centre + np.array([start, 0.0, 0.0, 0.0])
    tilt = 0.003
    for step in range(12):
        blocks = [_Block(p, state, half_width) for p in tracks]
        reduced = _per_object(blocks, objects)
        change, covariance, tilts, variance = _solve(reduced, prior, prior @ (state - centre), tilt)
        state = state + change
        # Expectation-maximisation of the tilts' variance, with the outliers cut.
        squares = tilts**2 + variance
        tilt = max(math.sqrt(float(np.mean(np.minimum(squares, 9 * np.median(squares))))), 2e-5)
        if step > 4 and abs(change[0]) < 1e-4 * abs(state[0]) + 1e-10:
            break
    normal, right = _without_tilt(reduced, tilt)
    row_time, roll, pitch, bend = (float(v) for v in state)
    speed = np.array([b.speed for b in blocks])
    own = np.array([b.right[4] / b.normal[4, 4] for b in blocks])
    return RowFit(
        row_time,
        math.sqrt(max(float(covariance[0, 0]), 0.0)),
        roll,
        math.sqrt(max(float(covariance[1, 1]), 0.0)),
        pitch,
        bend,
        tilt,
        tilts,
        objects,
        speed,
        row_time * speed + own,
        np.array([b.normal[4, 4] ** -0.5 for b in blocks]),
        np.array([b.rms for b in blocks]),
        normal,
        right,
        prior,
        centre,
    )


class _Block:
    """Linearised equations of one track, its path eliminated (Schur complement).

    Attributes:
        normal: (5, 5) array. Unknowns: row time, roll, pitch, bend, tilt of the object.
        right: (5,) array
    """

    def __init__(self, points: RowPoints, state: Doubles, half_width: float) -> None:
        row_time, roll, pitch, bend = state
        x, y = points.x, points.row
        r2 = (x * x + y * y) / half_width**2
        xu, yu = x * (1 + bend * r2), y * (1 + bend * r2)
        t = points.time + y * row_time
        span = max(float(np.ptp(points.time)) / 2, 1e-6)
        order = 1 if points.frames < 5 else 2 if points.frames < 12 else 3
        tau = (t - float(t.mean())) / span
        powers = np.vander(tau, order + 1, increasing=True)
        lever = 1 + pitch / half_width * yu
        local = powers * lever[:, None]
        coef, weight, residual = _path(local, xu - roll * yu)
        place = powers @ coef
        rate = powers[:, :-1] @ (coef[1:] * np.arange(1, order + 1)) / span
        # Derivatives of the model by the shared unknowns and the tilt.
        shared = np.stack(
            [
                rate * y * lever,
                yu,
                place * yu / half_width,
                -(x - y * (roll + place * pitch / half_width)) * r2,
                yu,
            ],
            axis=1,
        )
        self.rms = _spread(residual)
        self.speed = float(rate @ weight / weight.sum())
        w = weight / max(self.rms, 0.03) ** 2 / _NEIGHBOURS
        weighted = local.T * w
        ll = weighted @ local
        ll.ravel()[:: order + 2] += 1e-12 * np.trace(ll)  # the diagonal
        lg = weighted @ shared
        gain = np.linalg.solve(ll, lg)
        pulled = (shared.T - gain.T @ local.T) * w
        self.normal = pulled @ shared
        self.right = pulled @ residual


def _path(local: Doubles, target: Doubles) -> tuple[Doubles, Doubles, Doubles]:
    """Fit a track's path robustly; return coefficients, weights and residuals."""
    weight = np.ones(len(target))
    for _ in range(3):
        weighted = local.T * weight
        normal = weighted @ local
        normal.ravel()[:: len(normal) + 1] += 1e-12 * np.trace(normal)  # the diagonal
        coef = np.linalg.solve(normal, weighted @ target)
        residual = target - local @ coef
        cut = np.clip(residual / (4.5 * _spread(residual)), -1, 1)
        weight = (1 - cut**2) ** 2
    return np.asarray(coef, np.float64), weight, np.asarray(residual, np.float64)


def _spread(residual: Doubles) -> float:
    return robust_spread(residual, about=0) + 0.02


def _per_object(blocks: list[_Block], objects: npt.NDArray[np.int64]) -> tuple[Doubles, Doubles]:
    """Sum the tracks' equations by object: (m, 5, 5) and (m, 5)."""
    count = int(objects.max()) + 1
    normal, right = np.zeros((count, 5, 5)), np.zeros((count, 5))
    for block, number in zip(blocks, objects, strict=True):
        normal[number] += block.normal
        right[number] += block.right
    return normal, right


def _without_tilt(reduced: tuple[Doubles, Doubles], tilt: float) -> tuple[Doubles, Doubles]:
    """Eliminate each object's tilt, known to be of size `tilt`: (m, 4, 4) and (m, 4)."""
    normal, right = reduced
    own = normal[:, 4, 4] + 1 / tilt**2
    side = normal[:, :4, 4]
    kept = normal[:, :4, :4] - side[:, :, None] * side[:, None, :] / own[:, None, None]
    return kept, right[:, :4] - side * (right[:, 4] / own)[:, None]


def _solve(
    reduced: tuple[Doubles, Doubles], prior: Doubles, pull: Doubles, tilt: float
) -> tuple[Doubles, Doubles, Doubles, Doubles]:
    """One Gauss-Newton step: change, its covariance, tilts and their variances."""
    normals, rights = _without_tilt(reduced, tilt)
    normal = prior + normals.sum(0)
    right = rights.sum(0) - pull
    covariance = np.linalg.pinv(normal, rcond=1e-14, hermitian=True)
    change = covariance @ right
    own = reduced[0][:, 4, 4] + 1 / tilt**2
    side = reduced[0][:, :4, 4]
    tilts = (reduced[1][:, 4] - side @ change) / own
    lever = side / own[:, None]
    variance = 1 / own + np.einsum("mi,ij,mj->m", lever, covariance, lever)
    return change, covariance, tilts, variance
