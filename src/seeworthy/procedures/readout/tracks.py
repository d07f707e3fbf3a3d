"""Following upright edges from frame to frame.

Edges are linked when they look alike and three of them in a row move evenly; a track
grows both ways from such a triple. One wrong link spoils a speed by some per cent, so
a track's links must agree with one smooth motion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.procedures.readout.uprights import Edges

Doubles = npt.NDArray[np.float64]

_ALIKE = 0.45  # correlation of two edges (a judgement)
EVEN_PX, EVEN_SHARE = 2.5, 0.08
"""By which two steps of an even motion may differ: px, or share of the step, which lenses and
swings change from frame to frame (judgements)."""


@dataclass(frozen=True, slots=True)
class UprightTrack:
    """One edge over several frames of a run.

    Attributes:
        frames: (n,) int. Numbers within the run.
        edges: (n,) int. Indices into `Edges`.
        alike: Mean likeness of its links, up to 1.
    """

    frames: npt.NDArray[np.int64]
    edges: npt.NDArray[np.int64]
    alike: float


def link(edges: Edges, times: Doubles, fastest: float, width: int) -> list[UprightTrack]:
    """Link edges to tracks of at least four frames.

    Args:
        times: (K,) array. Time stamps of the run's frames, s.
        fastest: Highest image speed looked for, px/s.
        width: Columns of the frame.
    """
    if len(edges) < 4:
        return []
    bounds = np.searchsorted(edges.frame, np.arange(len(times) + 1))
    seeds = _triples(edges, times, bounds, fastest, width)
    taken = np.zeros(len(edges), bool)
    tracks = []
    for _, i, j, m in seeds:
        if taken[[i, j, m]].any():
            continue
        chain, alike = _grow([i, j, m], edges, times, bounds, taken)
        if len(chain) >= 4:
            taken[chain] = True
            index = np.array(chain)
            tracks.append(UprightTrack(edges.frame[index], index, alike))
    return tracks


def _pairs(
    edges: Edges, times: Doubles, bounds: npt.NDArray[np.int64], k: int, fastest: float, width: int
) -> tuple[npt.NDArray[np.float32], Doubles]:
    """Return likeness (0 where no link is possible) and displacement, each (n_k, n_k+1)."""
    a, b = slice(bounds[k], bounds[k + 1]), slice(bounds[k + 1], bounds[k + 2])
    step = edges.place[b][None, :] - edges.place[a][:, None]
    lean = np.abs(edges.lean[b][None, :] - edges.lean[a][:, None])
    reach = min(fastest * (times[k + 1] - times[k]), 0.45 * width)
    possible = (
        (edges.sign[a][:, None] == edges.sign[b][None, :])
        & (np.abs(step) <= reach)
        & (lean < 0.018)
    )
    like = np.zeros(step.shape, np.float32)
    i, j = np.nonzero(possible)
    pairs = np.einsum("nm,nm->n", edges.look[a][i], edges.look[b][j])
    like[i, j] = np.where(pairs > _ALIKE, pairs, 0)
    return like, step


def _triples(
    edges: Edges, times: Doubles, bounds: npt.NDArray[np.int64], fastest: float, width: int
) -> list[tuple[float, int, int, int]]:
    """Return evenly moving triples, the most alike first."""
    found: list[tuple[float, int, int, int]] = []
    ahead = None
    for k in range(len(times) - 2):
        here = ahead if ahead is not None else _pairs(edges, times, bounds, k, fastest, width)
        ahead = _pairs(edges, times, bounds, k + 1, fastest, width)
        (like1, step1), (like2, step2) = here, ahead
        if not like1.size or not like2.size:
            continue
        ratio = (times[k + 2] - times[k + 1]) / (times[k + 1] - times[k])
        miss = np.abs(step2[None, :, :] - ratio * step1[:, :, None])
        even = miss < np.maximum(EVEN_PX, EVEN_SHARE * np.abs(step1))[:, :, None]
        score = (like1[:, :, None] + like2[None, :, :]) / 2 - 0.03 * np.minimum(miss, 8)
        score = np.where(even & (like1 > 0)[:, :, None] & (like2 > 0)[None, :, :], score, 0)
        for i, j, m in zip(*np.nonzero(score > _ALIKE), strict=True):
            found.append(
                (float(score[i, j, m]), bounds[k] + i, bounds[k + 1] + j, bounds[k + 2] + m)
            )
    found.sort(key=lambda item: -item[0])
    return found


def _grow(
    chain: list[int],
    edges: Edges,
    times: Doubles,
    bounds: npt.NDArray[np.int64],
    taken: npt.NDArray[np.bool_],
) -> tuple[list[int], float]:
    """Extend a triple forwards and backwards, over at most one missing frame."""
    links: list[float] = []
    for way in (1, -1):
        missing = 0
        frame = int(edges.frame[chain[-1 if way > 0 else 0]])
        while missing < 2:
            frame += way
            if not 0 <= frame < len(times):
                break
            found = _next(chain, edges, times, bounds, taken, frame, way)
            if found is None:
                missing += 1
                continue
            missing = 0
            links.append(found[1])
            if way > 0:
                chain.append(found[0])
            else:
                chain.insert(0, found[0])
    return chain, float(np.mean(links)) if links else 0.0


def _next(
    chain: list[int],
    edges: Edges,
    times: Doubles,
    bounds: npt.NDArray[np.int64],
    taken: npt.NDArray[np.bool_],
    frame: int,
    way: int,
) -> tuple[int, float] | None:
    """Return the edge that continues a chain in a frame, and its likeness."""
    part = chain[-6:] if way > 0 else chain[:6]
    last = part[-1 if way > 0 else 0]
    when = times[edges.frame[part]]
    expected, speed = _ahead(when.tolist(), edges.place[part].tolist(), float(times[frame]))
    step = abs(speed * float(times[frame] - times[edges.frame[last]]))
    reach = max(3.0, 0.06 * step)
    first, end = bounds[frame], bounds[frame + 1]  # edges of a frame are sorted by place
    low, high = first + edges.place[first:end].searchsorted((expected - reach, expected + reach))
    near = (edges.sign[low:high] == edges.sign[last]) & ~taken[low:high]
    near &= np.abs(edges.lean[low:high] - edges.lean[last]) < 0.02
    index = low + np.flatnonzero(near)
    if len(index) == 0:
        return None
    like = edges.look[index] @ edges.look[last]
    best = int(np.argmax(like))
    if like[best] < _ALIKE * 0.8:
        return None
    return int(index[best]), float(like[best])


def _ahead(t: list[float], x: list[float], at: float) -> tuple[float, float]:
    """Return place and speed at a time, by least squares over a few places.

    A straight line; from five places on a parabola, as a sum of orthogonal polynomials. Called
    thousands of times for up to six numbers, where a library's solver is mostly overhead.
    """
    n = len(t)
    middle, mean = sum(t) / n, sum(x) / n
    u = [value - middle for value in t]
    square = sum(v * v for v in u)
    speed = sum(v * w for v, w in zip(u, x, strict=True)) / square
    ahead = at - middle
    place = mean + speed * ahead
    if n >= 5:
        skew, level = sum(v**3 for v in u) / square, square / n
        bow = [v * v - skew * v - level for v in u]
        curve = sum(v * w for v, w in zip(bow, x, strict=True)) / sum(v * v for v in bow)
        place += curve * (ahead * ahead - skew * ahead - level)
        speed += curve * (2 * ahead - skew)
    return place, speed
