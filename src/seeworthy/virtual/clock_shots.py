"""Frames of the bench clock one by one, for recordings of one's own."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from seeworthy.virtual.clock_screen import Screen, View, _picture, _Stage
from seeworthy.virtual.sensor import Camera, Developer


class Shots:
    """A camera before the clock.

    Parameters
    ----------
    camera : Camera
    screen : Screen
    view : View
    seed : int
        Of noise and shake.
    """

    def __init__(self, camera: Camera, screen: Screen, view: View, seed: int = 1) -> None:
        self._stage = _Stage(camera, screen, view)
        self._rng = np.random.default_rng(seed)
        self._develop = Developer(camera, self._rng)
        self.lag = self._stage.middle_row() * camera.readout_time / camera.height
        self.lag += camera.exposure / 2
        """Seconds from the start of a frame to the middle of the exposure of the clock's row."""

    def __call__(self, begin: float) -> npt.NDArray[np.uint8]:
        """Return the luma of a frame whose first row is exposed from `begin` on, screen time."""
        return self._develop(_picture(self._stage, begin, self._rng))
