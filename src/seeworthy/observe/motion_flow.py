"""From followed points to the rotation of the camera, for clips of any length."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from seeworthy.observe.motion_tracks import Pair
from seeworthy.optics.turning import Flow, Lens, Turn, believed, cells, solve

Floats = npt.NDArray[np.float64]

_CHUNK = 512  # pairs worked on at a time: some 20 MB


def flow_of(
    pairs: Sequence[Pair], lens: Lens, width: int, height: int, row_time: float = 0.0
) -> Flow:
    """Return rays and moments of the points of some pairs, padded.

    Parameters
    ----------
    pairs : sequence of Pair
    lens : Lens
    width, height : int
        Of the frame, px.
    row_time : float
        Seconds from row to row; negative when rows are read from the bottom.
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
    pairs: Sequence[Pair], lens: Lens, width: int, height: int, row_time: float = 0.0
) -> Iterator[tuple[Flow, Turn]]:
    """Yield flow and rotation, some hundred pairs at a time.

    What each place of the picture is worth is found on pairs from the whole clip.
    """
    step = max(1, len(pairs) // _CHUNK)
    sample = flow_of(pairs[::step], lens, width, height, row_time)
    weight = believed(sample, solve(sample, approach=False))
    for first in range(0, len(pairs), _CHUNK):
        flow = flow_of(pairs[first : first + _CHUNK], lens, width, height, row_time)
        yield flow, solve(flow, weight)
