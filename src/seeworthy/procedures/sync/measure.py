"""Sound against picture: beeps at whole seconds of the bench clock."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import stats

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.statistics import robust_spread

Floats = npt.NDArray[np.float64]

BEEP_HZ = 1000.0  # of the clock's page
BEEP_S = 0.05  # of the clock's page
_BINS = 1000  # per second: one of them is a cycle of the beep
_LONG = round(BEEP_S * _BINS)
_SHORT = 4  # bins of the window that tells the onset
_CHUNK = 8 * _BINS
_LAP = 400  # bins that a chunk shares with the one before
_ABOVE = 8.0  # times the floor, 18 dB in power: no noise of a room does so for 50 ms (a judgement)
_LEAST = 5  # beeps: a line and three over (a judgement)
_NEAR = 0.6  # seconds from a beep within which frames tell its time
_FRAMES = 5  # that a straight line about a beep needs (a judgement)
_OUTLIER = 5.0  # robust standard deviations (a judgement)
SPEED_OF_SOUND = 343.0
"""Metres per second in air at 20 °C."""


@dataclass(frozen=True, slots=True)
class Sync:
    """Sound against picture over a clip.

    Attributes:
        offset_ms, offset_u_ms: At the middle of the clip, positive where the sound is late; random
            part only: the delays of screen and loudspeaker are constants of the set-up and come on
            top.
        drift_ppm, drift_u_ppm: Change of the offset over time.
        n: Beeps.
        used: ndarray (M,) bool. False for beeps far off the others.
    """

    offset_ms: float
    offset_u_ms: float
    drift_ppm: float
    drift_u_ppm: float
    n: int
    used: npt.NDArray[np.bool_]


@dataclass
class BeepListener:
    """Takes sound block by block and notes where beeps of the clock begin.

    A long window that holds a whole beep finds them; the onset itself is read in a short one,
    because a room adds echoes to the end of a beep and none to its beginning.

    Args:
        rate: Samples per second.
    """

    rate: int
    samples: int = 0
    loudest: float = 0.0
    starts: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._step = self.rate / _BINS
        self._rest = np.empty(0)
        self._bins = np.empty(0, complex)
        self._origin = 0.0  # file time of the first bin kept
        self._first = self._done = 0  # samples and bins that have left `_rest`
        self._at: float | None = None

    def feed(self, samples: npt.NDArray[np.floating], at: float | None) -> None:
        """Take consecutive samples, (n,), whose first one stands at `at` seconds of the file."""
        if at is not None and (self._at is None or abs(at - self._at) > 0.01):
            self.finish()  # the sound has a hole: begin anew behind it
            self._origin, self._first, self._done = at, 0, 0
            self._rest, self._bins = np.empty(0), np.empty(0, complex)
            self._at = at
        self._at = (self._at or 0.0) + samples.size / self.rate
        self.samples += samples.size
        self.loudest = max(self.loudest, float(np.abs(samples).max(initial=0.0)))
        self._rest = np.concatenate([self._rest, samples])
        self._bin()
        if self._bins.size >= _CHUNK:
            self._detect()

    def _bin(self) -> None:
        """Sum whole cycles; bin k begins at sample k times the step, rounded."""
        end = int((self._first + self._rest.size) / self._step)
        if end <= self._done:
            return
        edges = np.rint(np.arange(self._done, end + 1) * self._step).astype(int) - self._first
        edges[-1] = min(edges[-1], self._rest.size)
        index = self._first + np.arange(edges[-1])
        tone = self._rest[: edges[-1]] * np.exp(-2j * np.pi * BEEP_HZ / self.rate * index)
        self._bins = np.concatenate([self._bins, np.add.reduceat(tone, edges[:-1])])
        self._rest = self._rest[edges[-1] :]
        self._first += int(edges[-1])
        self._done = end

    def finish(self) -> None:
        """Look at what is left."""
        if self._bins.size > _LONG:
            self._detect()

    def _detect(self) -> None:
        for place in _onsets(self._bins):
            start = self._origin + place / _BINS
            if not any(abs(start - s) < 0.3 for s in self.starts[-3:]):
                self.starts.append(start)
        gone = self._bins.size - _LAP
        if gone > 0:
            self._bins = self._bins[gone:]
            self._origin += gone / _BINS


def _onsets(tone: npt.NDArray[np.complex128]) -> list[float]:
    """Bins (fractional) at which beeps begin; those cut by the ends of the piece are left."""
    total = np.concatenate(([0], np.cumsum(tone)))
    level = np.abs(total[_LONG:] - total[:-_LONG])
    floor = float(np.median(level))
    top = float(level.max())
    if top <= max(_ABOVE * floor, 1e-9):
        return []
    limit = max(_ABOVE * floor, 0.5 * top)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], level > limit, [0]))))
    short = np.abs(total[_SHORT:] - total[:-_SHORT])
    found = []
    for first, last in edges.reshape(-1, 2):
        if last - first > 2 * _LONG:  # a steady tone is no beep
            continue
        middle = int((first + last - 1) / 2)
        onset = _rise(short, middle)
        if onset is not None:
            found.append(onset)
    return found


def _rise(short: Floats, near: int) -> float | None:
    """Bin at which the tone sets in, near a coarse start; None at the ends of the piece."""
    begin, end = near - _LONG, near + _LONG
    if begin < 0 or end > short.size:
        return None
    piece = short[begin:end]
    before = float(np.median(piece[: _LONG // 2]))
    first = np.flatnonzero(piece > before + 0.3 * (float(piece.max()) - before))
    if not first.size:
        return None
    # What comes later than the window is the room's: the level just after the onset counts.
    early = float(piece[first[0] : first[0] + 2 * _SHORT].max())
    half = before + (early - before) / 2
    k = int(np.argmax(piece > half))
    if k == 0:
        return None
    part = (half - piece[k - 1]) / (piece[k] - piece[k - 1])
    return begin + k - 1 + float(part) + _SHORT / 2


def clock_times(starts: Floats, stamps: Floats, times: Floats) -> Floats:
    """Time of the bench clock in the picture when each beep is heard in the file.

    Args:
        starts: ndarray (M,). Beeps, seconds of the file.
        stamps, times: ndarray (N,). Frames: seconds of the file and of the clock.

    Returns:
        ndarray (M,). NaN where fewer than five frames within 0.6 s were read.
    """
    off = times - stamps
    found = np.full(starts.size, np.nan)
    for i, start in enumerate(starts):
        near = off[np.abs(stamps - start) <= _NEAR]
        if near.size >= _FRAMES:
            middle = float(np.median(near))
            kept = near[np.abs(near - middle) <= 0.01]
            found[i] = start + (float(kept.mean()) if kept.size else middle)
    return found


def fit_sync(starts: Floats) -> Sync:
    """Offset and drift from the clock times at which beeps were recorded.

    Args:
        starts: ndarray (M,). Start of each beep in seconds of the bench clock, by the line that its
            frames give.

    Raises:
        CannotMeasure: With fewer than five beeps.
    """
    if starts.size < _LEAST:
        raise _too_few(starts.size)
    turn = np.exp(2j * np.pi * starts)
    middle = float(np.angle(turn.mean()) / (2 * np.pi))
    off = (starts - middle + 0.5) % 1.0 - 0.5 + middle
    used = _near_the_line(starts, off)
    if used.sum() < _LEAST:
        raise _too_few(int(used.sum()))
    x, y = starts[used] - starts[used].mean(), off[used]
    drift = float(np.sum(x * y) / np.sum(x**2))
    rest = y - y.mean() - drift * x
    u = float(np.sqrt(np.sum(rest**2) / (y.size - 2)))
    return Sync(
        float(y.mean()) * 1e3,
        u / float(np.sqrt(y.size)) * 1e3,
        drift * 1e6,
        u / float(np.sqrt(np.sum(x**2))) * 1e6,
        int(y.size),
        used,
    )


def _near_the_line(x: Floats, y: Floats) -> npt.NDArray[np.bool_]:
    """Leave out what is no beep of the clock: far off the median line."""
    slope, start, *_ = stats.theilslopes(y, x)
    rest = y - start - slope * x
    spread = robust_spread(rest, about=0)
    return np.asarray(np.abs(rest) <= max(_OUTLIER * spread, 2e-3))


def _too_few(count: int) -> CannotMeasure:
    return CannotMeasure(
        f"{count} beeps of the clock were heard; {_LEAST} are needed.",
        "Switch the clock's beep on, turn the sound up, and film for ten seconds or more.",
    )
