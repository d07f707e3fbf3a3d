"""Shading: fall-off, tint, lamp against lens, hot spots; through H.264 and by still."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import BadQuantity, CannotMeasure
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.shading.measure import measure_shading
from seeworthy.procedures.shading.middle import find_wide
from seeworthy.procedures.shading.moved import check_shift, wall_of
from seeworthy.procedures.shading.study import hue as hue_of
from seeworthy.procedures.shading.turned_take import MOST, check_same_lens, even_difference
from seeworthy.virtual.optics import HotSpot, Sensor, Shading, develop

# IEC 61966-2-1, as printed there: linear RGB to XYZ.
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
SIZE = (640, 360)
FRAME = (1280, 720)


def blocks(shade, seed=0, level=0.35, frames=4):
    """Block means of linear light of noisy sRGB frames."""
    rng = np.random.default_rng(seed)
    light = shade.gain(*SIZE) * level
    total = 0
    for _ in range(frames):
        code = develop(light, rng, sensor=Sensor(), tone="srgb") / 255.0
        linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        total = total + cv2.resize(linear, (64, 36), interpolation=cv2.INTER_AREA)
    return total / frames


def truth(shade):
    """Mean and worst corner (stops) and largest Δu'v' of the lens alone."""
    lens = Shading(shade.stops, shade.power, shade.centre, shade.red, shade.blue)
    gain = lens.gain(*SIZE).astype(float)
    corners = gain[[0, 0, -1, -1], [0, -1, 0, -1]] @ XYZ[1]
    stops = -np.log2(corners)
    xyz = gain[::4, ::4] @ XYZ.T
    bottom = xyz @ np.array([1.0, 15.0, 3.0])
    uv = np.stack([4 * xyz[..., 0] / bottom, 9 * xyz[..., 1] / bottom], -1)
    white = np.ones(3) @ XYZ.T
    centre = np.array([4 * white[0], 9 * white[1]]) / (white @ np.array([1.0, 15.0, 3.0]))
    return stops.mean(), stops.max(), np.hypot(*np.moveaxis(uv - centre, -1, 0)).max()


def turned(shade):
    """The same lens with the scene's light from the other side."""
    slope = (-shade.slope[0], -shade.slope[1])
    return Shading(shade.stops, shade.power, shade.centre, shade.red, shade.blue, slope, shade.spot)


# Published.


@pytest.mark.parametrize("angle", [30.0, 45.0])
def test_cos4_falls_by_the_published_stops(published, angle):
    row = next(r for r in published("cos4_law.csv") if float(r["field_angle_deg"]) == angle)
    edge = np.tan(np.radians(angle))  # the corner's slope
    half = np.hypot(*SIZE) / 2
    x = (np.arange(64) + 0.5) / 64 * SIZE[0] - SIZE[0] / 2
    y = (np.arange(36) + 0.5) / 36 * SIZE[1] - SIZE[1] / 2
    r = np.hypot(*np.meshgrid(x, y)) / half * edge
    field = np.repeat((0.4 * np.cos(np.arctan(r)) ** 4)[..., None], 3, axis=2)
    found = measure_shading(field, SIZE)
    assert found.corner == pytest.approx(abs(float(row["stops"])), abs=0.03)


# Injected truth.


@pytest.mark.parametrize(
    "shade",
    [
        Shading(0.2),
        Shading(1.0, 2.5),
        Shading(2.0, 3.0, (0.47, 0.53)),
        Shading(0.7, 2.0, red=0.2, blue=-0.1),
    ],
)
def test_corners_within_a_twentieth_of_a_stop(shade):
    found = measure_shading(blocks(shade), SIZE, blocks(turned(shade), 5))
    mean, worst, colour = truth(shade)
    assert found.corner == pytest.approx(mean, abs=0.05)
    assert found.worst == pytest.approx(worst, abs=0.06)
    assert found.colour == pytest.approx(colour, abs=0.001 + 0.05 * colour)
    assert abs(found.corner - mean) < 3 * found.u_corner


def test_a_lamp_is_told_from_the_lens_by_the_turned_take():
    shade = Shading(0.8, slope=(0.5, -0.3))
    found = measure_shading(blocks(shade), SIZE, blocks(turned(shade), 7))
    assert found.lamp == pytest.approx((0.5, -0.3), abs=0.02)
    assert found.worst == pytest.approx(0.8, abs=0.03)


def test_takes_of_two_lenses_are_told_from_a_steep_lamp():
    steep = Shading(2.0, slope=(0.8, -0.5), red=0.2)
    assert even_difference(blocks(steep), blocks(turned(steep), 7)) < MOST / 3
    # A little more light in the second take is no other lens.
    assert even_difference(blocks(steep), 0.8 * blocks(turned(steep), 7)) < MOST / 3
    with pytest.raises(CannotMeasure, match="same lens"):
        check_same_lens(blocks(Shading(1.6)), blocks(Shading(0.7), 7))


def test_with_one_take_the_worst_corner_is_doubtful():
    shade = Shading(0.8, slope=(0.5, -0.3))
    one = measure_shading(blocks(shade), SIZE)
    assert one.corner == pytest.approx(0.8, abs=0.03)
    assert abs(one.worst - 0.8) < 2.5 * one.u_worst
    assert one.u_worst > 0.05


@pytest.mark.parametrize(
    ("x", "y", "radius"), [(0.7, 0.4, 0.12), (0.5, 0.5, 0.10), (0.2, 0.75, 0.06)]
)
def test_a_hot_spot_is_found_where_it_is(x, y, radius):
    shade = Shading(0.5, spot=HotSpot(x, y, radius, (1.16, 1.0, 1.0)))
    found = measure_shading(blocks(shade), SIZE)
    assert found.spot is not None
    assert found.spot.x == pytest.approx(x * SIZE[0], abs=25)
    assert found.spot.y == pytest.approx(y * SIZE[1], abs=25)
    assert found.spot.strength > 0.003


@pytest.mark.parametrize("seed", range(8))
def test_no_hot_spot_is_invented(seed):
    assert measure_shading(blocks(Shading(0.7, red=0.1), seed), SIZE).spot is None


def test_intervals_hold_the_truth():
    rng = np.random.default_rng(3)
    inside = 0
    for i in range(40):
        shade = Shading(
            float(rng.uniform(0.2, 2)), float(rng.uniform(2, 3)),
            (float(rng.normal(0.5, 0.02)), float(rng.normal(0.5, 0.02))),
        )  # fmt: skip
        found = measure_shading(blocks(shade, i, frames=1), SIZE)
        inside += abs(found.corner - truth(shade)[0]) <= 1.96 * found.u_corner
    assert inside >= 36


# Through files.


def film(path, shade, seed=1):
    rng = np.random.default_rng(seed)
    light = shade.gain(*FRAME) * 0.35
    with ClipWriter(path, *FRAME, 30, bit_rate=7_000_000) as writer:
        for _ in range(12):
            writer.write_rgb(develop(light, rng, sensor=Sensor(), tone="bt709"))
    return path


def test_through_h264_with_a_turned_take(tmp_path):
    shade = Shading(1.1, 2.2, red=0.15, slope=(0.3, 0.0))
    one = film(tmp_path / "a.mp4", shade)
    two = film(tmp_path / "b.mp4", turned(shade), 2)
    outcome = measure("shading", [one], roles={"turned": [two]}).outcome
    found = {r.measurand: r for r in outcome.results}
    mean, worst, colour = truth(shade)
    assert found["corner_shading"].value == pytest.approx(mean, abs=0.05)
    assert found["corner_shading_worst"].value == pytest.approx(worst, abs=0.06)
    assert found["colour_shading"].value == pytest.approx(colour, abs=0.001 + 0.05 * colour)
    assert outcome.findings["hot_spot"] is None
    assert outcome.pictures
    assert outcome.method == "turned"


def test_a_slope_with_one_take_is_said(tmp_path):
    outcome = measure("shading", [film(tmp_path / "a.mp4", Shading(0.6, slope=(0.6, 0)))]).outcome
    assert any("turned" in w for w in outcome.warnings)


# Refusals.


def test_clipped_dark_and_crowded_pictures(tmp_path):
    with pytest.raises(CannotMeasure, match="clipped"):
        measure_shading(np.ones((36, 64, 3)), SIZE)
    with pytest.raises(CannotMeasure, match="too dark"):
        measure_shading(np.full((36, 64, 3), 0.001), SIZE)
    crowded = np.full((36, 64, 3), 0.4)
    crowded[10:20, 20:30] = 0.05
    with pytest.raises(CannotMeasure, match="not an even surface"):
        measure_shading(crowded, SIZE)


def test_a_tinted_dark_corner_is_no_hot_spot():
    field = blocks(Shading(1.2))
    down, across = np.mgrid[:36, :64]
    field[..., 0] *= 1 + 0.15 * np.exp(-(across**2 + down**2) / (2 * 5.0**2))
    assert measure_shading(field, SIZE).spot is None


def test_the_tint_goes_through_the_terraces_of_coarse_codes():
    shade = Shading(1.5, 2.5, red=0.2, blue=-0.15)
    field = shade.gain(*FRAME)[10::20, 10::20].astype(float) * 0.4
    ratio = np.round(np.log2(field / field[..., 1:2]) / 0.06) * 0.06
    colour = truth(shade)[2]
    found = measure_shading(field[..., 1:2] * 2.0**ratio, SIZE)
    assert found.colour == pytest.approx(colour, abs=0.001 + 0.05 * colour)


def test_chroma_noise_alone_is_no_hot_spot():
    # Strong enough that its smoothed peaks pass the least strength: only the comparison with
    # the noise itself keeps them from being called spots.
    field = np.full((36, 64, 3), 0.35)
    for seed in range(5):
        noisy = field * (1 + np.random.default_rng(seed).normal(0, 0.06, field.shape))
        assert measure_shading(noisy, SIZE).spot is None


# A wide tint, as the picture shows when it is made small.


def wide(sigma, gain, at=(0.5, 0.5), seed=1):
    """A field with a tint of sigma px at 1280 px of width."""
    spot = HotSpot(*at, 2 * sigma / 1280, gain) if sigma else None
    field = blocks(Shading(1.0, spot=spot), seed=seed)
    return find_wide(field, FRAME, (639.5, 359.5))


@pytest.mark.parametrize("sigma", [200, 320])
@pytest.mark.parametrize(
    ("gain", "hue"),
    [((1.06, 1, 1), "red"), ((1.15, 1, 1), "red"), ((1, 1, 1.15), "blue"), ((1, 1.12, 1), "green")],
)
def test_a_wide_tint_is_placed_sized_and_named(sigma, gain, hue):
    found = wide(sigma, gain)
    truth = np.hypot(*(hue_of(np.array(gain)) - hue_of(np.ones(3))))
    assert found.hue == hue
    assert found.strength == pytest.approx(truth, abs=0.0012)
    assert (found.x, found.y) == (pytest.approx(640, abs=30), pytest.approx(360, abs=30))
    assert found.size == pytest.approx(2.355 * sigma, rel=0.3)
    assert found.centred


@pytest.mark.parametrize(
    ("gain", "hue"), [((1.06, 1, 1), "red"), ((1.15, 1, 1), "red"), ((1, 1, 1.15), "blue")]
)
def test_a_compact_tint_has_its_hue_size_and_picture_too(tmp_path, gain, hue):
    path = tmp_path / "compact.png"
    spot = HotSpot(0.5, 0.5, 2 * 120 / 1280, gain)
    light = Shading(0.5, spot=spot).gain(*FRAME) * 0.35
    code = develop(light, np.random.default_rng(2), sensor=Sensor(), tone="srgb", full_range=True)
    cv2.imwrite(str(path), code[..., ::-1])
    outcome = measure("shading", [path]).outcome
    found = outcome.findings["hot_spot"] or outcome.findings["wide_tint"]
    assert found["hue"] == hue
    assert found["size_px"] == pytest.approx(2.355 * 120, rel=0.2)
    assert f"the middle is more {hue} than" in outcome.sentence
    assert any("lens, filter or sensor" in w for w in outcome.warnings)
    assert outcome.pictures[-1].name == "hues.png"


def test_a_tint_off_the_optical_centre_is_not_the_lens():
    assert not wide(200, (1.12, 1, 1), (0.4, 0.5)).centred


@pytest.mark.parametrize("seed", range(8))
def test_no_wide_tint_is_invented(seed):
    assert wide(0, None, seed=seed) is None


def test_a_wide_tint_is_told_with_its_picture(tmp_path):
    path = tmp_path / "wide.png"
    light = Shading(0.5, spot=HotSpot(0.5, 0.5, 0.5, (1.12, 1, 1))).gain(*FRAME) * 0.35
    code = develop(light, np.random.default_rng(2), sensor=Sensor(), tone="srgb", full_range=True)
    cv2.imwrite(str(path), code[..., ::-1])
    outcome = measure("shading", [path]).outcome
    assert outcome.findings["wide_tint"]["hue"] == "red"
    assert "the middle is more red than the border" in outcome.sentence
    assert any("lens, filter or sensor" in w for w in outcome.warnings)
    assert [p.name for p in outcome.pictures] == ["flat_field.png", "hues.png"]


def lamp_wall(strength, at=(0.0, 0.0), shift=(0.0, 0.0)):
    """Light on a wall by one lamp in front of it, cos⁴ of the angle (Lambert), stops."""
    y, x = np.mgrid[:36, :64]
    x, y = (x + 0.5) / 32 - 1 + 2 * shift[0] - at[0], (y + 0.5) / 18 - 1 + 2 * shift[1] - at[1]
    return -2 * np.log2(1 + strength * (x * x + y * y))


def wall_seen(lens, wall):
    """Block means of a grey wall through a lens whose corners are `lens` stops darker."""
    y, x = np.mgrid[:36, :64]
    r2 = (((x + 0.5) / 32 - 1) ** 2 + ((y + 0.5) / 18 - 1) ** 2) / 2
    return np.repeat((0.3 * 2.0 ** (wall - lens * r2))[..., None], 3, axis=2)


@pytest.mark.parametrize("strength", [0.02, 0.05, 0.08])
@pytest.mark.parametrize("at", [(0.0, 0.0), (0.5, -0.3)])
@pytest.mark.parametrize("shift", [(0.25, 0.25), (0.4, 0.2), (-0.15, 0.2)])
def test_a_shifted_take_tells_an_uneven_wall_from_the_lens(strength, at, shift):
    """A lamp of another law than the fit has; the truth is the lens alone, 1.00 stop."""
    first = wall_seen(1.0, lamp_wall(strength, at))
    moved = wall_seen(1.0, lamp_wall(strength, at, shift))
    prior = 0.1 / math.sqrt(3)
    bend = wall_of(first, [moved], shift, 0.02, prior)
    plain = measure_shading(first, (640, 360)).corner
    mended = measure_shading(first / bend.light(36, 64), (640, 360)).corner
    assert abs(mended - 1.0) < 1.96 * bend.u + 0.01
    assert abs(mended - 1.0) < 0.35 * abs(plain - 1.0)
    assert bend.u < max(0.4 * prior, 0.35 * bend.drop)


def test_an_even_wall_stays_even():
    bend = wall_of(wall_seen(1.0, 0.0), [wall_seen(1.0, 0.0)], (0.25, 0.25), 0.02, 0.06)
    assert abs(bend.drop) < 1e-6
    assert bend.u < 0.02


def test_a_shift_in_one_way_leaves_the_other_open():
    still = wall_seen(1.0, 0.0)
    both = wall_of(still, [still], (0.25, 0.25), 0.02, 0.06)
    across = wall_of(still, [still], (0.25, 0.0), 0.02, 0.06)
    assert across.u > 2 * both.u
    assert across.u < 0.06


def test_shifts_and_takes_that_tell_nothing_are_refused():
    with pytest.raises(BadQuantity, match="too little"):
        check_shift(0.01, 0.0)
    stained = wall_seen(1.0, 0.0)
    stained[10:20, 10:30] *= 0.7
    with pytest.raises(CannotMeasure, match="no even wall explains"):
        wall_of(wall_seen(1.0, 0.0), [stained], (0.25, 0.25), 0.02, 0.06)
