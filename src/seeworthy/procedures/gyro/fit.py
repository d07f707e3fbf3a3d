"""Lens, offset, axes and read-out from a clip and its gyroscope, by least squares on rays."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from seeworthy.observe.motion_flow import flow_of
from seeworthy.observe.motion_tracks import FramePair
from seeworthy.optics.turning import GRID, Shape, believed, cells, solve
from seeworthy.procedures.gyro.align import Alignment, Gyro

Floats = npt.NDArray[np.float64]

NAMES = ("focal", "k", "x", "y", "z", "offset", "row", "bias_x", "bias_y", "bias_z")
# Lenses of small cameras draw angles somewhere between equally long (0) and straight lines
# straight (1): a judgement, given twice that room.
K_PRIOR = (0.5, 0.5)
# Read-out takes no longer than the frame interval, from the top or the bottom: that range
# as the width of a normal prior, so that a clip without brisk motion leaves it open.
ROW_PRIOR = 1 / math.sqrt(3)
_BENDS = (-1.0, 2.0)  # beyond, no lens of a camera draws
_MOST_PAIRS = 900
_STEPS = np.array([1e-4, 3e-3, 1e-4, 1e-4, 1e-4, 0.0, 0.0, 1e-5, 1e-5, 1e-5])
# A gyroscope on a frame with propellers buzzes by more between two rows than the picture
# shows. What is foreseen is averaged over this share of the frame interval (about what
# exposure and neighbouring rows average), slopes against time over the whole of it: else
# the buzz passes for a slope and holds the offset back.
_SEEN_OVER = 0.3
_TIME_STEP = 0.25
_ROUNDS = 15
_SETTLED = 0.1  # of a standard uncertainty of the plain least squares
_BLOCK = 0.5  # s: errors of frames nearer than this are taken to be one


@dataclass(frozen=True, slots=True, eq=False)
class GyroFit:
    """What the fit found.

    Attributes:
        values, u: (10,). In the order of `NAMES`: focal length in px (u absolute), k, small
            rotation of the axes (rad), offset (s), row time (s), steady drift (rad/s).
        cov: (10, 10)
        axes: (3, 3)
        residual: Robust standard deviation of the points, px.
    """

    values: Floats
    u: Floats
    cov: Floats
    axes: Floats
    dof: float
    pairs: int
    points: int
    residual: float
    shape: Shape


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    px: Floats  # (n, 4)
    start: Floats
    end: Floats
    pair: npt.NDArray[np.int64]
    cell: npt.NDArray[np.int64]


def fit_gyro(
    pairs: Sequence[FramePair],
    gyro: Gyro,
    first: Alignment,
    shape: Shape,
    *,
    interval: float,
    rows: bool = True,
    side: int = 0,
) -> GyroFit:
    """Fit lens and log to the picture.

    A point's ray turns between its two frames by what the gyroscope says of exactly the time
    between the reading of its two rows. What an approach explains is taken out per pair; places
    that show near things count less (`believed`). The covariance is that of clustered errors:
    blocks of half a second (sandwich estimate, Liang and Zeger 1986).

    Args:
        first: Where to begin.
        shape: The lens with which `first` was found.
        interval: Between frames, s.
        rows: False leaves the read-out out: the offset is then that of the middle row.
        side: −1 or 1: only points of the left or right half of the picture.
    """
    step = max(1, len(pairs) // _MOST_PAIRS)
    chosen = [p for p in pairs[::step] if len(p.points) >= 8]
    points = _gather(chosen, shape.width, shape.height, side)
    start = replace(shape, focal=shape.focal / max(first.scale, 0.2))
    x = np.zeros(len(NAMES))
    x[0], x[1], x[5] = math.log(start.focal), start.k, first.offset
    centre, prior = _priors(shape, interval, rows)
    angle, smooth = gyro.smoothed(_SEEN_OVER * interval), gyro.smoothed(interval)
    place = np.ones(GRID[0] * GRID[1])
    weight: Floats | None = None

    def misfit(p: Floats, by: Floats) -> Floats:
        return _misfit(p, points, gyro, by, first.axes, shape)

    for turn in range(_ROUNDS):
        if turn in (2, 5):
            lens = replace(shape, focal=math.exp(x[0]), k=float(x[1]))
            flow = flow_of(chosen, lens, shape.width, shape.height, float(x[6]))
            place = believed(flow, solve(flow, place, approach=False))
        r, jac = misfit(x, angle), _slopes(lambda p: misfit(p, smooth), x, interval, shape.height)
        if weight is None:
            weight = place[points.cell]
        for _ in range(3):
            clear, lines = _without_steady(r, jac, points.cell, weight)
            # Generous at first: what is far off must be able to pull the answer its way.
            weight, scatter = _weights(clear, place[points.cell], max(1.0, 4.0 - turn))
        r, jac = clear, lines
        before = x
        x, normal = _step(x, r, jac, weight, scatter, prior, centre)
        moved = np.abs(x - before) * np.sqrt(np.diag(normal))
        if turn > 6 and moved.max() < _SETTLED:
            break
    assert weight is not None
    cov, dof = _clustered(r, jac, weight, scatter, normal, points, interval)
    return _told(x, cov, dof, first.axes, shape, (len(chosen), len(points.px)), scatter)


def _told(
    x: Floats, cov: Floats, dof: float, axes: Floats, shape: Shape, counts: tuple[int, int],
    scatter: float,
) -> GyroFit:  # fmt: skip
    """Return the fit with the focal length in px, which was fitted as its logarithm."""
    values, to_px = x.copy(), np.ones(len(x))
    values[0] = to_px[0] = math.exp(x[0])
    cov = cov * np.outer(to_px, to_px)
    lens = replace(shape, focal=float(values[0]), k=float(values[1]))
    u = np.sqrt(np.diag(cov))
    return GyroFit(values, u, cov, _small(x[2:5]) @ axes, dof, *counts, scatter, lens)


def _priors(shape: Shape, interval: float, rows: bool) -> tuple[Floats, Floats]:
    """Return what is believed of each value before, and how much it may stray."""
    centre, prior = np.zeros(len(NAMES)), np.full(len(NAMES), np.inf)
    centre[1], prior[1] = K_PRIOR
    prior[6] = (ROW_PRIOR * interval if rows else 1e-9) / shape.height
    prior[7:] = 1e-9  # a steady drift of the gyroscope is taken out with the way flown
    return centre, prior


def _gather(pairs: Sequence[FramePair], width: int, height: int, side: int) -> _Points:
    counts = [len(p.points) for p in pairs]
    px = np.concatenate([p.points for p in pairs]).astype(float)
    use = side * (px[:, 0] - width / 2) >= 0
    return _Points(
        px[use],
        np.repeat([p.start for p in pairs], counts)[use],
        np.repeat([p.end for p in pairs], counts)[use],
        np.repeat(np.arange(len(pairs)), counts)[use],
        cells(((px[:, :2] + px[:, 2:]) / 2)[use], width, height),
    )


def _misfit(
    p: Floats, points: _Points, gyro: Gyro, angle: Floats, axes: Floats, shape: Shape
) -> Floats:
    """Return where every point is minus where it should be, (n, 2), px.

    In px, as its error is: told in angles, a longer focal length would shrink all errors.
    """
    lens = replace(shape, focal=math.exp(p[0]), k=float(p[1]))
    a, b = lens.rays(points.px[:, :2]), lens.rays(points.px[:, 2:])
    rows = points.px[:, [1, 3]] - (shape.height - 1) / 2
    start = points.start + p[6] * rows[:, 0]
    end = points.end + p[6] * rows[:, 1]
    turned = gyro.between(angle, start + p[5], end + p[5]) @ (_small(p[2:5]) @ axes).T
    turned = turned + (end - start)[:, None] * p[7:10]
    return points.px[:, 2:] - lens.project(a + np.cross((a + b) / 2, turned))


def _small(v: Floats) -> Floats:
    """Return the rotation matrix of a rotation vector (Rodrigues)."""
    size = float(np.linalg.norm(v))
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    if size < 1e-9:
        return np.asarray(np.eye(3) + k)
    return np.asarray(
        np.eye(3) + math.sin(size) / size * k + (1 - math.cos(size)) / size**2 * k @ k
    )


def _slopes(misfit: Callable[[Floats], Floats], x: Floats, interval: float, height: int) -> Floats:
    steps = _STEPS.copy()
    steps[5], steps[6] = _TIME_STEP * interval, _TIME_STEP * interval / height
    columns = []
    for i, step in enumerate(steps):
        up, down = x.copy(), x.copy()
        up[i] += step
        down[i] -= step
        columns.append((misfit(up) - misfit(down)) / (2 * step))
    return np.stack(columns, axis=-1)


def _without_steady(
    r: Floats, jac: Floats, cell: npt.NDArray[np.int64], weight: Floats
) -> tuple[Floats, Floats]:
    """Take out of every place what is there all the time: the way flown past near things."""
    count = GRID[0] * GRID[1]
    total = np.maximum(np.bincount(cell, weight, count), 1e-9)
    both = np.concatenate([r[:, :, None], jac], axis=2)
    flat = both.reshape(len(r), -1)
    mean = np.stack(
        [np.bincount(cell, weight * column, count) / total for column in flat.T], axis=1
    )
    both = (flat - mean[cell]).reshape(both.shape)
    return both[:, :, 0], both[:, :, 1:]


def _weights(r: Floats, place: Floats, generous: float) -> tuple[Floats, float]:
    # In units of what the place scatters; a cell that counts 1 scatters by `scatter`.
    size = np.sqrt((r**2).sum(1) / 2 * place)
    scatter = float(np.median(size[place > 0])) * math.sqrt(2) / 1.1774
    far = size / (4.685 * generous * max(scatter, 1e-9))
    return place * np.clip(1 - far**2, 0, None) ** 2, scatter


def _step(
    x: Floats, r: Floats, jac: Floats, weight: Floats, scatter: float, prior: Floats, centre: Floats
) -> tuple[Floats, Floats]:
    w = weight / scatter**2
    normal = np.einsum("nia,n,nib->ab", jac, w, jac) + np.diag(1 / prior**2)
    right = -np.einsum("nia,n,ni->a", jac, w, r) + (centre - x) / prior**2
    change = np.linalg.solve(normal, right)
    # A focal length that leaps by more than a fifth has left what the line is good for.
    change *= min(1.0, 0.2 / max(abs(float(change[0])), 1e-9))
    x = x + change
    x[1] = min(max(float(x[1]), _BENDS[0]), _BENDS[1])
    return x, normal


def _clustered(
    r: Floats, jac: Floats, weight: Floats, scatter: float, normal: Floats, points: _Points,
    interval: float,
) -> tuple[Floats, float]:  # fmt: skip
    score = np.einsum("nia,n,ni->na", jac, weight / scatter**2, r)
    block = ((points.start - points.start[0]) / max(_BLOCK, 4 * interval)).astype(np.int64)
    names, index = np.unique(block, return_inverse=True)
    sums = np.stack([np.bincount(index, score[:, a]) for a in range(score.shape[1])], axis=1)
    blocks = len(names)
    middle = sums.T @ sums * blocks / max(blocks - 1, 1)
    inverse = np.linalg.inv(normal)
    # What the prior alone holds keeps its width: the larger of both on the diagonal.
    cov = inverse @ middle @ inverse
    plain = np.diag(inverse)
    grow = np.sqrt(np.maximum(plain / np.maximum(np.diag(cov), 1e-30), 1.0))
    return cov * np.outer(grow, grow), float(max(blocks - 1, 2))
