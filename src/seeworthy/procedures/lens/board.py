"""The board as it is: no sheet is flat. Its bow is fitted with the lens, under a prior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

BOW = 0.5
"""Standard deviation, mm at the edge of the pattern, of how a mounted sheet is bowed (a
judgement: paper on foam board or a clipboard)."""

CORNER = 0.05
"""px by which a corner is typically misplaced: what the prior is weighed with (found on our own
rendered clips; the photographs of the open chessboard set have 0.1)."""


@dataclass(frozen=True, slots=True)
class BoardView:
    """Corners of one picture: where they are on the board (mm) and in the frame (px)."""

    plane: Array
    image: Array
    label: str = ""


@dataclass(frozen=True, slots=True)
class Board:
    """How far the board stands off its plane: a bow of second degree.

    Attributes:
        centre: (x, y). Middle of the pattern, mm.
        half: From there to its farther edge, mm.
        free: Whether the bow is fitted.
        bow: ndarray (3,), mm at the edge, for x², xy and y²: a cylinder in any direction, a bowl or
            a saddle.
    """

    centre: tuple[float, float]
    half: float
    free: bool = False
    bow: Array = field(default_factory=lambda: np.zeros(3))

    def shapes(self, plane: Array) -> Array:
        """Return what each of the three does at points of the plane (n, 2), shape (n, 3)."""
        x, y = ((plane - self.centre) / self.half).T
        return np.column_stack([x * x, x * y, y * y])

    def moved(self, step: Array) -> Board:
        """Return the board with a step of the bow; itself where it is not free."""
        return replace(self, bow=self.bow + step) if self.free else self

    def prior(self, size: int) -> tuple[Array, Array, float]:
        """Return what the prior adds to normal matrix (size, size), gradient and cost, px²."""
        tight, pull = np.zeros((size, size)), np.zeros(size)
        if not self.free:
            return tight, pull, 0.0
        weight = (CORNER / BOW) ** 2
        at = np.arange(size - 3, size)
        tight[at, at] = weight
        pull[at] = -weight * self.bow
        return tight, pull, weight * float(self.bow @ self.bow)

    @property
    def depth(self) -> float:
        """How far the sheet's edge stands off, mm, along the way in which it is bowed most."""
        a, b, c = self.bow
        values = np.linalg.eigvalsh(np.array([[a, b / 2], [b / 2, c]]))
        return float(values[int(np.argmax(np.abs(values)))])


def flat_board(views: Sequence[BoardView]) -> Board:
    """Return a flat board as large as what is seen of it."""
    every = np.concatenate([v.plane for v in views])
    low, high = every.min(axis=0), every.max(axis=0)
    middle = (low + high) / 2
    half = float((high - low).max()) / 2 or 1.0
    return Board((float(middle[0]), float(middle[1])), half)
