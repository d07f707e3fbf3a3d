"""Where in a log a clip lies, and how the logger's axes stand to the camera's: a first answer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure

Floats = npt.NDArray[np.float64]

# Common practice, no source: a correlation below this is no likeness at all.
_LEAST_LIKENESS = 0.6
# Another place of the log may not be nearly as alike (a judgement).
_SECOND_BEST = 0.93
_FINE = 0.3  # of the frame interval: buzz of the frame is averaged over this
_APART = 0.6  # s: nearer places belong to the same peak


@dataclass(frozen=True, slots=True, eq=False)
class Gyro:
    """A log of three axes.

    Attributes:
        time: (n,). s, rising.
        rate: (n, 3). rad/s.
    """

    time: Floats
    rate: Floats

    def angle(self) -> Floats:
        """Return the integral of the rate from the first sample on, (n, 3), rad."""
        step = (self.rate[1:] + self.rate[:-1]) / 2 * np.diff(self.time)[:, None]
        return np.vstack([np.zeros(3), np.cumsum(step, axis=0)])

    def smoothed(self, width: float) -> Floats:
        """Return `angle` averaged over a moving stretch of `width` seconds, (n, 3)."""
        # By the integral, since loggers that write in bursts leave gaps.
        angle, t = self.angle(), self.time
        step = (angle[1:] + angle[:-1]) / 2 * np.diff(t)[:, None]
        area = np.vstack([np.zeros(3), np.cumsum(step, axis=0)])
        low, high = np.maximum(t - width / 2, t[0]), np.minimum(t + width / 2, t[-1])
        parts = [np.interp(high, t, area[:, i]) - np.interp(low, t, area[:, i]) for i in range(3)]
        return np.asarray(np.stack(parts, axis=1) / (high - low)[:, None])

    def between(self, angle: Floats, start: Floats, end: Floats) -> Floats:
        """Return the rotation between two moments, (..., 3), rad."""
        parts = [
            np.interp(end, self.time, angle[:, i]) - np.interp(start, self.time, angle[:, i])
            for i in range(3)
        ]
        return np.stack(parts, axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """First answer.

    Attributes:
        offset: s to add to the clip's time to get the log's.
        axes: (3, 3). Rows: camera axes in those of the logger; determinant −1 where the log's three
            columns are a left-handed set.
        scale: Rotation by the log over rotation by the picture about x and y.
        likeness: 0 to 1.
    """

    offset: float
    axes: Floats
    scale: float
    likeness: float


def align(time: Floats, rate: Floats, interval: float, gyro: Gyro) -> Alignment:
    """Find the clip in the log.

    Args:
        time, rate: (n,), (n, 3). Of the picture: s, rad/s; NaN where not known.
        interval: Between frames, s.

    Raises:
        CannotMeasure: Nowhere alike, or alike in more than one place.
    """
    seen = np.isfinite(rate).all(1)
    grid = np.arange(time[seen][0], time[seen][-1], interval)
    picture = np.stack([np.interp(grid, time[seen], rate[seen, i]) for i in range(3)], 1)
    picture -= picture.mean(0)
    angle = gyro.angle()
    moments = np.arange(gyro.time[0] + interval / 2, gyro.time[-1] - interval / 2, interval)
    log = gyro.between(angle, moments - interval / 2, moments + interval / 2) / interval
    shares, lags, cross = _correlate(picture, log - log.mean(0))
    best = int(np.argmax(shares))
    rivals = shares[np.abs(lags - lags[best]) > _APART / interval]
    if shares[best] < _LEAST_LIKENESS:
        raise CannotMeasure(
            f"Clip and log are nowhere alike (likeness {shares[best]:.2f} at best).",
            "Give the log of this clip, with its gyroscope's three axes; switch off steadying; "
            "and turn the camera briskly by hand, about all axes, once before the flight.",
        )
    if len(rivals) and rivals.max() > _SECOND_BEST * shares[best]:
        raise CannotMeasure(
            "The clip fits in more than one place of the log.",
            "Turn the camera irregularly by hand once, so that the log has a mark of its own.",
        )
    axes = _rotation(cross[best])
    # Camera's rotation by the log; about x and y the picture's scales with the focal length.
    index = np.arange(len(grid)) + lags[best]
    inside = (index >= 0) & (index < len(log))
    turned = log[index[inside]] @ axes.T
    shown = picture[inside]
    scale = float((turned[:, :2] * shown[:, :2]).sum() / max((shown[:, :2] ** 2).sum(), 1e-12))
    coarse = float(moments[0] - grid[0] + lags[best] * interval)
    offset = _finer(time[seen], rate[seen], interval, gyro, coarse)
    return Alignment(offset, axes, scale, float(shares[best]))


def _finer(time: Floats, rate: Floats, interval: float, gyro: Gyro, coarse: float) -> float:
    """Return the offset where a line through the log explains most of the picture's motion."""
    angle = gyro.smoothed(_FINE * interval)
    tried = coarse + interval * np.linspace(-1.5, 1.5, 61)
    left = []
    for offset in tried:
        start = time + offset - interval / 2
        log = gyro.between(angle, start, start + interval)
        design = np.column_stack([log, np.ones(len(log))])
        fitted = design @ np.linalg.lstsq(design, rate, rcond=None)[0]
        left.append(float((((rate - fitted) ** 2).sum(0)).sum()))
    best = int(np.argmin(left))
    if not 0 < best < len(tried) - 1:
        return float(tried[best])
    a, b, c = left[best - 1 : best + 2]
    shift = (a - c) / (2 * (a - 2 * b + c)) if a - 2 * b + c > 0 else 0.0
    return float(tried[best] + shift * (tried[1] - tried[0]))


def _correlate(picture: Floats, log: Floats) -> tuple[Floats, npt.NDArray[np.int64], Floats]:
    """Return the likeness at every lag, the lags, and the 3×3 sums of products there."""
    n, m = len(picture), len(log)
    size = 1 << (n + m).bit_length()
    a = np.fft.rfft(picture, size, axis=0)
    b = np.fft.rfft(log, size, axis=0)
    cross = np.fft.irfft(np.conj(a)[:, :, None] * b[:, None, :], size, axis=0)
    ones = np.conj(np.fft.rfft(np.ones(n), size))
    energy_log = np.fft.irfft(ones * np.fft.rfft((log**2).sum(1), size), size)
    sums = np.fft.irfft(ones[:, None] * np.fft.rfft(log, size, axis=0), size, axis=0)
    # About the mean of the stretch: beyond the clip the craft may have turned for long.
    energy_log = energy_log - (sums**2).sum(1) / n
    energy_picture = np.fft.irfft(
        np.conj(np.fft.rfft((picture**2).sum(1), size)) * np.fft.rfft(np.ones(m), size), size
    )
    # The clip may hang over an end of the log by a fifth.
    lags = np.arange(-(n // 5), m - n + n // 5 + 1)
    if not len(lags):
        raise CannotMeasure("The log is much shorter than the clip.", "Give the whole log.")
    place = lags % size
    values = np.linalg.svd(cross[place], compute_uv=False).sum(1)
    whole = np.sqrt(np.maximum(energy_log[place] * energy_picture[place], 1e-18))
    most = float(energy_picture.max())
    # Where hardly anything moves in the log, rounding would look alike.
    shares = np.where(energy_log[place] > 1e-6 * most, values / whole, 0.0)
    return shares, lags, cross[place]


def _rotation(cross: Floats) -> Floats:
    """Return the orthogonal matrix that turns log axes into camera axes (Kabsch 1976).

    A left-handed set of columns is taken for one only where the third axis carries
    something that says so.
    """
    u, s, vt = np.linalg.svd(cross)
    sign = np.sign(np.linalg.det(u @ vt))
    # Third singular value against the first: noise alone gives little.
    if sign < 0 and s[2] < 0.15 * s[0]:
        u = u * np.array([1, 1, -1.0])
    return np.asarray(u @ vt)
