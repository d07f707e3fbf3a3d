"""Logs as strangers hand them in: other clocks, units and headers, cut logs, two flights.

Each is written here from a rendered flight whose truth is known (`seeworthy.virtual`); the ways of
writing are those of open logs and spreadsheets in several languages.
"""

from __future__ import annotations

import datetime

import numpy as np
import pytest

from seeworthy.errors import CannotMeasure, SeeworthyError
from seeworthy.procedures.study import measured
from seeworthy.virtual.flight_dynamics import GRAVITY, fly
from seeworthy.virtual.flight_logs import Logger, model_rocket, record, water_rocket


@pytest.fixture(scope="module")
def flight():
    """Return times, axial acceleration (m/s²), heights (m) and the truth of one flight."""
    rng = np.random.default_rng(20)
    log = record(fly(model_rocket(rng)), Logger(rate=20, height_rate=20, noise=0.2, step=0.02), rng)
    ratio = log.pressure / log.pressure[0]
    height = 288.15 / 0.0065 * (1 - ratio**0.190263)
    return log.time, log.acceleration[:, 0], np.interp(log.time, log.height_time, height), log.path


def told(tmp_path, text):
    path = tmp_path / "flight.csv"
    path.write_text(text, encoding="utf-8")
    return measured("load", [path])


def table(head, rows, sep=","):
    return "\n".join([head, *(sep.join(row) for row in rows)]) + "\n"


def holds(outcome, path, names=("max_speed", "boost_time", "apogee")):
    found = {r.measurand: r for r in reversed(outcome.results)}
    for name in names:
        low, high = found[name].interval
        assert low <= path.truth[name] <= high, (name, low, path.truth[name], high)


START = datetime.datetime(2024, 5, 4, 11, 59, 50)


def _iso(x):
    return (START + datetime.timedelta(seconds=x)).isoformat() + "+02:00"


def _twelve(x):
    now = START + datetime.timedelta(seconds=x)
    return now.strftime("%m/%d/%Y %I:%M:%S.%f")[:-3] + now.strftime(" %p")


@pytest.mark.parametrize(
    "clock",
    [
        _iso,
        _twelve,
        lambda x: f"{int(x // 60):02d}:{x % 60:06.3f}",
        lambda x: (START + datetime.timedelta(seconds=x)).strftime("%H:%M:%S"),
    ],
    ids=["zone", "am and pm", "minutes and seconds", "whole seconds"],
)
def test_clocks_of_all_kinds(tmp_path, flight, clock):
    t, a, h, path = flight
    rows = [
        (clock(x), f"{y / 0.3048:.1f}", f"{z / GRAVITY:.3f}")
        for x, y, z in zip(t, h, a, strict=True)
    ]
    holds(told(tmp_path, table("Stamp,Altitude (ft),Accel (g)", rows)), path)


def test_a_unit_in_brackets_knows_better_than_a_word(tmp_path, flight):
    """'Temps' is French for time and an English plural of temperature; its unit is s."""
    t, a, h, path = flight
    rows = [
        (f"{x:.3f}".replace(".", ","), f"{y:.1f}".replace(".", ","), f"{z:.2f}".replace(".", ","))
        for x, y, z in zip(t, h, a, strict=True)
    ]
    holds(told(tmp_path, table("Temps (s);Altitude (m);Acc (m/s²)", rows, ";")), path)


@pytest.mark.parametrize("head", ["n,altitude (m),accel (g)", "sample,altitude (m),accel (g)"])
def test_a_count_of_rows_is_no_time(tmp_path, flight, head):
    _, a, h, _ = flight
    rows = [
        (str(i), f"{y:.1f}", f"{z / GRAVITY:.3f}")
        for i, (y, z) in enumerate(zip(h, a, strict=True))
    ]
    with pytest.raises(SeeworthyError, match="no column of time"):
        told(tmp_path, table(head, rows))


def test_hundredths_of_a_second_read_as_thousandths_are_refused(tmp_path, flight):
    t, _, h, _ = flight
    rows = [(f"{100 * x:.0f}", f"{y:.1f}") for x, y in zip(t, h, strict=True)]
    with pytest.raises(CannotMeasure, match="another unit"):
        told(tmp_path, table("time,altitude (m)", rows))


@pytest.mark.parametrize("felt", [True, False])
def test_a_log_that_ends_in_the_climb_gives_a_bound(tmp_path, flight, felt):
    """Its last height was answered as the apogee, a third of it, with ± 7 %."""
    t, a, h, path = flight
    part = t < path.events["burnout"] + 3.0
    rows = [
        (f"{x:.3f}", f"{y:.1f}", *([f"{z:.2f}"] if felt else []))
        for x, y, z in zip(t[part], h[part], a[part], strict=True)
    ]
    said = told(tmp_path, table("time (s),altitude (m)" + (",acc (m/s2)" if felt else ""), rows))
    top = next(r for r in said.results if r.measurand == "apogee")
    assert top.conditions["bound"] == "lower"
    holds(said, path)


@pytest.mark.parametrize("felt", [True, False])
def test_a_log_that_ends_in_the_push_is_refused(tmp_path, flight, felt):
    t, a, h, path = flight
    part = t < path.events["launch"] + 0.6 * path.truth["boost_time"]
    rows = [
        (f"{x:.3f}", f"{y:.1f}", *([f"{z:.2f}"] if felt else []))
        for x, y, z in zip(t[part], h[part], a[part], strict=True)
    ]
    with pytest.raises(CannotMeasure, match="ends"):
        told(tmp_path, table("time (s),altitude (m)" + (",acc (m/s2)" if felt else ""), rows))


def test_two_flights_in_one_log_are_refused(tmp_path, flight):
    t, _, h, _ = flight
    rows = [(f"{x:.3f}", f"{y:.1f}") for x, y in zip(t, h, strict=True)]
    rows += [(f"{x + t[-1] + 20:.3f}", f"{0.8 * y:.1f}") for x, y in zip(t, h, strict=True)]
    with pytest.raises(CannotMeasure, match="holds 2 flights"):
        told(tmp_path, table("time (s),altitude (m)", rows))


def test_an_acceleration_without_sign_is_left_out(tmp_path, flight):
    """Drag after burnout reads as a push: 4 % more boost time, 4 % less speed, narrowly."""
    t, a, h, path = flight
    rows = [(f"{x:.3f}", f"{y:.1f}", f"{abs(z):.2f}") for x, y, z in zip(t, h, a, strict=True)]
    said = told(tmp_path, table("time (s),altitude (m),Total acceleration (m/s2)", rows))
    assert any("no sign" in w for w in said.warnings)
    holds(said, path)
    rows = [(row[0], row[2]) for row in rows]
    with pytest.raises(CannotMeasure, match="no sign"):
        told(tmp_path, table("time (s),Total acceleration (m/s2)", rows))


def test_a_late_barometer_and_a_short_push(tmp_path):
    """A filter of 0.12 s smears a push of 0.15 s; the speed lies inside, the length too."""
    rng = np.random.default_rng(3)
    log = record(fly(water_rocket(rng)), Logger(rate=0, height_rate=25, lag=0.12), rng)
    rows = [(f"{x:.3f}", f"{p:.1f}") for x, p in zip(log.height_time, log.pressure, strict=True)]
    holds(told(tmp_path, table("time (s),pressure (Pa)", rows)), log.path)
