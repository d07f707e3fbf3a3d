"""`load` on real loggers' files, by hand, and on files that are no flight."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure, SeeworthyError, UnreadableInput, WrongCall
from seeworthy.media.source import Source
from seeworthy.procedures import procedure
from seeworthy.procedures.declare import gather
from seeworthy.procedures.load.study import CASES, draw
from seeworthy.virtual.flight_dynamics import fly
from seeworthy.virtual.flight_logs import Logger, as_csv, model_rocket, record

LOGS = Path(__file__).parent / "published" / "flightlogs"
LOAD = procedure("load")
G0 = 9.80665


def measure(*files, readings=None, options=None):
    sources = [Source.of(LOGS / f if isinstance(f, str) else f) for f in files]
    return LOAD.run(gather(LOAD, {"": sources}, readings or {}, options or {}))


def first(outcome):
    return {r.measurand: r for r in reversed(outcome.results)}


def holds(result, value):
    return result.interval[0] <= value <= result.interval[1]


@pytest.fixture(scope="module")
def rendered():
    """A model rocket's log by a sound logger, and its truth; the study draws its faults."""
    rng = np.random.default_rng(3)
    return record(fly(model_rocket(rng)), Logger(rate=100, height_rate=20, begin=1.5), rng)


@pytest.fixture
def put(tmp_path):
    def write(name, text):
        path = tmp_path / name
        path.write_text(text)
        return path

    return write


# Published and logged figures: open flight data, see published/README.md.


def test_ndrt_2020():
    """0.87 g on the pad, 10.8 g axial at 0.424 s, 4331.88 ft; published apogee 1316.75 m."""
    outcome = measure("ndrt2020_accel_altitude.csv")
    found = first(outcome)
    assert holds(found["peak_acceleration"], (10.8 - 1) * G0)
    assert holds(found["felt_peak"], 10.8)
    assert outcome.findings["peak_time"] == pytest.approx(0.424, abs=0.001)
    assert holds(found["apogee"], 1316.75)
    assert found["apogee"].value == pytest.approx(4331.88 * 0.3048, abs=2.0)
    assert outcome.findings["gravity"] == "included"
    assert outcome.findings["pad"]["reads_g"] == pytest.approx(0.85, abs=0.03)
    assert 3.1 < found["boost_time"].value < 3.6
    assert outcome.method == "fused"


def test_prometheus_2022():
    """Gravity taken out by the logger; 257.62 m/s² is the ejection; published 3898.37 m."""
    outcome = measure("prometheus2022_baro_accel_0-60s.csv")
    found = first(outcome)
    assert outcome.findings["gravity"] == "removed"
    assert holds(found["apogee"], 3898.37)
    assert found["apogee"].value == pytest.approx(3895, abs=10)
    assert holds(found["max_speed"], 317.88)  # the logger's own integral
    assert holds(found["peak_acceleration"], 89.59)
    peaks = [r for r in outcome.results if r.measurand == "peak_acceleration"]
    assert [r.conditions["phase"] for r in peaks] == ["boost", "ejection"]
    assert peaks[1].value == pytest.approx(257.62)
    assert outcome.findings["acceleration_log"]["repeated_times"] > 400


def test_juno_3():
    """Published 3213 m is an ejection-pressure spike; the smooth trace tops at 3150 m."""
    outcome = measure("juno3_altimeter.csv")
    found = first(outcome)
    assert holds(found["apogee"], 3150.2)
    assert found["apogee"].value == pytest.approx(3150, abs=15)
    assert outcome.findings["pressure_spike"]["highest_sample_m"] == pytest.approx(3213, abs=5)
    assert outcome.findings["height_log"]["left_out"] >= 2
    assert "peak_acceleration" in outcome.findings["lower_bound"]


def test_cavour():
    """Published and logged 2789 m; the logger's own speed reaches 314 m/s."""
    outcome = measure("cavour_altitude.csv")
    found = first(outcome)
    assert holds(found["apogee"], 2789)
    assert found["apogee"].value == pytest.approx(2789, rel=0.003)
    assert holds(found["max_speed"], 314)
    assert outcome.findings["height_log"]["gaps_s"]


def test_a_thermometer_narrows_the_apogee():
    wide = first(measure("cavour_altitude.csv"))["apogee"]
    narrow = first(measure("cavour_altitude.csv", readings={"site_temperature": ["15 degC ± 1"]}))
    assert narrow["apogee"].u < 0.5 * wide.u


def test_channel_class_lowers_a_single_sample_peak():
    plain = first(measure("ndrt2020_accel_altitude.csv"))["peak_acceleration"]
    outcome = measure("ndrt2020_accel_altitude.csv", options={"filter": ["cfc60"]})
    assert first(outcome)["peak_acceleration"].value < 0.85 * plain.value
    assert outcome.findings["bandwidth"]["cfc"] == 60


def test_what_a_column_was_taken_for_is_shown():
    outcome = measure("ndrt2020_accel_altitude.csv")
    rows = {r["header"].strip(): r for r in outcome.findings["columns"]}
    assert rows["Axial Accel (Gs)"]["unit"] == "g"
    assert rows["Altitude (Ft-AGL)"]["unit"] == "ft"
    json.dumps(outcome.findings)


def test_figures_have_equal_columns():
    for figure in measure("cavour_altitude.csv").figures:
        lengths = {len(c) for c in figure.columns.values()}
        assert len(lengths) == 1
        assert lengths.pop() <= 500


# By hand.


def test_hand_and_log_stand_side_by_side():
    outcome = measure(
        "ndrt2020_accel_altitude.csv",
        readings={"boost_height": ["256 m ± 10 m"], "boost_duration": ["3.3 s ± 0.1 s"]},
    )
    means = [r for r in outcome.results if r.measurand == "mean_boost_acceleration"]
    assert [r.conditions["method"] for r in means] == ["fused", "hand"]
    assert any("they agree" in w for w in outcome.warnings)


def test_half_a_hand_estimate_is_refused():
    with pytest.raises(WrongCall, match="boost_height and boost_duration"):
        measure(readings={"boost_height": ["130 ft"]})
    with pytest.raises(WrongCall, match="needs a log"):
        measure()


# Dialects and clocks.


@pytest.mark.parametrize("style", ["metric", "us", "plain"])
def test_dialects_give_the_same_figures(rendered, put, style):
    found = first(measure(put("log.csv", as_csv(rendered, style))))
    for name in ("peak_acceleration", "felt_peak", "boost_time", "max_speed", "apogee"):
        assert holds(found[name], rendered.path.truth[name]), name


def test_three_axes_without_units(put):
    log = draw(CASES[7], np.random.default_rng(8))
    outcome = measure(put("log.csv", as_csv(log, "plain")))
    found = first(outcome)
    assert holds(found["peak_acceleration"], log.path.truth["peak_acceleration"])
    assert any("together they read" in w for w in outcome.warnings)


def test_two_loggers_with_two_clocks(rendered, put):
    lines = as_csv(rendered).splitlines()
    accel = "\n".join(line.rsplit(",", 1)[0] for line in lines)
    rows = [line.split(",") for line in lines[1:]]
    baro = "\n".join(
        ["time_s,pressure_Pa", *(f"{float(r[0]) + 123.4:.4f},{r[-1]}" for r in rows if r[-1])]
    )
    outcome = measure(put("a.csv", accel), put("b.csv", baro))
    assert outcome.method == "fused"
    assert outcome.findings["clock_offset"] == pytest.approx(-123.4, abs=0.1)
    assert holds(first(outcome)["apogee"], rendered.path.truth["apogee"])


# Bad input.


def test_nan_gaps_and_repeats(rendered, put):
    rng = np.random.default_rng(1)
    lines = as_csv(rendered).splitlines()
    out = [lines[0]]
    for line in lines[1:]:
        cells = line.split(",")
        if rng.random() < 0.05:
            cells[1] = "nan"
        if rng.random() < 0.03:
            continue
        out.append(",".join(cells))
        if rng.random() < 0.05:
            out.append(",".join(cells))
    outcome = measure(put("dirty.csv", "\n".join(out)))
    found = first(outcome)
    for name in ("peak_acceleration", "mean_boost_acceleration", "max_speed", "apogee"):
        assert holds(found[name], rendered.path.truth[name]), name
    assert outcome.findings["acceleration_log"]["repeated_times"] > 10


BAD = {
    "no numbers": ("hello\nworld,foo\nbar,baz\n", UnreadableInput, "no table of numbers"),
    "one row": ("time_s,height_m\n0.0,1.0\n", SeeworthyError, "usable samples|fewer than two"),
    "no flight column": (
        "time_s,temp_C\n" + "".join(f"{i},{20 + i % 2}\n" for i in range(50)),
        CannotMeasure,
        "neither height, pressure nor acceleration",
    ),
    "never leaves": (
        "time_s,height_m\n" + "".join(f"{i * 0.1:.1f},{i % 2}\n" for i in range(100)),
        CannotMeasure,
        "no launch",
    ),
    "pressure unit": (
        "time_s,pressure [hPa]\n" + "".join(f"{i * 0.1:.1f},{95000 + i}\n" for i in range(100)),
        CannotMeasure,
        "not that of air",
    ),
    "300 g": (
        "time_s,accel [g]\n"
        + "".join(f"{i * 0.01:.2f},{300 if 50 < i < 300 else 0}\n" for i in range(500)),
        CannotMeasure,
        "not that of a flight",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_are_refused_in_one_sentence(put, name):
    text, kind, words = BAD[name]
    with pytest.raises(kind, match=words) as caught:
        measure(put("bad.csv", text))
    assert caught.value.hint


def test_time_running_backwards(rendered, put):
    lines = as_csv(rendered).splitlines()
    half = len(lines) // 2
    with pytest.raises(CannotMeasure, match="backwards"):
        measure(put("back.csv", "\n".join([lines[0], *lines[half:], *lines[1:half]])))


def test_a_log_that_ends_on_the_pad(rendered, put):
    lines = as_csv(rendered).splitlines()
    rest = [x for x in lines[1:] if float(x.split(",")[0]) < 2.9]
    with pytest.raises(CannotMeasure, match="no launch"):
        measure(put("still.csv", "\n".join([lines[0], *rest])))


def test_wrong_units_are_told_by_physics(rendered, put):
    text = as_csv(rendered).replace("accel_x_m_s2", "accel_x_g")
    with pytest.raises(CannotMeasure, match=r"m/s2 that were read as g") as caught:
        measure(put("wrong.csv", text))
    assert "units=acceleration:m/s2" in caught.value.hint
    mended = measure(put("wrong.csv", text), options={"units": ["acceleration:m/s2"]})
    assert holds(first(mended)["max_speed"], rendered.path.truth["max_speed"])
    with pytest.raises(CannotMeasure, match="height may be in ft but was read as m"):
        measure("ndrt2020_accel_altitude.csv", options={"units": ["height:m"]})
    with pytest.raises(CannotMeasure, match="may be in g but was read as m/s2"):
        measure("ndrt2020_accel_altitude.csv", options={"units": ["acceleration:m/s2"]})


def test_g_is_no_gram_here():
    outcome = measure("ndrt2020_accel_altitude.csv", options={"units": ["acceleration:g"]})
    assert holds(first(outcome)["felt_peak"], 10.8)


# Height is height.


def test_the_height_figure_of_a_flat_launch_shows_height_not_way(put):
    """A glide of some metres, launched at 10 to 25 degrees: the way is three times as long."""
    for seed in (3, 8):
        log = draw(CASES[7], np.random.default_rng(seed))
        outcome = measure(put("flat.csv", as_csv(log)))
        figure = next(f for f in outcome.figures if f.name == "height")
        rows = zip(*(figure.columns[k] for k in ("time", "value", "low", "high")), strict=True)
        rows = [r for r in rows if None not in r]
        drawn = np.array(rows)
        path = log.path
        part = (drawn[:, 0] > path.events["launch"]) & (drawn[:, 0] < path.time[-1])
        truth = np.interp(drawn[part, 0], path.time, path.height)
        assert np.abs(drawn[part, 1] - truth).max() < 1.5
        inside = (drawn[part, 2] <= truth) & (truth <= drawn[part, 3])
        assert inside.mean() > 0.85
        way = float(np.trapezoid(path.speed, path.time))
        assert way > 3 * drawn[:, 1].max()


def test_a_plan_from_a_flat_launch_stands_at_the_measured_heights(put):
    from seeworthy.judge.plan.from_log import flight_from_log

    log = draw(CASES[7], np.random.default_rng(8))
    plan = flight_from_log([put("flat.csv", as_csv(log))])
    assert plan.legs
    for leg in plan.legs:
        truth = float(np.interp(leg.time, log.path.time, log.path.height))
        assert leg.distance.value == pytest.approx(truth, abs=1.0)


# What the reader must not answer.


def climbing(scale=1.0, header="Time (s),Altitude", quote=False):
    """6 g of net push for 1.5 s, then a free coast; truth 495 m with the drag of the coast."""
    t = np.arange(0, 30, 0.05)
    x = np.clip(t - 2.0, 0, None)
    v = np.where(x < 1.5, 6 * G0 * x, 6 * G0 * 1.5 - G0 * (x - 1.5))
    h = np.cumsum(np.where((v > 0) | (x < 2), v, -8.0)) * 0.05
    h = np.clip(h, 0, None) * scale
    cells = [f'"{y:,.1f}"' if quote else f"{y:.1f}" for y in h]
    return "\n".join([header, *(f"{a:.2f},{c}" for a, c in zip(t, cells, strict=True))]), h / scale


def test_quoted_thousands_give_the_same_flight(put):
    plain, height = climbing(3.28084, "Time (s),Altitude (ft)")
    quoted, _ = climbing(3.28084, "Time (s),Altitude (ft)", True)
    a, b = (first(measure(put(f"{i}.csv", x))) for i, x in enumerate((plain, quoted)))
    assert a["apogee"].value == b["apogee"].value
    assert holds(b["apogee"], height.max())
    assert holds(b["mean_boost_acceleration"], 6 * G0)


def test_feet_without_a_unit_are_asked_for(put):
    text, height = climbing(3.28084)
    with pytest.raises(CannotMeasure, match="are in ft but were read as m") as caught:
        measure(put("feet.csv", text))
    assert "units=height:ft" in caught.value.hint
    found = first(measure(put("feet.csv", text), options={"units": ["height:ft"]}))
    assert holds(found["apogee"], height.max())


def test_a_log_without_flight_columns_says_its_header(put):
    text = "serial,12345\n\nA,B\n" + "".join(f"{i},{i % 7}\n" for i in range(50))
    with pytest.raises(CannotMeasure, match=r"line 2 was read as its header.*'A', 'B'"):
        measure(put("x.csv", text))
