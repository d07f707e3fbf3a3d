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
# Of a frame, between white and the highest codes: more than ringing beside edges makes, and more
# than any ringing (judgements). Between the two nobody can tell which of them is white.
_BEYOND, _SURELY = 1e-3, 1e-2


@dataclass(slots=True)
class LightRun:
    """Observer of light over a clip.

    Attributes:
        rows: Of each frame with a time stamp: time (s), mean, 2 % and 98 % quantile (shares of the
            way from black to white), share at black, at white, at the highest codes; the last three
            again without what coding and noise may have moved there.
        between: Largest share of a frame above white and below the highest codes, which many
            cameras use: white is then the highest code.
    """

    rows: list[tuple[float, ...]] = field(default_factory=list)
    full_range: bool = False
    between: float = 0.0
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
        mean = float((codes * level).sum() / len(thin))
        shares = [_shares(below, low, high, slack) for slack in (_SLACK, 0.0)]
        if not self.full_range:
            between = below[int(255 - _SLACK) - 1] - below[int(high + _SLACK)]
            self.between = max(self.between, float(between))
        quantiles = float(level[dark]), float(level[bright])
        self.rows.append((time, mean, *quantiles, *shares[0], *shares[1]))

    def finish(self) -> None:
        """Nothing is held."""

    def table(self) -> Floats:
        """Return `rows` as (n, 10)."""
        return np.array(self.rows, float).reshape(-1, 10)

    def clipped(self) -> Floats:
        """Return the share of every frame that is clipped to white."""
        return self.table()[:, 6 if self.between > _SURELY else 5]

    def surely_clipped(self) -> Floats:
        """Return the least share of every frame that may be what is clipped."""
        return self.table()[:, 9 if self.between > _BEYOND else 8]

    def surely_black(self) -> Floats:
        """Return the least share of every frame that may be what is black."""
        return self.table()[:, 7]


def _shares(below: Floats, low: float, high: float, slack: float) -> tuple[float, float, float]:
    """Return the shares at black, at white, and at the highest codes."""
    return (
        float(below[int(low + slack)]),
        float(1 - below[int(high - slack) - 1]),
        float(1 - below[int(255 - slack) - 1]),
    )
