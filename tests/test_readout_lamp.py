"""Read-out from lamp bands: made bands, published panels, what must be refused."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.readout.lamp import measure_lamp
from seeworthy.procedures.readout.run import _tolerance
from seeworthy.virtual.lamp import Lamp

HEIGHT = 720


def made_bands(
    lamp: Lamp,
    readout: float,
    *,
    height: int = HEIGHT,
    rate: float = 30.0,
    count: int = 40,
    exposure: float = 0.001,
    noise: float = 2e-4,
    seed: int = 1,
    columns: int = 4,
):
    """Return times, rows and row brightness, (K, R, C), of a scene under the lamp."""
    rng = np.random.default_rng(seed)
    rows = np.arange(0.0, height, 2)
    times = np.arange(count) / rate
    t = times[:, None] + rows[None, :] * readout / height
    scene = 0.05 * np.exp(0.4 * np.sin(rows / 37) + 0.2 * np.cos(rows / 11))
    light = scene * lamp.exposed(t, exposure)
    return times, rows, light[:, :, None] + noise * rng.standard_normal((*light.shape, columns))


def measured(lamp, readout, *, frequency=None, u=0.0, height=HEIGHT, rate=30.0, **made):
    times, rows, light = made_bands(lamp, readout, height=height, rate=rate, **made)
    return measure_lamp(times, rows, light, frequency or lamp.frequency, u, height, 1 / rate)


@pytest.mark.parametrize("bands", [1.0, 1.5, 2.5, 6.4, 14.2])
@pytest.mark.parametrize("kind", ["sine", "rectified", "square"])
def test_bands_give_the_read_out_they_were_made_with(kind, bands):
    readout = 0.021
    frequency = bands / readout
    found = measured(Lamp(frequency, kind, 0.5, 0.4, 0.15), readout)
    limit = 0.005 if bands >= 2.5 else 0.02
    assert found.row_time * HEIGHT == pytest.approx(readout, rel=limit)
    assert abs(found.row_time * HEIGHT - readout) < 4 * found.u * HEIGHT
    assert found.bands == pytest.approx(bands, rel=limit)
    assert not found.upwards


def test_rows_read_from_the_bottom_are_seen():
    times, rows, light = made_bands(Lamp(110.0, "rectified", 0.6), 0.020)
    found = measure_lamp(times, rows, light[:, ::-1], 110.0, 0.0, HEIGHT, 1 / 30)
    assert found.upwards
    assert found.row_time * HEIGHT == pytest.approx(0.020, rel=0.005)


def test_strong_harmonics_are_not_the_fundamental():
    """A switched lamp on for a tenth of its period has nine strong harmonics."""
    found = measured(Lamp(217.0, "square", 1.0, 0.1), 0.012, exposure=0.0003)
    assert found.row_time * HEIGHT == pytest.approx(0.012, rel=0.005)
    assert found.depth[1] > 0.5 * found.depth[0]


def test_an_aliased_frequency_is_not_the_fundamental():
    """At 30 Hz the second harmonic of 100 Hz moves like the fundamental run backwards."""
    found = measured(Lamp(100.0, "square", 0.9, 0.25), 0.011)
    assert found.row_time * HEIGHT == pytest.approx(0.011, rel=0.01)
    assert not found.upwards


@pytest.mark.parametrize("true", [100.06, 100.1, 99.8, 100.2])
def test_mains_may_be_a_little_off(true):
    # 0.1 % either way, rectangular, is what the procedure takes for mains typed without a ±.
    found = measured(
        Lamp(true, "rectified", 0.5), 0.025, frequency=100.0, u=0.1 / math.sqrt(3), count=120
    )
    assert found.frequency == pytest.approx(true, rel=2e-4)
    assert found.row_time * HEIGHT == pytest.approx(0.025, rel=5e-4)
    assert abs(found.row_time * HEIGHT - 0.025) < 2 * found.u * HEIGHT
    assert found.u < 1e-3 * found.row_time


def test_a_frequency_typed_as_exact_but_wrong_is_said():
    found = measured(Lamp(100.2, "rectified", 0.5), 0.025, frequency=100.0, u=0.0, count=120)
    assert not found.agrees
    assert found.frequency == pytest.approx(100.2, rel=2e-4)


def test_the_tolerance_goes_by_the_kind_of_lamp():
    assert _tolerance(100.0, 0.29, False) == pytest.approx(0.1 / math.sqrt(3))
    assert _tolerance(100.0, 0.29, True) == pytest.approx(0.1 / math.sqrt(3))
    assert _tolerance(500.0, 2.9, False) == 2.9
    assert _tolerance(500.0, 0.003, False) == pytest.approx(0.5 / math.sqrt(3))


def test_slow_drift_over_a_long_clip_is_enough():
    rate = 30000 / 1001
    found = measured(Lamp(120.0, "rectified", 0.8), 0.022, rate=rate, count=300)
    assert found.row_time * HEIGHT == pytest.approx(0.022, rel=0.005)


def test_led_panels_of_the_literature(published):
    """Ringaby and Forssén, Int. J. Comput. Vis. 96:335 (2012): read-out of phones A to G.

    Bands are made with the bar period that the table gives for a 500 Hz panel.
    """
    for row in published("rolling_shutter.csv"):
        height, rate = int(row["H"]), float(row["fps"])
        readout = float(row["readout_ms"]) / 1e3
        period = float(row["bar_period_rows_LED_500Hz"])
        made_readout = height / (period * 500)
        lamp = Lamp(500.0 + 0.07 * rate, "square", 0.8, 0.4)  # 500 Hz itself may stand still
        found = measured(lamp, made_readout, height=height, rate=rate, exposure=0.0005)
        assert found.row_time * height == pytest.approx(readout, rel=2e-3)
        assert found.row_time * 1e6 == pytest.approx(float(row["row_time_us = t/H"]), rel=2e-3)
        assert height / found.bands * lamp.frequency / 500 == pytest.approx(period, rel=2e-3)


def test_bands_that_stand_still_are_said():
    with pytest.raises(CannotMeasure, match="stand still"):
        measured(Lamp(120.0, "rectified", 0.8), 0.022)


def test_steady_light_is_refused():
    with pytest.raises(CannotMeasure, match="No moving bands"):
        measured(Lamp(100.0, "sine", 0.0), 0.022)


def test_less_than_a_band_is_refused():
    with pytest.raises(CannotMeasure, match=r"(Only 0\.\d+ of a band|No moving bands|too faint)"):
        measured(Lamp(100.0, "sine", 0.5), 0.0052)


def test_a_clipped_picture_is_refused():
    times, rows, light = made_bands(Lamp(100.0, "sine", 0.3), 0.02)
    with pytest.raises(CannotMeasure, match="clipped"):
        measure_lamp(times, rows, np.clip(light * 60, 0, 1), 100.0, 0.0, HEIGHT, 1 / 30)


def test_a_short_clip_is_refused():
    with pytest.raises(CannotMeasure, match="too short"):
        measured(Lamp(100.0), 0.02, count=4)


def test_the_interval_grows_with_the_lamp_s_own_uncertainty():
    sure = measured(Lamp(107.0), 0.02)
    unsure = measured(Lamp(107.0), 0.02, u=1.07)
    # Two percent are not what is left: the bands tell the frequency, the camera's quartz
    # (1e-4 either way, rectangular) bounds it.
    left = unsure.u_frequency / unsure.frequency
    assert 1e-4 / math.sqrt(3) < left < 1e-3
    assert math.hypot(sure.u / sure.row_time, left) == pytest.approx(
        unsure.u / unsure.row_time, rel=0.05
    )
