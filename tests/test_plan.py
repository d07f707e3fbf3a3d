"""Plans: geometry of lean, blur, ground; margins; verdicts; advice; wrong files."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from seeworthy.ground.errors import WrongCall
from seeworthy.ground.results import result
from seeworthy.judge.plan.advice import advise
from seeworthy.judge.plan.camera import FlownCamera
from seeworthy.judge.plan.flight import read_flight
from seeworthy.judge.plan.predict import predict
from seeworthy.judge.plan.prediction import word

W, H = 1280, 720


def camera(**figures):
    """A camera with exact figures unless a test says otherwise."""
    found = {
        "hfov": [result("hfov", 53.13010235, 1e-6)],  # w = d: focal length is exactly W
        "readout_time": [result("readout_time", 20.0, 1e-6)],
        "exposure_time": [result("exposure_time", 4.0, 1e-6)],
        **figures,
    }
    found = {k: v for k, v in found.items() if v}
    return FlownCamera("Dunlin", found, frame=(W, H))


def plan(text, **figures):
    found = predict(read_flight(text, "test"), camera(**figures))
    return {p.name: p for p in found}


PASSING = """
[motion]
speed = "10 m/s ± 0 m/s"
distance = "20 m ± 0 m"
looks = "side"
spin = "0 Hz ± 0 Hz"
[accept]
lean = "3 deg"
"""


# Geometry.


def test_lean_of_a_passing_upright():
    # v = f V / d = 1280 * 10 / 20 = 640 px/s; over 20 ms that is 12.8 px of 720 rows.
    found = plan(PASSING)
    assert found["lean_px"].value == pytest.approx(12.8, rel=1e-3)
    assert found["lean"].value == pytest.approx(math.degrees(math.atan(12.8 / 720)), rel=1e-3)
    assert found["lean"].verdict == "fine"


@pytest.mark.parametrize("said", ["", "[motion]\nspeed = '2 m/s'\ndistance = '20 m'\n"])
def test_a_plan_that_says_nothing_of_roll_or_swing_is_not_fine(said):
    found = plan(said)
    assert found["lean"].verdict == found["blur"].verdict == "not known"
    assert "spin" in found["lean"].missing
    # Passing alone that is too fast already is not saved by not knowing more.
    fast = plan("[motion]\nspeed = '60 m/s'\ndistance = '10 m'\n")
    assert fast["lean"].verdict == "will not do"


def test_the_margin_is_of_the_next_run():
    # Common practice in statistics (prediction interval): mean ± t(n-1) s sqrt(1 + 1/n).
    # Two runs of 28 and 26 min: s = sqrt(2), one degree of freedom, t = 12.706.
    runs = [result("run_time", 27, 1.0, n=2, dof=1, conditions={"temperature": 20.0})]
    text = '[recording]\nduration = "24 min ± 0 min"\n[scene]\ntemperature = "20 degC ± 0 degC"\n'
    found = plan(text, run_time=runs)["battery_margin"]
    half = 12.706 * math.sqrt(2) * math.sqrt(1.5)
    assert found.interval[1] == pytest.approx((27 + half) / 24, rel=0.05)
    assert found.verdict == "may not do"
    # Of many runs the next one still scatters by s, while their mean is known well.
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(400):
        made = rng.normal(60, 3, 9)
        mean, s = made[:8].mean(), made[:8].std(ddof=1)
        eight = [result("run_time", mean, s / math.sqrt(8), n=8, dof=7)]
        found = plan('[recording]\nduration = "1 min ± 0 min"\n', run_time=eight)["battery_margin"]
        inside += found.interval[0] <= made[8] <= found.interval[1]
    low, high = stats.binomtest(inside, 400).proportion_ci(0.99)
    assert low <= 0.95 <= high


def test_rolling_shutter_formulas_published(published):
    # Ringaby and Forssen 2012 read-out times; shear of a vertical edge dx = v t, atan(v t / H).
    row = next(r for r in published("rolling_shutter_formulas.csv") if "31.98 ms" in r["case"])
    pixels, degrees = (float(part.split()[0]) for part in row["value"].split(";"))
    found = plan(PASSING, readout_time=[result("readout_time", 31.98, 1e-6)])
    assert found["lean_px"].value == pytest.approx(pixels, rel=1e-3)
    assert found["lean"].value == pytest.approx(degrees, rel=1e-3)


def test_ground_sample_distance_published(published):
    for row in published("ground_sample_distance.csv"):
        focal = float(row["focal_mm"]) / float(row["pixel_um"]) * 1000
        width = int(row["W_px"])
        hfov = 2 * math.degrees(math.atan(width / 2 / focal))
        text = f'[motion]\ndistance = "{row["height_m"]} m ± 0 m"\n'
        one = FlownCamera(
            "x", {"hfov": [result("hfov", hfov, 1e-7)]}, frame=(width, int(row["H_px"]))
        )
        found = {p.name: p for p in predict(read_flight(text, "t"), one)}
        assert found["ground_pixel"].value == pytest.approx(float(row["GSD_m"]), abs=6e-6)
        assert found["ground_width"].value == pytest.approx(float(row["footprint_w_m"]), abs=1e-3)


def test_a_motion_that_is_not_said_is_not_nought():
    """A flight with a length alone leans by nobody knows what, not by 0."""
    found = plan('title = "x"\n[recording]\nduration = "10 min"\n[accept]\nlean = "3 deg"')
    assert found["lean"].value is None
    assert "speed" in found["lean"].missing
    assert "lean_px" not in found


def test_turned_camera_stretches_instead_of_leaning():
    found = plan(PASSING.replace('looks = "side"', 'looks = "side"\nmoves_along = "height"'))
    assert found["lean"].value == pytest.approx(0, abs=1e-9)
    assert found["stretch"].value == pytest.approx(100 * 12.8 / 720, rel=1e-3)


def test_blur_is_image_speed_times_exposure():
    assert plan(PASSING)["blur"].value == pytest.approx(640 * 0.004, rel=1e-3)


def test_turning_about_the_line_of_sight():
    text = '[motion]\nspin = "2 Hz ± 0 Hz"\nspin_moves = "turns"\n'
    found = plan(text)
    turned = 2 * math.pi * 2 * 0.020
    assert found["lean"].value == pytest.approx(math.degrees(turned), rel=1e-3)
    assert found["wobble"].value == pytest.approx(turned / 2 * math.hypot(W, H) / 2, rel=1e-3)
    # A corner of the frame goes round with the angle that passes in 4 ms of exposure.
    corner = 2 * math.pi * 2 * 0.004 * math.hypot(W, H) / 2
    assert found["blur"].value == pytest.approx(corner, rel=1e-3)


def test_vibration_saturates_at_its_full_travel():
    # 0.1 deg amplitude at f = 1280 px is 2.234 px; at 200 Hz a 20 ms read-out sees all of it.
    text = '[motion]\nvibration = "0.1 deg ± 0 deg"\nvibration_frequency = "200 Hz"\n'
    amplitude = 1280 * math.tan(math.radians(0.1))
    assert plan(text)["wobble"].value == pytest.approx(2 * amplitude, rel=1e-3)
    slow = plan(text.replace("200 Hz", "5 Hz ± 0 Hz"))["wobble"].value
    assert slow == pytest.approx(2 * amplitude * math.sin(math.pi * 5 * 0.02), rel=1e-3)


# Propagation.


def test_interval_of_the_lean_holds_the_uncertainty_of_everything():
    text = PASSING.replace("± 0 m/s", "± 1 m/s").replace('± 0 m"', '± 1 m"')
    found = plan(text, readout_time=[result("readout_time", 20, 1.0)])["lean_px"]
    expected = 12.8 * math.sqrt(0.1**2 + 0.05**2 + 0.05**2)  # GUM first order, relative
    assert found.u == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(
    ("chance", "verdict"), [(1, "fine"), (0.95, "fine"), (0.5, "may not do"), (0.05, "will not do")]
)
def test_verdict_words(chance, verdict):
    assert word(chance) == verdict


# Light, cold, card, files, loads.


def lit(light, ms):
    return result("exposure_time", ms, 1e-6, conditions={"light": light})


def test_exposure_is_interpolated_between_measured_lights():
    text = PASSING + '\n[scene]\nlight = "1000 lx ± 0 lx"\n'
    found = plan(text, exposure_time=[lit(100.0, 16.0), lit(10000.0, 1.0)])
    assert found["blur"].value == pytest.approx(640 * 0.004, rel=1e-3)
    assert "extrapolated" not in found["blur"].why


def test_a_darker_flight_than_measured_is_said_and_widened():
    text = PASSING + '\n[scene]\nlight = "100 lx ± 0 lx"\n'
    found = plan(text, exposure_time=[lit(1000.0, 4.0)])["blur"]
    assert "darker" in found.why
    assert found.interval[0] == pytest.approx(640 * 0.004, rel=0.1)
    assert found.interval[1] == pytest.approx(640 * 0.040, rel=0.1)


def minutes(temperature, value, u=0.5):
    return result("run_time", value, u, conditions={"temperature": temperature})


COLD = '[scene]\ntemperature = "0 degC ± 0 degC"\n[recording]\nduration = "40 min ± 0 min"\n'


def test_cold_battery_margin_follows_two_temperatures():
    found = plan(COLD, run_time=[minutes(20.0, 60), minutes(5.0, 45)])["battery_margin"]
    assert found.value == pytest.approx(40 / 40, rel=0.02)
    assert found.verdict == "may not do"


def test_colder_than_anything_measured_is_said_and_widened():
    near = plan(COLD, run_time=[minutes(20.0, 60), minutes(5.0, 45)])["battery_margin"]
    text = COLD.replace("0 degC ± 0", "-20 degC ± 0")
    far = plan(text, run_time=[minutes(20.0, 60), minutes(5.0, 45)])["battery_margin"]
    assert "beyond anything measured" in far.why
    assert far.u > near.u


def test_one_temperature_only_is_widened_by_a_published_cell():
    found = plan(COLD, run_time=[minutes(20.0, 60)])["battery_margin"]
    # Kollmeyer's cell kept 0.828 of its energy at 0 degC against 25 degC.
    assert found.interval[0] < 60 * 0.86 / 40 < found.interval[1]
    assert "second temperature" in found.why


def test_card_margin_published(published):
    # card_capacity_time.csv: 32 GB at 8 Mbit/s lasts 32000 s.
    row = next(
        r
        for r in published("card_capacity_time.csv")
        if r["card_GB_decimal"] == "32" and r["bitrate_Mbit_s"] == "8"
    )
    text = '[recording]\nduration = "60 min ± 0 min"\ncard = "32 GB ± 0 GB"\n'
    found = plan(text, bit_rate_mean=[result("bit_rate_mean", 8, 1e-6)])["card_margin"]
    whole = float(row["fill_time_s"]) / 3600
    assert whole * 0.97 <= found.value <= whole  # what endurance takes off a label


def test_gaps_inside_the_flight():
    text = '[recording]\nduration = "25 min ± 0 min"\n[load]\nboost_time = "0.5 s ± 0 s"\n'
    found = plan(
        text,
        segment_length=[result("segment_length", 10, 1e-6)],
        gap=[result("gap", 1.5, 1e-6)],
    )
    assert found["lost_time"].value == pytest.approx(3.0, rel=1e-3)
    assert found["boost_in_gap"].value == pytest.approx(100 * 2.0 / 600, rel=1e-3)


def test_load_margin_says_that_survived_is_not_rated():
    flight = read_flight('[load]\npeak = "20 g ± 0 g"\n', "t")
    one = FlownCamera("x", {}, survived=(30.0, 4), failure_bound=0.53)
    found = {p.name: p for p in predict(flight, one)}["load_margin"]
    assert found.value == pytest.approx(1.5)
    assert "not rated" in found.why
    assert "4 flights" in found.why


def test_what_is_missing_names_the_test_to_do():
    found = plan(PASSING, readout_time=[])
    assert found["lean"].verdict == "not known"
    assert "readout" in found["lean"].missing


# Advice.


def test_turning_the_camera_mends_a_lean():
    flight = read_flight(PASSING.replace("10 m/s", "60 m/s"), "t")
    before = predict(flight, camera())
    assert {p.name: p for p in before}["lean"].verdict == "will not do"
    found = advise(flight, camera, before)
    turned = next(a for a in found if "90°" in a.text)
    assert "lean of uprights" in turned.mends


def test_external_power_mends_a_cold_battery():
    flight = read_flight(COLD, "t")
    make = lambda: camera(run_time=[minutes(20.0, 30), minutes(5.0, 25)])  # noqa: E731
    found = advise(flight, make, predict(flight, make()))
    assert any("externally" in a.text for a in found)


def test_a_plan_that_is_fine_needs_no_advice():
    flight = read_flight(PASSING, "t")
    assert advise(flight, camera, predict(flight, camera())) == [] or all(
        p.verdict != "may not do" for p in predict(flight, camera())
    )


def test_legs_give_the_ground_over_height():
    text = """
[[leg]]
time = "0 s"
speed = "20 m/s"
distance = "10 m ± 0 m"
[[leg]]
time = "5 s"
speed = "10 m/s"
distance = "100 m ± 0 m"
"""
    found = plan(text)
    assert found["ground_width@0s"].value == pytest.approx(10, rel=1e-3)
    assert found["ground_width@5s"].value == pytest.approx(100, rel=1e-3)


# Wrong files.


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[motion]\nspeed = "3 kg"\n', 2, "m/s"),
        ('[motion]\nspeed = "-3 m/s"\n', 2, "cannot be negative"),
        ('[motion]\nlooks = "up"\n', 2, "down, side, ahead"),
        ('[motion]\nswing = "3 deg"\n', 1, "go together"),
        ('[moton]\nspeed = "3 m/s"\n', 1, "no meaning"),
        ('[recording]\npower = "solar"\n', 2, "own, external"),
        ('[[leg]]\ntime = "1 s"\nspeed = "1 m/s"\n', 1, "no distance"),
    ],
)
def test_a_wrong_plan_gets_a_line_and_a_reason(text, line, words):
    with pytest.raises(WrongCall) as caught:
        read_flight(text, "test")
    assert f"line {line}:" in caught.value.message
    assert words in caught.value.message


def test_same_seed_same_answer():
    text = PASSING.replace("± 0 m/s", "± 1 m/s")
    assert plan(text)["lean"].value == plan(text)["lean"].value
    assert np.isfinite(plan(text)["lean"].u)
