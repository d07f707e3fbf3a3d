"""Beeps of the bench clock: found in sound, and held against whole seconds."""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.sync.measure import BeepListener, fit_sync

RATE = 48000


def beep_starts(samples: np.ndarray, rate: float) -> np.ndarray:
    """Seconds from the first sample at which beeps start, fed in parts as a pass feeds them."""
    listener = BeepListener(round(rate))
    for part in np.array_split(samples, max(1, samples.size // 4096)):
        listener.feed(part, listener.samples / rate)
    listener.finish()
    return np.array(sorted(listener.starts))


@pytest.mark.parametrize("late", [-0.120, 0.0, 0.035])
def test_offset_and_drift_are_found_in_noise(late: float) -> None:
    chance = np.random.default_rng(4)
    truth = np.arange(1, 20) * (1 + 50e-6) + late
    time = np.arange(21 * RATE) / RATE
    sound = chance.normal(0, 0.02, time.size)
    for start in truth:
        on = (time >= start) & (time < start + 0.05)
        sound[on] += 0.2 * np.sin(2 * np.pi * 1000 * (time[on] - start))
    starts = beep_starts(sound, RATE)
    assert starts == pytest.approx(truth, abs=1e-3)
    found = fit_sync(starts)
    assert found.offset_ms == pytest.approx(late * 1e3 + 0.5, abs=0.3)  # 10 s of 50 ppm
    assert found.drift_ppm == pytest.approx(50, abs=max(15, 3 * found.drift_u_ppm))


def test_silence_and_noise_hold_no_beeps() -> None:
    assert beep_starts(np.zeros(RATE), RATE).size == 0
    assert beep_starts(np.random.default_rng(1).normal(0, 0.1, 5 * RATE), RATE).size == 0
    with pytest.raises(CannotMeasure, match="0 beeps"):
        fit_sync(np.empty(0))
