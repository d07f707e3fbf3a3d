"""Low light: the level at which the picture stops being usable, its bounds, bad readings."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import BadQuantity, CannotMeasure, WrongCall
from seeworthy.media.frames import ColourTags
from seeworthy.media.light import light
from seeworthy.observe.grey_patches import INK, PAPER_DENSITY, U_NOMINAL
from seeworthy.optics.light_reading import LEVELS, like
from seeworthy.procedures.low_light import study
from seeworthy.procedures.low_light.measure import SNR_LIMIT, Point, Rule, least_usable
from seeworthy.procedures.noise.curve import at_grey
from seeworthy.procedures.noise.measure import measure_level
from seeworthy.publish.figures import render
from seeworthy.targets.edges import LOW_TONE
from seeworthy.virtual.dim_light import DimCamera

ROOT = Path(__file__).parents[1]
SNR = Rule("snr", 20.0)


def judge(values, lux=(400, 100, 25, 6.25), u=0.1, u_light=0.05, rule=SNR):
    points = [v if isinstance(v, Point) else Point(v, u) for v in values]
    return least_usable(lux, [u_light * x for x in lux], {rule.name: points}, [rule])


# --- geometry -----------------------------------------------------------------


def test_the_limit_is_interpolated_over_the_logarithm_of_light():
    found = judge([30, 26, 14, 8])
    assert found.lux == pytest.approx(50.0)  # half-way in stops between 100 and 25 lx
    assert found.interval[0] < 50 < found.interval[1]
    assert found.bound == ""
    assert found.binds == "snr"


def test_the_order_of_the_takes_does_not_matter():
    one = judge([30, 26, 14, 8])
    other = judge([14, 30, 8, 26], (25, 400, 6.25, 100))
    assert other.lux == pytest.approx(one.lux)


def test_the_first_rule_that_is_lost_binds():
    lux = (400, 100, 25)
    rules = [SNR, Rule("sharpness", 0.5)]
    figures = {
        "snr": [Point(30, 0.1), Point(26, 0.1), Point(14, 0.1)],
        "sharpness": [Point(1, 0.0), Point(0.4, 0.01), Point(0.3, 0.01)],
    }
    found = least_usable(lux, [1, 1, 1], figures, rules)
    assert found.binds == "sharpness"
    assert found.lux == pytest.approx(400 / 4 ** (0.5 / 0.6))
    assert found.crossings["snr"] == pytest.approx(50.0)


def test_a_sharp_edge_of_readings_makes_a_narrow_interval_and_doubt_a_wide_one():
    narrow = judge([30, 26, 14, 8], u=0.05, u_light=0.01)
    wide = judge([30, 26, 14, 8], u=1.5, u_light=0.15)
    assert wide.u > 2 * narrow.u
    shared = judge([30, 26, 14, 8], u=0.05, u_light=0.01, rule=Rule("snr", 20.0, 1.5))
    assert shared.u > 2 * narrow.u


def test_never_lost_is_an_upper_bound():
    found = judge([40, 36, 32, 28])
    assert found.bound == "upper"
    assert found.lux == pytest.approx(6.25)
    assert found.interval[0] == 0.0
    assert 6.25 <= found.interval[1] < 7.5
    assert found.crossings["snr"] is None


def test_lost_from_the_start_is_a_lower_bound():
    found = judge([18, 12, 8, 2])
    assert found.bound == "lower"
    assert found.interval[0] <= 400
    assert found.interval[1] == math.inf


def test_a_take_that_drowned_fails_and_one_that_was_not_measured_is_passed_over():
    drowned = judge([30, 26, Point(0, 0, "failed"), Point(0, 0, "failed")])
    assert 25 <= drowned.interval[0] < 40
    assert 75 < drowned.interval[1] <= 120
    passed = judge([30, Point(0, 0, "unknown"), 14, 8])
    assert passed.lux == pytest.approx(400 / 16 ** (10 / 16))


def test_a_rate_that_jumps_may_have_jumped_anywhere_between():
    found = judge([1, 1, 0.5, 0.5], u=0.0, rule=Rule("snr", 0.75, stepwise=True))
    assert found.lux == pytest.approx(50.0)
    assert found.interval[0] < 28
    assert found.interval[1] > 90


def test_one_level_is_refused():
    with pytest.raises(CannotMeasure, match="one light level only"):
        judge([30, 20], (100, 101))
    with pytest.raises(CannotMeasure, match="Neither noise nor sharpness"):
        judge([Point(0, 0, "unknown")] * 4)


@pytest.mark.slow
def test_intervals_hold_the_true_light():
    inside = 0
    true = DimCamera().least_lux(20.0)
    for seed in range(100):
        rng = np.random.default_rng(seed)
        lux = 800.0 / 2 ** np.cumsum(rng.uniform(1.2, 2.0, 7))
        shared = 0.4 * rng.standard_normal()
        points = [
            Point(DimCamera().snr(x) + 0.1 * rng.standard_normal() + shared, 0.1) for x in lux
        ]
        read = lux * np.exp(0.05 * rng.standard_normal(len(lux)) + 0.05 * rng.standard_normal())
        found = least_usable(
            list(read), list(0.07 * read), {"snr": points}, [Rule("snr", 20.0, 0.4)]
        )
        inside += found.interval[0] <= true <= found.interval[1]
    assert 90 <= inside <= 99


@pytest.mark.slow
def test_intervals_hold_the_truth_through_print_meter_and_noise():
    usable = takes = inside = 0
    for seed in range(100):
        held, count, end = _through(np.random.default_rng([7, seed]))
        inside, takes, usable = inside + held, takes + count, usable + end
    assert 0.90 <= inside / takes <= 0.99
    assert 90 <= usable <= 99


def _through(rng):
    """One camera, print and meter: SNR intervals that hold, takes, whether the light's does."""
    curve = light(ColourTags("limited", 1, 1, 1), 8)
    paper = 10**-PAPER_DENSITY
    grey = INK + LOW_TONE * (paper - INK)
    camera = DimCamera(
        full_well=rng.uniform(4000, 9000), read=rng.uniform(3, 7),
        base_lux=rng.uniform(150, 400), most_gain=rng.uniform(12, 32),
    )  # fmt: skip
    printed = ((paper, 0.04 * paper), (grey, math.log(10) * U_NOMINAL * grey))
    true = [paper + printed[0][1] * rng.standard_normal()]
    true.append(grey * 10 ** (-U_NOMINAL * rng.standard_normal()))
    end = camera.least_lux(20)
    lux = [max(camera.base_lux * 1.5, 3 * end)]
    while lux[-1] > end / 1.3 and len(lux) < 9:
        lux.append(lux[-1] / 2 ** rng.uniform(1.2, 2))
    meter, points, read, held, shared = 1 + 0.0175 * rng.standard_normal(), [], [], 0, 0.0
    for one in lux:
        taken, levels = camera.at(one), []
        for reflectance, (known, u) in zip(true, printed, strict=True):
            scene = np.full((40, 40), reflectance * taken.exposure)
            frames = np.stack(list(taken.camera.film(scene, 16, rng)))
            level = measure_level("", curve.linear(frames))
            levels.append(replace(level, reflectance=known, u_reflectance=u))
        found = at_grey(levels, "reflectance")
        held += found.interval()[0] <= camera.snr(one) <= found.interval()[1]
        shared = max(shared, found.u_shared)
        points.append(Point(found.snr, math.sqrt(found.u_snr**2 - found.u_shared**2)))
        ev = math.log2(one * meter * 100 / 330) + 0.1 * rng.standard_normal()
        read.append(3.3 * 2 ** round(ev, 1))
    rule = Rule("snr", 20.0, shared)
    usable = least_usable(read, [0.0714 * x for x in read], {"snr": points}, [rule])
    return held, len(lux), usable.interval[0] <= end <= usable.interval[1]


# --- published ----------------------------------------------------------------------


def test_the_limit_is_the_ten_to_one_of_iso_12232():
    # ISO 12232, noise-based speed: 10:1 is 'acceptable' (from memory).
    assert math.isclose(SNR_LIMIT, 20 * math.log10(10))


def test_typical_levels_are_those_of_the_published_table(published):
    rows = published("illuminance_levels.csv")
    assert len(LEVELS) == len(rows)
    page = (ROOT / "docs" / "light.md").read_text(encoding="utf-8")
    for level in LEVELS:
        assert f"| {level.condition} |" in page
        assert level.source in page
    assert like(48).condition == "Living room"


def test_light_of_meters_stands_in_the_documentation(published):
    page = (ROOT / "docs" / "light.md").read_text(encoding="utf-8")
    for row in published("light_meter_ev.csv"):
        ev = int(row["EV_at_ISO100"])
        if ev % 2 == 0 and 0 <= ev <= 14:
            assert f"| {ev} | {float(row['E_lux_C250_flat']):.4g} |" in page


# --- the procedure ------------------------------------------------------------------


@pytest.fixture(scope="module")
def takes(tmp_path_factory):
    """Three levels of a camera that ends at some 26 lx."""
    folder = tmp_path_factory.mktemp("low")
    rng = np.random.default_rng(3)
    camera = DimCamera(full_well=5000, read=6, wash=0.15)
    bench = study._Bench(10**-0.07, 0.04 + 0.22 * (10**-0.07 - 0.04), 1.0)
    lux = (500.0, 90.0, 18.0)
    paths = [folder / f"level_{i}.mkv" for i in range(3)]
    for path, one in zip(paths, lux, strict=True):
        study.film(path, camera, bench, one, rng)
    return camera, paths, lux


@pytest.fixture(scope="module")
def outcome(takes):
    _, paths, lux = takes
    return measure("low-light", paths, readings={"light": [f"{x:g} lx ± 3 %" for x in lux]}).outcome


def test_the_usable_light_is_found(takes, outcome):
    camera = takes[0]
    true = study.truth(camera)
    usable = outcome.results[0]
    assert usable.measurand == "usable_lux"
    assert usable.interval[0] < true < usable.interval[1]
    assert usable.value == pytest.approx(true, rel=0.25)
    assert usable.conditions["criterion"].startswith("SNR 20 dB, sharpness 50 %")
    assert outcome.findings["fails_first"] == "signal over noise"
    assert "usable down to about" in outcome.sentence


def test_every_take_has_its_figures(takes, outcome):
    camera, _, lux = takes
    snr = [r for r in outcome.results if r.measurand == "snr_18"]
    assert [r.conditions["light"] for r in snr] == list(lux)
    for r in snr:
        assert r.value == pytest.approx(camera.snr(r.conditions["light"]), abs=0.5)
    kept = [r for r in outcome.results if r.measurand == "sharpness_kept"]
    for r in kept:
        true = study._mtf50(camera.at(r.conditions["light"]).sigma) / study._mtf50(camera.sigma)
        assert r.value == pytest.approx(true, rel=0.05)
    rates = [r.value for r in outcome.results if r.measurand == "frame_rate"]
    assert rates == pytest.approx([30, 30, 30], rel=1e-3)
    assert list(outcome.findings["exposure_at_most_ms"].values()) == pytest.approx(
        [33.33] * 3, abs=0.02
    )


def test_pictures_and_figures_can_be_drawn(outcome):
    assert [p.name for p in outcome.pictures] == ["take_1.png", "take_2.png", "take_3.png"]
    assert {f.name for f in outcome.figures} == {"snr_light", "sharpness_light"}
    assert render(outcome.figures[0], "svg").startswith(b"<svg")


def test_a_stricter_limit_needs_more_light(takes, outcome):
    _, paths, lux = takes
    found = measure(
        "low-light", paths[:2], readings={"light": [f"{x:g} lx" for x in lux[:2]]},
        options={"least_snr": ["26 dB"], "least_sharpness": ["60 %"]},
    ).outcome  # fmt: skip
    assert found.results[0].value > outcome.results[0].value
    assert found.results[0].conditions["criterion"].startswith("SNR 26 dB, sharpness 60 %")


# --- bad input ----------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 1, 2, 4])
def test_one_light_reading_belongs_to_each_file(takes, count):
    with pytest.raises(WrongCall, match=r"light reading|needs the reading"):
        measure("low-light", takes[1], readings={"light": ["100 lx"] * count})


@pytest.mark.parametrize("text", ["5 mm", "12 EV", "0 lx", "dark", "20 degC"])
def test_a_reading_that_is_no_light_is_refused(takes, text):
    with pytest.raises(BadQuantity):
        measure("low-light", takes[1], readings={"light": ["500 lx", "90 lx", text]})


def test_one_file_is_not_enough(takes):
    with pytest.raises(WrongCall):
        measure("low-light", takes[1][:1], readings={"light": ["500 lx"]})


@pytest.mark.parametrize("options", [{"least_snr": ["x"]}, {"least_sharpness": ["2"]}])
def test_limits_are_checked(takes, options):
    with pytest.raises(WrongCall):
        measure(
            "low-light", takes[1], readings={"light": ["500 lx", "90 lx", "18 lx"]}, options=options
        )


def test_a_bare_number_is_taken_as_lux_and_that_is_said(takes):
    found = measure("low-light", takes[1][:2], readings={"light": ["500", "90 lx"]}).outcome
    assert any("lux" in text or "lx" in text for text in found.warnings if "no unit" in text)


def test_a_scene_without_edge_and_grey_is_refused(tmp_path):
    from seeworthy.virtual.coders import record
    from seeworthy.virtual.noise_camera import NoiseCamera

    paths = []
    for i, level in enumerate((0.4, 0.1)):
        paths.append(tmp_path / f"{i}.mkv")
        frames = NoiseCamera().film(np.full((96, 128), level), 12, np.random.default_rng(i))
        record(paths[-1], frames)
    with pytest.raises(CannotMeasure, match="neither a slanted edge nor a known grey"):
        measure("low-light", paths, readings={"light": ["400 lx", "100 lx"]})
    card = {"grey": ["10,10,80,80"]}
    found = measure("low-light", paths, readings={"light": ["400 lx", "100 lx"]}, options=card)
    assert found.outcome.results[0].conditions["bound"] == "upper"


def test_a_take_that_moves_is_refused_by_name(takes, tmp_path):
    from seeworthy.virtual.coders import record
    from seeworthy.virtual.noise_camera import code

    rng = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(640), np.arange(360))
    wave = [np.sin((x + 0.3 * i) / 9) * np.sin(y / 11) for i in range(16)]
    path = tmp_path / "moved.mkv"
    record(path, (code(0.2 + 0.1 * w + 0.003 * rng.standard_normal(x.shape)) for w in wave))
    with pytest.raises(CannotMeasure, match=r"'moved\.mkv': The scene does not stand still"):
        measure("low-light", [takes[1][0], path], readings={"light": ["500 lx", "90 lx"]})


def test_budgets_add_up_by_what_is_drawn():
    lux = [400.0, 100.0, 25.0, 6.0]
    points = {"snr": [Point(v, 0.3) for v in (34, 28, 22, 16)]}

    def shares(u_light, shared):
        found = least_usable(lux, [u_light * v for v in lux], points, [Rule("snr", 20.0, shared)])
        assert math.hypot(*(c.part for c in found.budget)) == pytest.approx(found.u)
        return {c.name: c.part / found.u for c in found.budget}

    meter, tones = shares(0.3, 0.1), shares(0.01, 2.0)
    assert meter["light"] > 0.9 > 0.3 > meter["what all takes share"]
    assert tones["what all takes share"] > 0.9 > 0.3 > tones["light"]
