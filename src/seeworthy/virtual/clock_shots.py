"""Frames of the bench clock one by one, for recordings of one's own."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from seeworthy.virtual.clock_screen import ClockStage, Screen, ScreenView, picture
from seeworthy.virtual.sensor import Developer, RollingCamera


class Shots:
    """A camera before the clock.

    Args:
        seed: Of noise and shake.
    """

    def __init__(
        self, camera: RollingCamera, screen: Screen, view: ScreenView, seed: int = 1
    ) -> None:
        self._stage = ClockStage(camera, screen, view)
        self._rng = np.random.default_rng(seed)
        self._develop = Developer(camera, self._rng)
        self.lag = self._stage.middle_row() * camera.readout_time / camera.height
        self.lag += camera.exposure / 2
        """Seconds from the start of a frame to the middle of the exposure of the clock's row."""

    def __call__(self, begin: float) -> npt.NDArray[np.uint8]:
        """Return the luma of a frame whose first row is exposed from `begin` on, screen time."""
        return self._develop(picture(self._stage, begin, self._rng))


def still(
    camera: RollingCamera, screen: Screen, view: ScreenView, begin: float
) -> tuple[npt.NDArray[np.uint8], float]:
    """Render one frame, luma (H, W), and its truth as in `clock_screen.Filmed.time`.

    Args:
        begin: Screen time at which the first row is exposed, s.
    """
    shots = Shots(camera, screen, view)
    return shots(begin), begin + shots.lag
