"""How a clip of anything leans as the camera turns: way and lean of every picture over time.

A picture whose rows are read one after the other shows one motion at moments that differ from row
to row: ``d(y) = D(t + r y)``. Its slope over the rows is the lean; its middle is the way moved.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.observe.motion_tracks import FramePair

Floats = npt.NDArray[np.float64]

THIRDS = 3
"""Points are dealt to so many hands: lean, way and instrument do not share their errors."""
_LEAST_POINTS = 24  # eight for each third, one more than a fit has unknowns
_TUKEY = 4.685  # 95 % efficiency on normal noise (Holland and Welsch 1977)
_ROUNDS = 8  # reweightings of the fit (a judgement: it has settled)
_LEAST_SCATTER = 0.02  # px; better than this no corner is followed (a judgement)
_BEND_BLOCKS = 12  # stretches of time whose scatter tells how well a bend is known


@dataclass(frozen=True, slots=True, eq=False)
class OwnMotion:
    """Motion of n neighbouring pairs of frames by each third of the points.

    Attributes:
        way: (3, n, 2). Of the middle of the picture, px, along x and y.
        lean: (3, n, 2). Of the rows, px over the height, without roll and approach.
        turn: (3, n, 2). What was taken out of the leans: roll and approach, px over the height.
        spread: Of the points' rows, as a share of the height of a picture full of points.
        rigid: Median share of the points that one stiff motion explains.
        interval: s between frames.
        height: px
    """

    way: Floats
    lean: Floats
    turn: Floats
    spread: float
    rigid: float
    interval: float
    height: int


def own_motion(pairs: Sequence[FramePair], width: int, height: int) -> OwnMotion | None:
    """Return the motion over the longest stretch at an even pace; None where there is none."""
    run, interval = _even_run(pairs)
    if not run:
        return None
    most = max(len(p.points) for p in run)
    px, there = np.zeros((len(run), most, 4)), np.zeros((len(run), most), bool)
    for i, p in enumerate(run):
        px[i, : len(p.points)] = p.points
        there[i, : len(p.points)] = True
    middle = (px[..., :2] + px[..., 2:]) / 2
    x, y = (middle - ((width - 1) / 2, (height - 1) / 2)).transpose(2, 0, 1) / height
    moved = (px[..., 2:] - px[..., :2]).transpose(2, 0, 1)
    design = [_columns(x, y, y)] * 2
    weight, found = _robust(design, moved, there)
    bends = [_bend(found[a][:, 0], found[a][:, 3]) for a in (0, 1)]
    # A lens bends the way over the picture; the lean, which is a change of the way, likewise.
    design = [_columns(x, y, y * (1 + bends[a] * x * x + bends[1 - a] * y * y)) for a in (0, 1)]
    rigid = _rigid(weight, there)
    weight, _ = _robust(design, moved, there)
    hand = np.arange(most) % THIRDS
    fits = [[_fit(design[a], moved[a], weight * (hand == k)) for a in (0, 1)]
            for k in range(THIRDS)]  # fmt: skip
    way = np.array([np.stack([f[0][:, 0], f[1][:, 0]], 1) for f in fits])
    turn = np.array([np.stack([f[1][:, 1], f[0][:, 1]], 1) for f in fits])
    # Roll leans x by as much as it tilts y the other way; an approach widens both alike.
    lean = np.array([np.stack([f[0][:, 2], f[1][:, 2]], 1) for f in fits]) + turn * (1, -1)
    centre = (weight * y).sum() / weight.sum()
    spread = math.sqrt(12 * float((weight * (y - centre) ** 2).sum() / weight.sum()))
    # The bend explains points that nothing else does, or is noise: the better answer counts.
    rigid = max(rigid, _rigid(weight, there))
    return OwnMotion(way, lean, turn, spread, rigid, interval, height)


def _rigid(weight: Floats, there: npt.NDArray[np.bool_]) -> float:
    return float(np.median((weight > 0.3).sum(1) / there.sum(1)))


def _columns(x: Floats, y: Floats, rows: Floats) -> Floats:
    """Return the unknowns of a plane that moves, and of rows that lag (``rows``, ``x y²``)."""
    return np.stack([np.ones_like(x), x, rows, x * x, x * y, y * y, x * y * y], axis=-1)


def _fit(design: Floats, moved: Floats, weight: Floats) -> Floats:
    normal = np.einsum("nmi,nm,nmj->nij", design, weight, design)
    normal += 1e-9 * np.eye(design.shape[-1])
    right = np.einsum("nmi,nm,nm->ni", design, weight, moved)
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])


def _robust(
    design: Sequence[Floats], moved: Floats, there: npt.NDArray[np.bool_]
) -> tuple[Floats, list[Floats]]:
    weight = there.astype(float)
    found: list[Floats] = []
    for _ in range(_ROUNDS):
        found = [_fit(d, m, weight) for d, m in zip(design, moved, strict=True)]
        rest = [m - np.einsum("nmi,ni->nm", d, f)
                for d, m, f in zip(design, moved, found, strict=True)]  # fmt: skip
        off = np.hypot(*rest)
        # The median of a Rayleigh variable is 1.1774 σ.
        scatter = np.nanmedian(np.where(there, off, np.nan), axis=1) / 1.1774
        far = off / (_TUKEY * np.maximum(scatter, _LEAST_SCATTER)[:, None])
        weight = there * np.clip(1 - far**2, 0, None) ** 2
    return weight, found


def _bend(way: Floats, square: Floats) -> float:
    """Return how the way grows with the square of the place, drawn to nothing where not known."""
    both = (way - np.median(way)) * np.stack([square - np.median(square), way - np.median(way)])
    up, down = np.array([b.sum(1) for b in np.array_split(both, _BEND_BLOCKS, axis=1)]).T
    power = max(float(down.sum()), 1e-9)
    bend = float(up.sum()) / power
    doubt = float(((up - bend * down) ** 2).sum()) / power**2
    # No lens of a camera bends by more (a view of 140° with straight lines: 2.4 over a 16:9 frame).
    return float(np.clip(bend**3 / (bend**2 + doubt + 1e-9), -1.0, 2.5))


def _even_run(pairs: Sequence[FramePair]) -> tuple[list[FramePair], float]:
    """Return the longest stretch of neighbouring pairs at an even pace, and that pace, s."""
    best: list[FramePair] = []
    run: list[FramePair] = []
    interval = float(np.median([p.end - p.start for p in pairs])) if pairs else 0.0
    for p in pairs:
        even = abs(p.end - p.start - interval) < 0.1 * interval
        kept = even and len(p.points) >= _LEAST_POINTS
        run = [*run, p] if kept and run and run[-1].end == p.start else [p] if kept else []
        best = run if len(run) > len(best) else best
    return best, interval


def filtered(values: Floats, interval: float, answer: Callable[[Floats], Any]) -> Floats:
    """Return values (n,) after a filter with this answer over frequencies (Hz)."""
    n = len(values)
    pad = min(n // 2, int(2 / interval))  # 2 s: longer than the slowest that is let through rings
    long = np.pad(values - values.mean(), pad, mode="reflect", reflect_type="odd")
    lines = np.fft.rfft(long) * answer(np.asarray(np.fft.rfftfreq(len(long), interval), float))
    return np.asarray(np.fft.irfft(lines, len(long))[pad : pad + n])
