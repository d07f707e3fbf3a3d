"""Cross-validation of a lens: two halves of the views fitted apart, their difference against u.

Each half has about twice the variance of the whole, so their difference has a standard
deviation of 2 u. Where it is larger than that allows, the views disagree about more than their
scatter says (a board that bends as it is tipped, a lens that moves), and half the difference, the
standard uncertainty of the mean of two, takes the place of u.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.optics.lens import LensCamera
from seeworthy.procedures.lens.board import BoardView
from seeworthy.procedures.lens.calibrate import LensFit, refine

Array = npt.NDArray[np.float64]

LEAST_VIEWS = 10
"""Views from which a half has the five that a fit needs."""


def difference(
    views: Sequence[BoardView], fit: LensFit, of: Callable[[LensCamera], Array]
) -> Array | None:
    """Return functions of the camera by the odd views minus by the even ones.

    None where the views are too few or a half does not fix the lens.
    """
    if len(views) < LEAST_VIEWS:
        return None
    odd = np.asarray(np.arange(len(views)) % 2, float)
    parts = [
        refine(views, fit.camera, fit.poses, fit.form, weights=w, board=fit.board)
        for w in (odd, 1 - odd)
    ]
    if parts[0] is None or parts[1] is None:
        return None
    return of(parts[0].camera) - of(parts[1].camera)


def widened(u: float, away: float, dof: float) -> float:
    """Return `u`, or half the difference of the halves where that is more than `u` allows."""
    return u if agree(u, away, dof) else abs(away) / 2


def agree(u: float, away: float, dof: float) -> bool:
    """Tell whether two halves differ by no more than 95 % of such differences do."""
    return not math.isfinite(away) or bool(abs(away) <= coverage_factor(dof) * 2 * u)
