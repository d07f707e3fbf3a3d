"""Light and contrast of every frame: how bright, how deep the darkest, how much is clipped."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from seeworthy.media.frames import FrameView, Stage

Floats = npt.NDArray[np.float64]

SAMPLES = 12_000  # of a frame: shares are then known to less than 1 %
_BLACK, _WHITE = 16.0, 235.0  # ITU-R BT.709, limited range
# Coding and noise move a clipped value by this much (judgement, two steps of a fine coder).
_SLACK = 3.0
_BEYOND = 1e-3  # of a frame: more than ringing beside edges makes (judgement)


@dataclass(slots=True)
class LightRun:
    """Observer of light over a clip.

    Attributes:
        rows: Of each frame with a time stamp: time (s), mean, 2 % and 98 % quantile (shares of the
            way from black to white), share at black, at white, at the highest codes.
        beyond: Codes above white are used, as many cameras do: white is then the highest code.
    """

    rows: list[tuple[float, ...]] = field(default_factory=list)
    full_range: bool = False
    beyond: bool = False
    _thin: int = 1

    def begin(self, stage: Stage) -> None:
        """Choose how thinly to look."""
        self._thin = max(1, round((stage.width * stage.height / SAMPLES) ** 0.5))
        self.full_range = stage.tags.range == "full"

    def frame(self, view: FrameView) -> None:
        """Sum up one frame."""
        time = view.seconds
        if view.corrupt or time is None:
            return
        thin = view.luma[:: self._thin, :: self._thin].ravel()
        # Counts of whole codes: quantiles and shares from one pass over the samples.
        if view.stage.bits > 8:
            thin = np.minimum(thin >> (view.stage.bits - 8), 255)
        codes = np.bincount(thin, minlength=256)
        low, high = (0.0, 255.0) if self.full_range else (_BLACK, _WHITE)
        level = np.clip((np.arange(256) - low) / (high - low), 0, 1)
        below = np.cumsum(codes) / len(thin)
        dark, bright = np.searchsorted(below, (0.02, 0.98))
        black = float(below[int(low + _SLACK)])
        white = float(1 - below[int(high - _SLACK) - 1])
        mean = float((codes * level).sum() / len(thin))
        top = float(1 - below[int(255 - _SLACK) - 1])
        if not self.full_range:
            between = below[int(255 - _SLACK) - 1] - below[int(high + _SLACK)]
            self.beyond = self.beyond or bool(between > _BEYOND)
        self.rows.append((time, mean, float(level[dark]), float(level[bright]), black, white, top))

    def finish(self) -> None:
        """Nothing is held."""

    def table(self) -> Floats:
        """Return `rows` as (n, 7)."""
        return np.array(self.rows, float).reshape(-1, 7)

    def clipped(self) -> Floats:
        """Return the share of every frame that is clipped to white."""
        return self.table()[:, 6 if self.beyond else 5]
