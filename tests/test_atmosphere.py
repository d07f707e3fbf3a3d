"""Standard atmosphere and the step from pressure to height above a launch site."""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.load.air import from_heights, from_pressure
from seeworthy.procedures.load.atmosphere import (
    GAS,
    LaunchSite,
    geometric,
    geopotential,
    height_above,
    pressure_height,
    site_from_readings,
    standard_density,
    standard_pressure,
    standard_sound_speed,
    standard_temperature,
)
from seeworthy.procedures.load.series import clean


def column(rows, name):
    return np.array([float(r[name]) for r in rows])


def test_heights_and_pressures_undo_each_other():
    h = np.array([-4000.0, -10.0, 0.0, 10999.0, 11001.0, 20001.0, 31000.0, 46000.0])
    assert pressure_height(standard_pressure(h)) == pytest.approx(h, abs=1e-6)
    assert geopotential(geometric(h)) == pytest.approx(h, abs=1e-6)


def test_layers_join_without_a_step():
    for base in (11000.0, 20000.0, 32000.0):
        below, above = standard_pressure([base - 1e-6, base + 1e-6])
        assert below == pytest.approx(above, rel=1e-9)


def test_not_a_pressure_is_not_a_height():
    assert np.isnan(pressure_height([0.0, -5.0, np.nan])).all()


def test_warmer_air_stretches_heights():
    site = LaunchSite(101325.0, warmer=28.815)
    plain, _ = height_above(95000.0, LaunchSite(101325.0))
    warm, u = height_above(95000.0, site)
    # Ten per cent warmer at the pad, a little more than that in the cooler air above.
    assert 1.10 < float(warm / plain) < 1.105
    assert float(u) == pytest.approx(float(plain) * 10.0 / 288.15, rel=0.02)


def test_a_site_thermometer_narrows_the_air():
    known = site_from_readings(95000.0, 290.0, None, 0.5)
    unknown = site_from_readings(95000.0, None, None)
    assert known.u_warmer < 2.0 < unknown.u_warmer
    assert known.warmer == pytest.approx(290.0 - float(standard_temperature(pressure_height(95e3))))


def test_isa_1976(published):
    """ISO 2533:1975, US Standard Atmosphere 1976 Table I."""
    rows = published("isa_1976.csv")
    h = column(rows, "geopotential_H_m")
    # Tolerances are half the last digit of the table.
    assert geometric(h) == pytest.approx(column(rows, "geometric_Z_m"), abs=0.00501)
    assert standard_temperature(h) == pytest.approx(column(rows, "T_K"), abs=0.000501)
    assert standard_pressure(h) == pytest.approx(column(rows, "p_Pa"), abs=0.00501)
    assert standard_density(h) == pytest.approx(column(rows, "rho_kg_m3"), abs=0.00000501)
    assert standard_sound_speed(h) == pytest.approx(column(rows, "a_m_s"), abs=0.000501)


def test_pressure_to_altitude(published):
    rows = published("pressure_to_altitude.csv")
    found = pressure_height(column(rows, "p_hPa") * 100)
    assert found == pytest.approx(column(rows, "H_m (ISA exact constants)"), abs=0.000501)


def test_hypsometric_and_temperature_rows(published):
    """Analytic rows: isothermal layer thickness; error of a standard altimeter by ΔT."""
    for row in published("flight_loads.csv"):
        case, value = row["case"], float(row["value"])
        if row["relation"].startswith("hypsometric"):
            t = float(case.split("T=")[1].split(" ")[0]) + 273.15
            site = LaunchSite(101325.0, t - 288.15)
            # Over 12 hPa the lapse takes 0.33 K off the mean, which the row leaves out.
            rise = float(height_above(100125.0, site)[0])
            assert rise * (1 + 0.327 / t) == pytest.approx(value, rel=3e-4)
        elif row["relation"].startswith("true minus indicated"):
            warmer = float(case.split("dT=")[1].split(" ")[0])
            p = 101325.0 - 10.0
            true = float(height_above(p, LaunchSite(101325.0, warmer))[0])
            shown = float(height_above(p, LaunchSite(101325.0))[0])
            assert (true / shown - 1) * 100 == pytest.approx(value, abs=0.001)


def test_a_real_altimeter_log_is_reproduced(published):
    """Open flight data (see published/README.md): the logger's own heights from its pressures."""
    rows = published("flightlogs/prometheus2022_baro_accel_0-60s.csv")
    own = pressure_height(column(rows, "pressure_Pa"))
    assert np.abs(own - column(rows, "altitude_m")).max() < 0.02


def test_altimeter_heights_are_moved_to_the_air_of_the_day():
    t = np.arange(0, 10, 0.1)
    true = 50.0 * np.clip(t - 2, 0, None)
    air_temperature = 303.15
    pressure = 101325.0 * (1 - 0.0065 * true / air_temperature) ** (9.80665 / (GAS * 0.0065))
    shown = pressure_height(pressure)
    by_height = from_heights(clean(t, shown), 101325.0, air_temperature, 0.0, 0.1)
    by_pressure = from_pressure(clean(t, pressure), 101325.0, air_temperature, 0.0, 0.1)
    assert shown[-1] < 0.96 * true[-1]
    assert by_height.series.values[-1] == pytest.approx(true[-1], rel=1e-3)
    assert by_pressure.series.values[-1] == pytest.approx(true[-1], rel=1e-3)


def test_pressures_in_another_unit_are_refused():
    t = np.arange(0, 10, 0.1)
    with pytest.raises(CannotMeasure, match="not that of air"):
        from_pressure(clean(t, np.full(t.size, 10.13)))


def test_sea_level_pressure_for_a_high_site_is_refused():
    t = np.arange(0, 10, 0.1)
    with pytest.raises(CannotMeasure, match="on the pad"):
        from_pressure(clean(t, np.full(t.size, 86000.0)), 101800.0)
