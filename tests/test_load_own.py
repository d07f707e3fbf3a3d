"""Loads of flights that another simulator flew: ramps of thrust, filters, a stop, turned axes.

The equations here (thrust table, mass that burns off, drag, exponential filters) share nothing
with the project's rendered logger. Truth is the simulated motion.
"""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.air import from_heights
from seeworthy.procedures.load.measure import analyse
from seeworthy.procedures.load.series import clean

G = 9.80665
_STEP = 1e-3


def _fly(burn: float, push: float, drag: float, shape: tuple[float, ...]) -> dict[str, np.ndarray]:
    """Fly straight up: thrust by a table of even knots, one tenth of the mass burnt off."""
    mass, v, h, moving = 1.0, 0.0, 0.0, False
    knots = np.linspace(0.0, burn, len(shape))
    rows = []
    for t in np.arange(-3.0, 30.0, _STEP):
        thrust = push * G * float(np.interp(t, knots, shape, 0.0, 0.0))
        felt = (thrust - drag * v * abs(v)) / mass
        moving = moving or felt > G
        if not moving:
            felt = G
        fallen = moving and v < 0 and t > burn
        rows.append((t, h, v, -G if fallen else felt))
        if not fallen:
            v += (felt - G) * _STEP
        else:
            v = max(v - G * _STEP, -8.0)
        h = max(h + v * _STEP, 0.0)
        mass -= 0.1 * thrust / (push * G * burn) * _STEP
        if fallen and h == 0.0:
            break
    t, h, v, a = np.array(rows).T
    climb = a - G
    k = int(np.argmax(v))
    start = float(t[np.argmax(v > 1e-3)])
    return {"t": t, "h": h, "v": v, "felt": a, "dv": climb, "length": np.array(t[k] - start),
            "speed": np.array(v[k]), "top": np.array(h.max())}  # fmt: skip


def _filtered(y: np.ndarray, constant: float) -> np.ndarray:
    out, state = np.empty_like(y), y[0]
    for i, x in enumerate(y):
        state += (x - state) * (1 - np.exp(-_STEP / constant))
        out[i] = state
    return out


def _accel(flight: dict[str, np.ndarray], rate: float, constant: float = 0.0, limit: float = 0.0,
           removed: bool = False) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    rng = np.random.default_rng(7)
    felt = _filtered(flight["felt"], constant) if constant else flight["felt"]
    t = np.arange(flight["t"][0], flight["t"][-1], 1 / rate) + 0.3 / rate
    y = np.interp(t, flight["t"], felt) - (G if removed else 0.0)
    y = np.round((y + 0.2 * rng.standard_normal(t.size)) / 0.05) * 0.05
    return t, np.clip(y, -limit, limit) if limit else y


RAMPS = (0.0, 1.3, 1.2, 1.1, 1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.0)


@pytest.mark.parametrize(
    ("rate", "constant"), [(20.0, 0.0), (50.0, 0.006), (100.0, 0.0), (400.0, 0.006)]
)
def test_a_push_that_rises_and_fades_has_its_length(rate, constant):
    flight = _fly(1.6, 9.0, 1.5e-3, RAMPS)
    found = analyse(clean(*_one_axis(*_accel(flight, rate, constant))), ("z",), None)
    length = next(f for f in found.figures if f.measurand == "boost_time")
    assert length.low <= flight["length"] <= length.high
    assert length.high - length.low < 0.16 * length.value


def _one_axis(t: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return t, y[:, None]


def test_a_log_without_gravity_that_hangs_the_other_way_is_no_push_of_minutes():
    # Under its parachute the sensor reads -2 g once gravity is taken out: for most of the log.
    flight = _fly(1.2, 10.0, 1e-3, RAMPS)
    found = analyse(clean(*_one_axis(*_accel(flight, 50.0, removed=True))), ("z",), None)
    speed = next(f for f in found.figures if f.measurand == "max_speed")
    assert speed.low <= flight["speed"] <= speed.high
    assert found.facts["direction"].startswith("+")


def test_two_flights_in_an_acceleration_log_are_said():
    y = _accel(_fly(1.2, 10.0, 1e-3, RAMPS), 50.0)[1]
    rest = np.full(400, G) + 0.1 * np.random.default_rng(1).standard_normal(400)
    both = np.r_[y, rest, y]
    with pytest.raises(CannotMeasure, match="2 flights"):
        analyse(clean(*_one_axis(np.arange(both.size) / 50.0, both)), ("z",), None)


def test_heights_do_not_give_two_stages_as_one_push():
    # Thrust, nothing for a second, thrust again: 3.2 s in all, the first push lasts 1.1 s.
    flight = _fly(3.2, 9.0, 4e-4, (1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0))
    t = np.arange(-3.0, flight["t"][-1], 0.05)
    h = np.interp(t - 0.03, flight["t"], flight["h"])
    found = analyse(None, (), from_heights(clean(t, np.round(h / 0.1) * 0.1)))
    assert not {"boost_time", "mean_boost_acceleration"} & {f.measurand for f in found.figures}
    speed = next(f for f in found.figures if f.measurand == "max_speed")
    assert speed.low <= float(flight["v"].max()) <= speed.high


def test_a_sensor_that_is_turned_over_and_back_is_no_launch():
    # Lying, one g the one way, one g the other: as free flight after a push would read.
    turned = np.r_[np.zeros(500), -G * np.ones(80), G * np.ones(400), np.zeros(300)]
    turned += 0.2 * np.random.default_rng(2).standard_normal(turned.size)
    with pytest.raises(CannotMeasure, match="no launch"):
        analyse(clean(*_one_axis(np.arange(turned.size) / 50.0, turned)), ("z",), None)


def test_one_sample_of_a_push_tells_no_speed():
    flight = _fly(0.07, 60.0, 4e-3, (1.0, 1.0))
    found = analyse(clean(*_one_axis(*_accel(flight, 15.0))), ("z",), None)
    assert not {"max_speed", "apogee"} & {f.measurand for f in found.figures}
    assert "samples of the push" in found.facts["left_out"][0]


@pytest.mark.parametrize(
    ("burn", "push", "drag", "stop"), [(0.15, 55.0, 4.5e-3, 16), (0.1, 70.0, 1.2e-2, 8)]
)
def test_the_speed_of_a_sensor_at_its_stop_comes_from_the_coast_that_it_felt(
    burn, push, drag, stop
):
    # A light craft with much drag: what it loses behind the push is the larger part. By heights
    # alone, a tenth of a second late, the second would be told 5 to 14 % too fast.
    flight = _fly(burn, push, drag, (0.7, 1.0, 1.0, 0.5))
    t = np.arange(-3.0, flight["t"][-1], 0.04)
    late = np.interp(t - 0.08, flight["t"], flight["h"])  # a barometer, 80 ms late
    heights = from_heights(clean(t, late + 0.2 * np.random.default_rng(3).standard_normal(t.size)))
    accel = clean(*_one_axis(*_accel(flight, 200.0, limit=stop * G)))
    found = analyse(accel, ("z",), heights)
    speed = next(f for f in found.figures if f.measurand == "max_speed")
    assert speed.low <= flight["speed"] <= speed.high
    assert abs(speed.value / flight["speed"] - 1) < 0.03
