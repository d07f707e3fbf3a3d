"""Which tracks are the same edge, and which edges are of one object."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.procedures.readout.refine import RowPoints
from seeworthy.procedures.readout.tracks import UprightTrack
from seeworthy.procedures.readout.uprights import Edges

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rough:
    """Straight-line summary of one track."""

    speed: float
    lean: float
    place: float
    middle: float
    travel: float
    steady: bool


def rough_path(points: RowPoints) -> Rough:
    """Sum up a track by a straight path with a little bend."""
    t = points.time - points.time.mean()
    y = points.row
    far = np.max(np.abs(y)) or 1.0
    design = np.stack([np.ones_like(t), t, y, t * t, y * y, y**3 / far, t * y], axis=1)
    coef, *_ = np.linalg.lstsq(design, points.x, rcond=None)
    span = float(np.ptp(points.time))
    ends = np.array([-0.5, 0.5]) * span
    rates = coef[1] + 2 * coef[3] * ends
    return Rough(
        float(coef[1]),
        float(coef[2]),
        float(coef[0]),
        float(points.time.mean()),
        float(abs(coef[1]) * span),
        bool(rates[0] * rates[1] > 0),
    )


def once(found: list[RowPoints]) -> list[RowPoints]:
    """Leave out repeats of one edge at another scale or from a broken track."""
    rough = [rough_path(p) for p in found]
    quality = [p.spread / math.sqrt(len(p.x)) * (1 + 0.02 * p.scale) for p in found]
    order = np.argsort(quality)
    kept: list[int] = []
    for i in order:
        a, ra = found[i], rough[i]
        clash = False
        for j in kept:
            b, rb = found[j], rough[j]
            if a.run != b.run or min(a.time[-1], b.time[-1]) < max(a.time[0], b.time[0]):
                continue
            if abs(ra.speed - rb.speed) > 0.1 * max(abs(ra.speed), abs(rb.speed)) + 10:
                continue
            at = (max(a.time[0], b.time[0]) + min(a.time[-1], b.time[-1])) / 2
            gap = ra.place + ra.speed * (at - ra.middle) - rb.place - rb.speed * (at - rb.middle)
            if abs(gap) < max(4.0, 1.2 * max(a.scale, b.scale)):
                clash = True
                break
        if not clash:
            kept.append(int(i))
    return [found[i] for i in sorted(kept)]


def known(
    here: list[RowPoints], edges: Edges, track: UprightTrack, times: Doubles, width: int
) -> bool:
    """Tell whether an edge was located already at a finer scale, for most of its way."""
    t, x = times[track.frames], edges.place[track.edges] - (width - 1) / 2
    speed, middle, mean = float((x[-1] - x[0]) / (t[-1] - t[0])), float(t.mean()), float(x.mean())
    moments = t.tolist()
    for points in here:
        first, last = points.time[0] - 1e-6, points.time[-1] + 1e-6
        inside = bisect_left(moments, last) - bisect_right(moments, first)
        if inside < 0.8 * len(t):
            continue
        # Points stand in the order of their frames.
        start, end = points.time.searchsorted((middle - 0.02, middle + 0.02))
        near = start + np.flatnonzero(np.abs(points.row[start:end]) < 40)
        own = points.x[near] + speed * (middle - points.time[near])
        if (np.abs(own - mean) < max(4.0, 1.2 * edges.scale)).any():
            return True
    return False


def objects(tracks: list[RowPoints]) -> npt.NDArray[np.int64]:
    """Number the objects that tracks are edges of: two edges of a pole, one edge in two runs."""
    rough = [rough_path(p) for p in tracks]
    parent = list(range(len(tracks)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    nearest: dict[int, tuple[float, int]] = {}
    for i, a in enumerate(rough):
        for j, b in enumerate(rough):
            if i == j or abs(a.speed - b.speed) > 0.06 * abs(a.speed) + 5:
                continue
            at = (a.middle + b.middle) / 2
            gap = abs(a.place + a.speed * (at - a.middle) - b.place - b.speed * (at - b.middle))
            if tracks[i].run != tracks[j].run:
                if abs(a.middle - b.middle) < 3 and gap < 12:
                    parent[root(i)] = root(j)
            elif gap < 70 and gap < nearest.get(i, (np.inf, -1))[0]:
                nearest[i] = (gap, j)
    for i, (_, j) in nearest.items():
        if nearest.get(j, (0.0, -1))[1] == i:
            parent[root(i)] = root(j)
    roots = [root(i) for i in range(len(tracks))]
    return np.unique(roots, return_inverse=True)[1].astype(np.int64)
