"""The tone curve in the uncertainty: files that hold another curve than the one they name.

The curves are written here from their formulas (IEC 61966-2-1; ITU-R BT.709-6 item 1.2; powers;
S-shaped contrast as a camera's "vivid" look has it, common practice, no source), and share
nothing with the project's table of transfer functions.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from seeworthy.ground.budget import Component, budget_of, budget_rows, combined
from seeworthy.ground.quantities import parse
from seeworthy.ground.results import Result
from seeworthy.media.frames import ColourTags
from seeworthy.media.light import light
from seeworthy.optics import tone
from seeworthy.procedures.noise.curve import at_grey
from seeworthy.procedures.noise.levels import NoiseTrouble, step_at
from seeworthy.procedures.noise.measure import measure_level
from seeworthy.procedures.noise.referred import (
    range_shown,
    referred,
    slope_at_grey,
    snr_result,
)
from seeworthy.procedures.shading.budget import budgets, wall
from seeworthy.procedures.shading.measure import measure_shading
from seeworthy.procedures.sharpness.measure import EdgeRegion, by_place, measure_edge
from seeworthy.procedures.sharpness.run import _budget, edge_levels


def bt709(x):
    return np.where(x < 0.018, 4.5 * x, 1.099 * np.maximum(x, 1e-9) ** 0.45 - 0.099)


def srgb(x):
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)


def s_curve(k):
    def curve(x):
        v = bt709(x)
        return v + k * v * (1 - v) * (2 * v - 1)

    return curve


CURVES = {
    "BT.709": bt709,
    "gamma 2.2": lambda x: x ** (1 / 2.2),
    "gamma 2.4": lambda x: x ** (1 / 2.4),
    "sRGB": srgb,
    "S 0.3": s_curve(0.3),
    "S 0.6": s_curve(0.6),
}
# What shading of 1.00 stop at level 0.35 comes out as under the tag BT.709
# (../shared/intervals.md 1.1, made by other code than this).
SEEN = {"BT.709": 1.0, "gamma 2.2": 0.851, "gamma 2.4": 0.786, "sRGB": 0.861, "S 0.3": 1.149,
        "S 0.6": 1.300}  # fmt: skip


def by_tag(scene, curve):
    """Light that the program makes of a scene that this curve coded, the file saying BT.709."""
    how = light(ColourTags(transfer=1, matrix=1, range="full"), 8)
    return how.decode_signal(CURVES[curve](scene)).astype(float)


def field(stops, level=0.35, uneven=0.0):
    """A grey flat field: fall-off of the lens as the radius squared, wall darker to the corners."""
    y, x = np.mgrid[:36, :64]
    r2 = (((x + 0.5) / 32 - 1) ** 2 + ((y + 0.5) / 18 - 1) ** 2) / 2
    return np.repeat((level * 2.0 ** (-(stops + uneven) * r2))[..., None], 3, axis=2)


def shading(light_seen, surface=None):
    """(value, low, high) of corner_shading."""
    found = measure_shading(light_seen, (640, 360))
    u = combined(budgets(found, surface or wall(None, None), tone.Tone())["corner_shading"])
    return found.corner, found.corner - 1.96 * u, found.corner + 1.96 * u


@pytest.mark.parametrize("curve", CURVES)
def test_a_stop_of_shading_is_held_under_a_foreign_curve(curve):
    value, low, high = shading(by_tag(field(1.0), curve), wall((0.0, 0.0), None))
    assert value == pytest.approx(SEEN[curve], abs=0.012)
    assert low <= 1.0 <= high


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize(("stops", "level"), [(0.3, 0.5), (2.0, 0.4), (1.5, 0.25)])
def test_other_falls_and_levels_are_held(curve, stops, level):
    value, low, high = shading(by_tag(field(stops, level), curve))
    assert low <= stops <= high
    # An interval of any width would hold it too: 2 · 1.96 · hypot(0.33, 0.3)/√3 of the value, which
    # is 1.01, and the wall's.
    assert high - low < 1.02 * value + 0.25


@pytest.mark.parametrize("strength", [31, 60])
@pytest.mark.parametrize(("stops", "level"), [(0.3, 0.5), (2.0, 0.4), (1.5, 0.25)])
def test_shading_under_a_flat_look_is_held(strength, stops, level):
    """Looks that are logarithmic in light, log(1 + k L), in a file tagged BT.709."""
    how = light(ColourTags(transfer=1, matrix=1, range="full"), 8)
    coded = np.log1p(strength * field(stops, level)) / np.log1p(strength)
    value, low, high = shading(how.decode_signal(coded).astype(float))
    assert value < stops
    assert low <= stops <= high


@pytest.mark.parametrize("level", [0.2, 0.32, 0.45])
def test_a_small_tint_under_a_flat_look_is_held(level):
    """A tint of 3 % in log(1 + 31 L) under the tag BT.709: it comes out 10 to 35 % too small."""
    how = light(ColourTags(transfer=1, matrix=1, range="full"), 8)
    coded = np.log1p(31 * level * np.array([1.0, 1.03])) / np.log1p(31)
    grey, tinted = how.decode_signal(coded).astype(float)
    seen, true = math.log(tinted / grey), math.log(1.03)
    plain = tone.Tone()
    without = plain.of_share(seen, level).part
    u = math.hypot(without, *(c.part for c in plain.of_flat_look(seen)))
    assert abs(seen - true) <= 1.96 * u
    assert level < 0.3 or abs(seen - true) > 1.1 * without  # SLOPE alone is narrow for it


@pytest.mark.parametrize("uneven", [0.05, 0.1, -0.1])
def test_a_wall_uneven_by_itself_is_held_and_a_reading_states_it_better(uneven):
    # The tone curve is the one named here: what the wall leaves open must be enough alone.
    found = measure_shading(field(1.0, uneven=uneven), (640, 360))
    parts = budgets(found, wall(None, None), tone.Tone())["corner_shading"]
    without_tone = combined([c for c in parts if "tone" not in c.name])
    assert abs(found.corner - 1.0) <= 1.96 * without_tone
    assert wall((0.02, 0.0), 60.0).u == pytest.approx(0.02 / math.sqrt(3))
    assert wall((0.02, 0.01), 60.0).u > wall((0.02, 0.0), 60.0).u


@pytest.mark.parametrize(
    ("angle", "limit"), [(None, 0.1), (30.0, 0.025), (60.0, 0.1), (120.0, 0.4)]
)
def test_the_walls_part_grows_as_the_square_of_the_angle(angle, limit):
    assert wall(None, angle).u == pytest.approx(limit / math.sqrt(3))
    assert "judgement" in wall(None, angle).source


def edge_picture(contrast, curve, bright=0.8, blur=1.2):
    """A slanted edge of 5°, blurred by a Gaussian, exact in light, by the tag."""
    from scipy.special import ndtr

    y, x = np.mgrid[:120, :80].astype(float)
    angle = math.radians(5)
    away = (x - 39.7) * math.cos(angle) + (y - 60) * math.sin(angle)
    dark = bright / contrast
    return by_tag(dark + (bright - dark) * ndtr(away / blur), curve)


def mtf50(contrast, curve):
    corners = np.array([[12, 10], [66, 10], [66, 108], [12, 108]], float)
    region = EdgeRegion("edge", "centre", "vertical", corners)
    noise = np.random.default_rng(1).normal(0, 1e-4, (2, 120, 80))
    frames = [edge_picture(contrast, curve) + n for n in noise]
    edge = measure_edge(frames, region, (-1.0, 2.0))
    place = by_place([edge])["centre", "vertical"]
    return place.value, combined(_budget(place, edge_levels([edge]), tone.Tone()))


@pytest.mark.parametrize("contrast", [4.0, 15.0])
@pytest.mark.parametrize("curve", [c for c in CURVES if c != "BT.709"])
def test_mtf50_is_held_under_a_foreign_curve(contrast, curve):
    truth, _ = mtf50(contrast, "BT.709")
    value, u = mtf50(contrast, curve)
    assert abs(value - truth) <= 1.96 * u
    assert u < 0.08 * value


def test_a_steeper_curve_moves_mtf50_more_than_its_scatter():
    # The check that the test above is about something: without the component it would fail.
    truth, _ = mtf50(15.0, "BT.709")
    value, _ = mtf50(15.0, "S 0.6")
    assert value / truth - 1 == pytest.approx(0.12, abs=0.02)


def test_a_budget_adds_up_and_tells_shares():
    parts = (
        Component("a", 3.0, "mm", 1.0, "normal", "reading"),
        Component("b", 2.0, "", -2.0, "rectangular"),
    )
    assert combined(parts) == pytest.approx(5.0)
    rows = budget_rows(parts)
    assert [r["share"] for r in rows] == pytest.approx([0.36, 0.64])
    assert budget_of(rows) == parts
    Result("length", 1.0, "mm", 5.0, (-9.0, 11.0), budget=parts)
    with pytest.raises(ValueError, match="add up"):
        Result("length", 1.0, "mm", 4.0, (-9.0, 11.0), budget=parts)


def test_decibels_follow_the_slope():
    # ISO 15739: noise is referred to the scene by the slope, 20 log10 of it.
    assert tone.Tone().of_decibels(0.18).part == pytest.approx(1.655, abs=0.001)


# Noise, by a camera of its own: Poisson electrons, read noise, a curve, 8 bits.

WELL, READ = 9000.0, 5.0
STEPS = (0.62, 0.48, 0.36, 0.27, 0.2, 0.14, 0.1, 0.07, 0.045)
EXPOSED = 0.8  # light of a white surface, share of full scale


def grey_levels(curve, steps=STEPS, known=True):
    rng = np.random.default_rng(5)
    how = light(ColourTags(transfer=1, matrix=1, range="full"), 8)
    found = []
    for share in steps:
        electrons = rng.poisson(WELL * EXPOSED * share, (24, 40, 40)) + rng.normal(
            0, READ, (24, 40, 40)
        )
        signal = CURVES[curve](np.clip(electrons / WELL, 1e-6, 1))
        codes = np.rint(255 * signal).astype(np.uint8)
        level = measure_level(
            f"{share}", how.linear(codes), codes, step=step_at(how, float(how.linear(codes).mean()))
        )
        u = 0.02 * math.log(10) * share  # a density known to 0.02
        found.append(replace(level, reflectance=share, u_reflectance=u) if known else level)
    return found


def true_snr():
    electrons = WELL * EXPOSED * 0.18
    return 20 * math.log10(electrons / math.sqrt(electrons + READ**2))


@pytest.mark.parametrize("curve", CURVES)
def test_snr_is_referred_to_the_scene_by_the_measured_slope(curve):
    levels = grey_levels(curve)
    shift, part, said = referred(levels, "reflectance", tone.Tone(), 0.14)
    found = snr_result(at_grey(levels, "reflectance"), {}, shift, (part,), ())
    # Rounding to codes is noise of the picture too: a tenth of a decibel here.
    assert found.value == pytest.approx(true_snr(), abs=0.35)
    assert found.interval[0] < true_snr() < found.interval[1]
    assert found.u < 0.4
    assert "measured" in said


@pytest.mark.parametrize("curve", ["gamma 2.4", "S 0.6"])
def test_without_the_slope_the_interval_holds_what_the_value_misses(curve):
    levels = grey_levels(curve, (0.18,), known=False)
    shift, part, said = referred(levels, "signal", tone.Tone(), 0.14)
    grey = at_grey(levels, "signal", levels[0].signal)
    found = snr_result(grey, {}, shift, (part,), ())
    assert shift == 0
    assert said == tone.BY_TAG
    assert abs(grey.snr - true_snr()) > 1
    assert found.interval[0] < true_snr() < found.interval[1]


def test_two_steps_tell_no_slope():
    assert slope_at_grey(grey_levels("BT.709", (0.2, 0.1))) is None


CLEAR = NoiseTrouble(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)  # no encoder took of the noise


def test_the_range_shown_counts_stops_between_known_steps():
    levels = grey_levels("gamma 2.4")
    stops, parts = range_shown(levels, tone.Tone(), CLEAR)
    bright = max(v.signal for v in levels)
    assert stops == pytest.approx(math.log2(0.62 / 0.045) - math.log2(bright))
    true = -math.log2(EXPOSED * 0.045)
    assert abs(stops - true) <= 1.96 * combined(parts)


@pytest.mark.parametrize("taken", [{"sparse": 1.2}, {"repeated": 0.6}, {"codes": 0.1}])
def test_a_step_whose_noise_an_encoder_took_shows_no_range(taken):
    """What is left of noise may be any part of it: the bound is that of the steps that kept it."""
    levels = sorted(grey_levels("gamma 2.4"), key=lambda v: v.signal)
    whole, _ = range_shown(levels, tone.Tone(), CLEAR)
    dark = [replace(v, **taken) for v in levels[:2]]
    left, _ = range_shown([*dark, *levels[2:]], tone.Tone(), CLEAR)
    first, third = levels[0].reflectance, levels[2].reflectance
    assert whole - left == pytest.approx(math.log2(third / first))
    assert range_shown([replace(v, **taken) for v in levels], tone.Tone(), CLEAR) is None


# Budgets on every face.


def test_the_budget_of_an_angle_by_hand():
    """2 atan(w / 2d): derivatives by arithmetic (JCGM 100:2008, 5.1.3)."""
    from seeworthy.engine.measure import measure

    readings = {"width": ["2 m ± 4 mm"], "distance": ["1.5 m ± 3 mm"], "squareness": ["0.001 deg"],
                "entrance_offset": ["0.001 mm ± 0.001 mm"]}  # fmt: skip
    found = measure("view", [], readings=readings).outcome.results[0]
    slope = 2 * math.degrees(1) / (1 + (2 / 3) ** 2)  # degrees per unit of w / 2d
    parts = {c.name: c for c in found.budget}
    u_width, u_distance = parse("2 m ± 4 mm").u, parse("1.5 m ± 3 mm").u
    assert parts["width"].u == pytest.approx(u_width)
    assert parts["width"].sensitivity == pytest.approx(slope / 3, rel=1e-3)
    assert parts["distance"].part == pytest.approx(slope * 2 / 3 / 1.5 * u_distance, rel=1e-3)
    assert combined(found.budget) == pytest.approx(found.u)


def test_a_budget_is_kept_and_shown(empty_bench):
    from concurrent.futures import ThreadPoolExecutor

    from seeworthy.bench.cameras import add_camera
    from seeworthy.bench.outcomes import get_outcome
    from seeworthy.bench.running import run_bench
    from seeworthy.bench.takes import add_take
    from seeworthy.publish.assemble import camera_report
    from seeworthy.publish.html import page as report_page

    add_camera(empty_bench, "Knot")
    readings = {"mass": ["17.31 g ± 0.05 g", "17.35 g ± 0.05 g", "17.28 g ± 0.05 g"]}
    number = add_take(empty_bench, "body", "Knot", readings=readings).id
    with ThreadPoolExecutor(1) as threads:
        run_bench(empty_bench, executor=threads, workers=1)
    mass = get_outcome(empty_bench, number).results[0]
    assert [c.name for c in mass.budget] == ["instrument, as typed", "scatter of the readings"]
    assert combined(mass.budget) == pytest.approx(mass.u)
    # The scatter by hand: standard deviation of the three over the root of three.
    hand = np.std([17.31, 17.35, 17.28], ddof=1) / math.sqrt(3)
    assert mass.budget[1].u == pytest.approx(hand, rel=1e-6)
    page = report_page(camera_report(empty_bench, "Knot"))
    assert "What the uncertainty is made of" in page
    assert "scatter of the readings" in page


@pytest.mark.parametrize("curve", [c for c in CURVES if c != "BT.709"])
@pytest.mark.parametrize(
    ("level", "stops"), [(0.12, -3), (0.18, -2), (0.18, 2), (0.3, 1), (0.3, -2)]
)
def test_an_adaptation_time_is_held_under_a_foreign_curve(curve, level, stops):
    """An exponential run in stops: 10 to 90 % of it take ln 9 time constants (arithmetic)."""
    when = np.linspace(0, 12, 6001)
    lag = np.log2(by_tag(level * 2.0 ** (stops * np.exp(-when)), curve))
    way = 1 - (lag - lag[-1]) / (lag[0] - lag[-1])
    time = when[np.argmax(way >= 0.9)] - when[np.argmax(way >= 0.1)]
    assert abs(time - math.log(9)) <= 1.96 * tone.Tone().of_run(time, stops, level).part + 0.004
