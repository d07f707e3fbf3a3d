"""From followed points to the rotation of the camera, for clips of any length."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from seeworthy.observe.motion_tracks import FramePair
from seeworthy.optics.turning import Flow, Turn, TurningLens, believed, cells, solve

Floats = npt.NDArray[np.float64]

_CHUNK = 512  # pairs worked on at a time: some 20 MB


def flow_of(
    pairs: Sequence[FramePair], lens: TurningLens, width: int, height: int, row_time: float = 0.0
) -> Flow:
    """Return rays and moments of the points of some pairs, padded.

    Args:
        width, height: Of the frame, px.
        row_time: Seconds from row to row; negative when rows are read from the bottom.
    """
    most = max(8, max((len(p.points) for p in pairs), default=0))
    shape = (len(pairs), most)
    there = np.zeros(shape, bool)
    px = np.zeros((*shape, 4))
    for i, pair in enumerate(pairs):
        n = len(pair.points)
        there[i, :n] = True
        px[i, :n] = pair.points
    before, after = (lens.rays(px[..., s].reshape(-1, 2)).reshape(*shape, 3) for s in _ENDS)
    seen = there & np.isfinite(before).all(2) & np.isfinite(after).all(2)
    before, after = (np.where(seen[..., None], r, 0.0) for r in (before, after))
    start = np.array([p.start for p in pairs])[:, None]
    end = np.array([p.end for p in pairs])[:, None]
    from_middle = px[..., [1, 3]] - (height - 1) / 2
    return Flow(
        (before + after) / 2, after - before,
        start + row_time * from_middle[..., 0], end + row_time * from_middle[..., 1],
        cells(((px[..., :2] + px[..., 2:]) / 2).reshape(-1, 2), width, height).reshape(shape),
        seen,
    )  # fmt: skip


_ENDS = (slice(0, 2), slice(2, 4))


def turns(
    pairs: Sequence[FramePair], lens: TurningLens, width: int, height: int, row_time: float = 0.0
) -> Iterator[tuple[Flow, Turn]]:
    """Yield flow and rotation, some hundred pairs at a time.

    What each place of the picture is worth is found on pairs from the whole clip. Where rows
    are read one after the other, a rate that changes shears the picture as a roll would:
    what the change between neighbouring pairs foretells of that is taken out, twice.
    """
    step = max(1, len(pairs) // _CHUNK)
    sample = flow_of(pairs[::step], lens, width, height, row_time)
    weight = believed(sample, solve(sample, approach=False))
    for first in range(0, len(pairs), _CHUNK):
        flow = flow_of(pairs[first : first + _CHUNK], lens, width, height, row_time)
        turn = solve(flow, weight)
        if row_time:
            for _ in range(2):
                turn = solve(_unsheared(flow, turn), weight)
        yield flow, turn


def _unsheared(flow: Flow, turn: Turn) -> Flow:
    """Return the flow as if every point had turned at the rate of the middle of its pair."""
    rate = np.where(np.isfinite(turn.rate), turn.rate, 0.0)
    if len(rate) < 3:
        return flow
    known = np.asarray(np.isfinite(turn.rate).all(1))
    time = np.where(np.isfinite(turn.time), turn.time, flow.start.max(1))
    slope = np.zeros_like(rate)
    length = np.maximum(time[2:] - time[:-2], 1e-6)
    slope[1:-1] = (rate[2:] - rate[:-2]) / length[:, None]
    slope[1:-1][~(known[2:] & known[:-2])] = 0.0
    middle = (flow.start + flow.end) / 2 - time[:, None]
    away = slope[:, None, :] * (middle * (flow.end - flow.start))[..., None]
    change = flow.change - np.cross(flow.middle, np.where(flow.there[..., None], away, 0.0))
    return replace(flow, change=change)
