"""What the wall itself does, told from the lens by takes with the camera shifted along the wall.

In the camera's frame the lens stays and the wall moves through the picture: in the difference of
the logarithms the lens drops out, and a wall that bends by the square of the place leaves a slope
there, in proportion to bend and shift. A camera that is only turned shows no bend that is the
same all round.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import BadQuantity, CannotMeasure

Floats = npt.NDArray[np.float64]

LEAST_SHIFT = 0.05
"""Share of the picture; a bend shows by the shift times four, and coding leaves some 0.002 stops
of slope (a judgement)."""
MOST = 0.05
"""Stops rms that the difference may have beside its slope: another lens, a shadow, a stain."""
BEYOND = 0.08
"""Share of the wall's part that another shape than a square leaves, standard. A judgement: one
lamp in front of the wall (light by the fourth power of the cosine, 0.1 to 0.4 stops at the
corners, central or aside) and shifts of 0.15 to 0.4 leave 1 to 13 % (by arithmetic)."""
ASKEW = 0.2
"""How much of the bend a term across the diagonal may have: lamps bend light alike all round, or
along the wall's own ways (a judgement). It is what one shift cannot tell."""
_NOISE = 0.002  # stops of slope by coding, over half of the picture


@dataclass(frozen=True)
class Wall:
    """The bend of the surface: stops of its light are across·x² + both·x·y + down·y², x, y ±1.

    Attributes:
        drop: Stops by which its corners are darker than its middle, mean of four.
        u: Standard uncertainty of it, stops.
    """

    across: float
    both: float
    down: float
    drop: float
    u: float

    def light(self, rows: int, columns: int) -> Floats:
        """Return the wall's light over the frame, 1 in the middle, (rows, columns, 1)."""
        x, y = _places(rows, columns)
        stops = self.across * x * x + self.both * x * y + self.down * y * y
        return np.asarray(2.0 ** stops[..., None])


def check_shift(right: float, down: float) -> None:
    """Refuse shifts that tell nothing.

    Raises:
        BadQuantity
    """
    if not LEAST_SHIFT <= math.hypot(right, down) <= 1.5:
        raise BadQuantity(
            "The camera was shifted by too little or too much to tell wall from lens.",
            "Shift it by a quarter of the picture, both ways: moved_right=0.25, moved_down=0.25.",
        )


def wall_of(
    field: Floats, moved: Sequence[Floats], shift: tuple[float, float], u_shift: float, prior: float
) -> Wall:
    """Return the bend of the wall.

    Args:
        field: (rows, columns, 3), block means of linear RGB over the whole frame.
        moved: The same with the camera shifted, in its own frame.
        shift: To the right and down, as shares of the wall that the picture shows.
        u_shift: Standard uncertainty of either.
        prior: Standard uncertainty of the corners' drop before anything was seen, stops.

    Raises:
        CannotMeasure: The takes differ in another way than a shifted wall has it.
    """
    x, y = _places(*field.shape[:2])
    a = np.stack([np.ones(x.size), x.ravel(), y.ravel()], axis=1)
    slopes = []
    for other in moved:
        logs = [np.log2(np.maximum(f.mean(axis=2), 1e-9)) for f in (other, field)]
        difference = (logs[0] - logs[1]).ravel()
        c = np.linalg.lstsq(a, difference, rcond=None)[0]
        left = float(np.std(difference - a @ c))
        if left > MOST:
            raise CannotMeasure(
                f"The shifted take differs from the first by {left:.2f} stops in a way that no "
                "even wall explains.",
                "Keep distance, attitude, zoom and mode, and your own shadow off the wall.",
            )
        slopes.append(c[1:])
    right, down = shift
    rows = np.array([[4 * right, 2 * down, 0.0], [0.0, 2 * right, 4 * down]])
    seen = np.mean(slopes, axis=0)
    each = (prior / math.sqrt(2)) ** 2 * np.diag([1.0, ASKEW**2, 1.0])
    gain = np.linalg.solve(rows @ each @ rows.T + _NOISE**2 * np.eye(2), rows @ each).T
    found = gain @ seen
    left_open = each - gain @ rows @ each
    corners = np.array([1.0, 0.0, 1.0])
    drop = -float(corners @ found)
    # A shift that is off by a share moves the bend by as much.
    shares = u_shift / math.hypot(right, down), BEYOND
    u = math.sqrt(float(corners @ left_open @ corners) + (math.hypot(*shares) * drop) ** 2)
    return Wall(float(found[0]), float(found[1]), float(found[2]), drop, u)


def _places(rows: int, columns: int) -> tuple[Floats, Floats]:
    x, y = np.meshgrid(
        (np.arange(columns) + 0.5) / columns * 2 - 1, (np.arange(rows) + 0.5) / rows * 2 - 1
    )
    return x, y
