"""What shows a timing fault: thinned series of intervals, and the pictures around one."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.observe.changes import Snapshot

# As many points as a figure can show side by side, twice over.
MOST_POINTS = 1200
_GAP = 6


def thin(values: npt.NDArray[np.float64], keep: Sequence[int]) -> list[int]:
    """Choose indices to draw: the extremes of every stretch, and all of `keep`.

    Args:
        values: (n,) float
        keep: Indices that must be shown.

    Returns:
        Sorted, all of them when there are few.
    """
    n = len(values)
    if n <= MOST_POINTS:
        return list(range(n))
    chosen = {0, n - 1, *(k for k in keep if 0 <= k < n)}
    edges = np.linspace(0, n, MOST_POINTS // 2 + 1).astype(int)
    for a, b in pairwise(edges):
        chosen.add(int(a + np.argmin(values[a:b])))
        chosen.add(int(a + np.argmax(values[a:b])))
    return sorted(chosen)


def draw_pair(snapshot: Snapshot) -> bytes:
    """Draw the frame before and the frame itself side by side, numbered, as PNG.

    The frame before is as coarse as the rows that were kept of it.
    """
    height, width = snapshot.after.shape
    before = cv2.resize(snapshot.before, (width, height), interpolation=cv2.INTER_CUBIC)
    sheet = np.full((height + 26, 2 * width + _GAP), 255, np.uint8)
    sheet[26:, :width] = before
    sheet[26:, width + _GAP :] = snapshot.after
    for x, number in ((4, snapshot.frame - 1), (width + _GAP + 4, snapshot.frame)):
        cv2.putText(
            sheet, f"frame {number}", (x, 18), cv2.FONT_HERSHEY_SIMPLEX, 0.55, 0, 1, cv2.LINE_AA
        )
    done, png = cv2.imencode(".png", sheet)
    if not done:
        raise ValueError("the picture could not be encoded")
    return png.tobytes()
