"""Uprights that repeat: whether they moved by less than their distance or by more.

Pickets of a fence look alike. One that passes by 1.6 times their distance from frame to frame looks
like one that passes by 0.6 times, and its lean is then divided by the wrong speed: a read-out
several times too long, and every edge agrees. Such tracks have twins: from any picket of the track
the next one, in the next frame the one after it, and so on, moves as evenly.

What tells them apart is that nothing passes at quite one speed. The lean grows with the true speed,
so within each direction it must vanish, roll aside, where the speed does; of a mistaken speed
it does not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.readout.sorting import Rough
from seeworthy.procedures.readout.tracks import EVEN_PX, EVEN_SHARE, UprightTrack
from seeworthy.procedures.readout.uprights import Edges

Doubles = npt.NDArray[np.float64]

_STEPS = 4  # frames over which a twin is followed; by chance uprights repeat for one or two
_NEAREST = 5.0  # px; nearer are the same edge
_UNLIKE = (
    0.15  # correlation by which a twin may look less like it than the track's own (a judgement)
)
_SHARE = 0.5  # of the places of a track from which a twin can be followed (a judgement)
_AGREE = 0.15
"""Share by which the slope without and with the others may differ: a mistaken speed is off by a
whole distance, a quarter of what goes from frame to frame at the least (a judgement)."""
_LEAST = 6  # tracks without twin that carry a read-out alone, two a parameter (a judgement)


def twin_of(
    track: UprightTrack, edges: Edges, bounds: npt.NDArray[np.int64], reach: float
) -> float | None:
    """Return the smallest distance, px, at which uprights repeat along a track; 0: they do not.

    None where no part of the track is long enough to tell.

    Args:
        bounds: (K + 1,) Index of each frame's first edge.
        reach: Farthest that uprights go from frame to frame, px: what goes farther is no twin.
    """
    found: list[float] = []
    steps = min(_STEPS, len(track.edges) - 1)
    for k in range(len(track.edges) - steps):
        chain = track.edges[k : k + steps + 1]
        if np.ptp(edges.frame[chain]) != steps:
            continue
        off = edges.place - edges.place[chain[1]]
        beside = [
            i for i in _alike(chain[0], chain, 1, edges, bounds)
            if abs(off[i]) > _NEAREST and abs(edges.place[i] - edges.place[chain[0]]) <= reach
        ]  # fmt: skip
        told = [(float(off[i]), _goes_on(i, chain, edges, bounds)) for i in beside]
        if not told or any(on is not None for _, on in told):
            found.append(min((d for d, on in told if on), key=abs, default=0.0))
    distances = np.abs([d for d in found if d])
    if not found:
        return None
    return float(np.median(distances)) if len(distances) > _SHARE * len(found) else 0.0


def _alike(
    edge: int, chain: npt.NDArray[np.int64], step: int, edges: Edges, bounds: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Return the edges of a later frame of a chain that look like one of the frame before it."""
    own = chain[step]
    part = np.arange(bounds[edges.frame[own]], bounds[edges.frame[own] + 1])
    like = edges.look[part] @ edges.look[edge]
    least = float(edges.look[own] @ edges.look[chain[step - 1]]) - _UNLIKE
    return np.asarray(part[(edges.sign[part] == edges.sign[own]) & (like > least)])


def _goes_on(
    edge: int, chain: npt.NDArray[np.int64], edges: Edges, bounds: npt.NDArray[np.int64]
) -> bool | None:
    """Tell whether uprights go on with the step from the chain's first to an edge, evenly.

    None where they would stand outside of the picture.
    """
    seen = 0
    before = float(edges.place[chain[0]])
    for step in range(2, len(chain)):
        frame = edges.frame[chain[step]]
        here = edges.place[bounds[frame] : bounds[frame + 1]]
        place = float(edges.place[edge])
        stride = place - before
        off = max(EVEN_PX, EVEN_SHARE * abs(stride))
        if not here[0] - off <= place + stride <= here[-1] + off:
            break
        alike = _alike(edge, chain, step, edges, bounds)
        miss = np.abs(edges.place[alike] - place - stride)
        if not len(miss) or miss.min() > off:
            return False
        before, edge = place, int(alike[miss.argmin()])
        seen += 1
    return True if seen else None


def told_apart(
    rough: Sequence[Rough], twins: Doubles, interval: float, roll: tuple[float, float] | None
) -> tuple[list[int], bool]:
    """Choose the tracks whose speed is sure.

    Args:
        rough: n tracks.
        twins: (n,) Distance of each track's twins, px; 0 without, NaN where not known.
        interval: Time between frames, s.
        roll: Where all pass one way: the known lean of what stands upright, and its u.

    Returns:
        Numbers of the tracks to use, and whether their speeds are sure.
    """
    alone = np.flatnonzero(twins == 0).tolist()
    everything = list(range(len(rough)))
    if not (twins > 0).any():
        return everything, True
    speeds = np.array([r.speed for r in rough])
    distance = float(np.median(twins[twins > 0]))
    if _vanishes(rough, speeds, distance, interval, roll):
        return everything, True
    own = speeds[alone]
    several = roll is not None or (own.size > 0 and np.ptp(own) > 0.5 * np.ptp(speeds))
    if len(alone) < _LEAST or not several:
        return everything, False
    some, most = (_slope([rough[i] for i in part], roll) for part in (alone, everything))
    return everything if abs(some - most) < _AGREE * abs(some) else alone, True


def _slope(rough: Sequence[Rough], roll: tuple[float, float] | None) -> float:
    """Return the row time that straight lines through speed and lean give."""
    speed, lean = (np.array([getattr(r, name) for r in rough]) for name in ("speed", "lean"))
    if roll is not None:
        return float(np.median((lean - roll[0]) / speed))
    return float(np.polyfit(speed, lean, 1)[0])


def _vanishes(
    rough: Sequence[Rough], speeds: Doubles, distance: float, interval: float,
    roll: tuple[float, float] | None,
) -> bool:  # fmt: skip
    """Tell whether the lean goes to nothing with the speed, within each direction."""
    lean = np.array([r.lean for r in rough])
    place = np.array([r.place for r in rough])
    # With a known roll the constant itself must be that; else it must be one for both ways.
    columns = [speeds, place, np.ones_like(speeds)]
    if roll is None:
        columns.append(np.sign(speeds))
    design = np.stack(columns, axis=1)
    use = np.ones(len(lean), bool)
    for _ in range(3):
        if use.sum() <= design.shape[1] + 1 or np.linalg.matrix_rank(design[use]) < len(columns):
            return False
        coef, *_ = np.linalg.lstsq(design[use], lean[use], rcond=None)
        off = np.abs(lean - design @ coef)
        use = off < 4 * max(float(np.median(off[use])), 1e-6)
    dof = int(use.sum()) - design.shape[1]
    if dof < 1:
        return False
    variance = float(np.sum(off[use] ** 2)) / dof
    u = float(np.sqrt(variance * np.linalg.inv(design[use].T @ design[use])[-1, -1]))
    left = float(coef[-1]) - (roll[0] if roll else 0.0)
    u = float(np.hypot(u, roll[1])) if roll else u
    mistaken = abs(float(coef[0])) * distance / interval
    return abs(left) + coverage_factor(dof) * u < 0.5 * mistaken
