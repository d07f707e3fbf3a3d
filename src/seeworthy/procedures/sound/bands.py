"""Band limits of sound from a recorded sweep.

The sweep (rising, constant level, exponential in time) is found by its ridge: windows
with one strong frequency that rises by a constant number of octaves per second. The
response along it is held against its mean from 500 Hz to 2 kHz; the band ends where
it has fallen by 6 dB. Loudspeaker and room are part of what is measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.sound.measure import Listener

Floats = npt.NDArray[np.float64]
_DOWN_DB = 6.0  # half the amplitude (common practice, no source)
_MIDDLE = (500.0, 2000.0)  # Hz about 1 kHz, the reference of sound levels (an octave each way)
_TONAL = 0.5  # of the power in one line: more tone than noise (derived)
_OFF_OCTAVES = 0.15  # about half a third-octave band (IEC 61260-1)
_LEAST_OCTAVES = 3.0  # of a sweep, to tell its pace (a judgement)


@dataclass(frozen=True, slots=True)
class BandLimit:
    """One end of the band: Hz, standard uncertainty; `bound` when the sweep ended first."""

    frequency: float
    u: float
    bound: bool


@dataclass(frozen=True, slots=True)
class Band:
    """Response along a sweep: frequencies (Hz), levels against mid-band (dB), both limits."""

    frequency: Floats
    level: Floats
    low: BandLimit
    high: BandLimit


def band(listener: Listener) -> Band:
    """Return the band limits from a recorded sweep.

    Raises:
        CannotMeasure: No sweep is heard, or it does not cover the mid-band.
    """
    octaves, power = _ridge(listener)
    order = np.argsort(octaves)
    octaves, power = octaves[order], power[order]
    grid = np.arange(octaves[0], octaves[-1] + 1e-9, 1 / 12)
    raw = np.array([_smooth(octaves, power, g) for g in grid])
    frequency = 2.0**grid
    middle = (frequency >= _MIDDLE[0]) & (frequency <= _MIDDLE[1])
    if int(middle.sum()) < 12:
        raise CannotMeasure(
            "The sweep is not heard from 500 Hz to 2 kHz.", "Play it louder and closer."
        )
    level = raw - float(raw[middle].mean())
    # What the room sends back makes fine ripple in the middle, which smoothing hides, and broad
    # ripple of the same size in the bass, which it does not.
    on = (octaves >= math.log2(_MIDDLE[0])) & (octaves <= math.log2(_MIDDLE[1]))
    fine = power[on] - np.interp(octaves[on], grid, raw)
    ripple = max(0.5, float(level[middle].std(ddof=1)), float(fine.std(ddof=1)))
    return Band(
        frequency,
        level,
        _limit(frequency, level, ripple, "low"),
        _limit(frequency, level, ripple, "high"),
    )


def _ridge(listener: Listener) -> tuple[Floats, Floats]:
    step = listener.length / listener.rate
    found = [
        (i * step, math.log2(w.peak), w.near)
        for i, w in enumerate(listener.windows)
        if w.tonal >= _TONAL and w.peak > 0 and w.near > 0
    ]
    if len(found) < 20:
        raise _none()
    time, octave, power = (np.array(c) for c in zip(*found, strict=True))
    rate, start = _steepest(time, octave)
    on = np.abs(octave - start - rate * time) <= _OFF_OCTAVES
    if rate <= 0 or int(on.sum()) < 20 or np.ptp(octave[on]) < _LEAST_OCTAVES:
        raise _none()
    # The frequency is taken from the line: a peak bin is coarse at the low end.
    return start + rate * time[on], 10 * np.log10(power[on])


def _none() -> CannotMeasure:
    return CannotMeasure(
        "No rising sweep is heard.",
        "Play the sweep of the clock page (or a sweep file) close to the microphone and record it.",
    )


def _steepest(time: Floats, octave: Floats) -> tuple[float, float]:
    """Return the line through most points (random sample consensus, fixed seed)."""
    rng = np.random.default_rng(0)
    best, kept = (0.0, 0.0), -1
    for _ in range(400):
        i, j = rng.choice(len(time), 2, replace=False)
        if abs(time[i] - time[j]) < 1.0:
            continue
        rate = (octave[j] - octave[i]) / (time[j] - time[i])
        if not 0.02 <= rate <= 5:
            continue
        start = octave[i] - rate * time[i]
        near = np.abs(octave - start - rate * time) <= _OFF_OCTAVES
        if int(near.sum()) > kept:
            kept = int(near.sum())
            fit = np.polyfit(time[near], octave[near], 1)
            best = (float(fit[0]), float(fit[1]))
    return best


def _smooth(octaves: Floats, power: Floats, at: float) -> float:
    near = np.abs(octaves - at) <= 1 / 6
    if not near.any():
        return float(np.interp(at, octaves, power))
    return float(10 * np.log10(np.mean(10 ** (power[near] / 10))))


def _limit(
    frequency: Floats, level: Floats, ripple: float, side: Literal["low", "high"]
) -> BandLimit:
    middle = int(np.argmin(np.abs(np.log2(frequency / 1000))))
    way = range(middle, -1, -1) if side == "low" else range(middle, len(frequency))
    previous = middle
    for i in way:
        if level[i] < -_DOWN_DB:
            share = (level[previous] + _DOWN_DB) / (level[previous] - level[i])
            octave = np.log2(frequency[previous])
            octave += share * (np.log2(frequency[i]) - octave)
            slope = abs(level[previous] - level[i]) * 12  # dB per octave
            u_octave = math.hypot(ripple / max(slope, 1.0), 1 / 12 / math.sqrt(12))
            value = float(2**octave)
            return BandLimit(value, value * math.log(2) * min(u_octave, 1.0), False)
        previous = i
    edge = float(frequency[0] if side == "low" else frequency[-1])
    return BandLimit(edge, edge * math.log(2) / 12, True)
