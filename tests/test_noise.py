"""Noise: known truth, EMVA 1288's example, encoder, lamp, and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import BadQuantity, CannotMeasure, WrongCall
from seeworthy.media.frames import watch
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.observe.grey_patches import inner_box
from seeworthy.observe.marked import marked_box
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.procedures.noise import study
from seeworthy.procedures.noise.coding import least_loss, sparseness
from seeworthy.procedures.noise.curve import at_grey, dynamic_range, pattern_parts
from seeworthy.procedures.noise.measure import NoiseLevel, measure_level
from seeworthy.procedures.noise.scene import motion_between
from seeworthy.virtual.coders import record
from seeworthy.virtual.noise_camera import NoiseCamera, code, code_step

SHAPE = (24, 40, 40)


def white(rng, sigma=0.01, shape=SHAPE, level=0.3):
    return level + sigma * rng.standard_normal(shape)


# --- geometry -----------------------------------------------------------------


def step_scene(width, height, reflectances, exposure, margin=4):
    """Light of a row of grey steps, and the box (x, y, w, h) of each."""
    edges = np.linspace(0, width, len(reflectances) + 1).astype(int)
    light = np.empty((height, width))
    for tone, left, right in zip(reflectances, edges[:-1], edges[1:], strict=True):
        light[:, left:right] = tone * exposure
    sides = zip(edges[:-1].tolist(), np.diff(edges).tolist(), strict=True)
    return light, [(x + margin, margin, w - 2 * margin, height - 2 * margin) for x, w in sides]


def test_the_box_inside_a_tilted_patch_stays_inside():
    corners = np.array([[10.0, 12.0], [60.0, 10.0], [62.0, 50.0], [12.0, 52.0]])
    assert inner_box(corners, (100, 100)) == (13, 13, 47, 37)
    assert inner_box(corners / 8, (100, 100)) is None


def test_kept_frames_are_pairs_of_neighbours_from_all_over_the_clip(tmp_path):
    rng = np.random.default_rng(1)
    path = tmp_path / "long.mp4"
    options = {"qp": "0", "g": "10", "x264-params": "scenecut=0"}
    with ClipWriter(path, 64, 64, bit_rate=None, options=options) as writer:
        for _ in range(130):
            writer.write_luma(rng.integers(60, 200, (64, 64)).astype(np.uint8))
    kept = NoiseFrames(pairs=12)
    watch(Source.of(path), [kept])
    numbers = kept.numbers
    assert 12 <= kept.count <= 24
    assert list(numbers[1::2] - numbers[::2]) == [1] * (kept.count // 2)
    assert numbers[0] == 0
    assert numbers[-1] > 110
    assert len(set(np.diff(numbers[::2]))) == 1
    assert len(kept.ticks) == 130
    assert kept.keys == 13


# --- injected truth -------------------------------------------------------------


def test_white_noise_and_a_fixed_pattern_are_told_apart():
    rng = np.random.default_rng(2)
    found = measure_level("a", white(rng) + 0.004 * rng.standard_normal(SHAPE[1:]))
    assert found.temporal == pytest.approx(0.01, abs=3 * found.u_temporal)
    assert found.fixed == pytest.approx(0.004, abs=3 * found.u_fixed)
    assert found.u_temporal < 0.0002
    assert found.signal == pytest.approx(0.3, abs=1e-3)
    assert abs(found.smear) < 0.03
    assert found.neighbours == pytest.approx(1.0, abs=0.03)
    assert found.bands == 0.0


def test_light_that_falls_off_over_the_patch_is_no_pattern():
    rng = np.random.default_rng(3)
    slope = 0.05 * np.linspace(-1, 1, SHAPE[2])[None, :] ** 2
    found = measure_level("a", white(rng) + slope)
    assert found.fixed < 3 * found.u_fixed


def test_intervals_of_the_noise_hold_the_truth():
    inside = {"temporal": 0, "fixed": 0}
    for seed in range(150):
        rng = np.random.default_rng([4, seed])
        light = white(rng, shape=(12, 24, 24)) + 0.005 * rng.standard_normal((24, 24))
        found = measure_level("a", light)
        inside["temporal"] += abs(found.temporal - 0.01) < 1.96 * found.u_temporal
        inside["fixed"] += abs(found.fixed - 0.005) < 1.96 * found.u_fixed
    assert 0.90 <= inside["temporal"] / 150 <= 0.99
    assert 0.90 <= inside["fixed"] / 150 <= 0.99


def test_noise_that_is_smeared_has_fewer_degrees_of_freedom():
    inside, dofs = 0, []
    for seed in range(60):
        rng = np.random.default_rng([5, seed])
        wide = rng.standard_normal((12, 26, 26))
        light = (
            0.3
            + 0.01 * sum(wide[:, i : i + 24, j : j + 24] for i in range(3) for j in range(3)) / 3
        )
        found = measure_level("a", light)
        dofs.append(found.dof)
        inside += abs(found.temporal - 0.01) < 1.96 * found.u_temporal
    assert found.smear == pytest.approx(2 / 3, abs=0.05)
    # Each pixel counts for (sum of squared correlations) = (19/9)² = 4.46 pixels fewer.
    assert np.median(dofs) == pytest.approx(6 * 576 / 4.46, rel=0.25)
    assert inside / 60 >= 0.88


def test_repeated_blocks_do_not_hide_noise():
    rng = np.random.default_rng(6)
    frames = np.repeat(white(rng, shape=(6, 40, 40)), 4, axis=0)  # each four times
    codes = np.rint(frames * 1000).astype(np.int32)
    found = measure_level("a", frames, codes)
    assert found.temporal == pytest.approx(0.01, rel=0.06)
    assert found.neighbours < 0.6
    assert found.repeated == pytest.approx(18 / 23, abs=0.01)
    assert found.frozen == 0.0
    # Six pictures, not twenty-four.
    assert found.dof < 0.5 * measure_level("b", white(rng)).dof


def test_a_lamp_is_not_counted_as_noise():
    rng = np.random.default_rng(7)
    beat = 1 + 0.05 * np.sin(2 * np.pi * 0.31 * np.arange(24))
    whole = measure_level("a", white(rng) * beat[:, None, None])
    assert whole.temporal == pytest.approx(0.01, rel=0.03)
    assert whole.flicker == pytest.approx(0.05 / math.sqrt(2), rel=0.1)
    rows = np.sin(2 * np.pi * (0.31 * np.arange(24)[:, None] + np.arange(40) / 25))
    banded = measure_level("a", white(rng) * (1 + 0.05 * rows[:, :, None]))
    assert banded.temporal == pytest.approx(0.01, rel=0.03)
    assert banded.bands == pytest.approx(0.05 / math.sqrt(2), rel=0.25)


def test_a_quantising_coder_is_told_from_a_sensor_and_takes_no_less_than_said():
    from scipy import fft

    rng = np.random.default_rng(8)
    noise = rng.standard_normal((24, 5, 8, 5, 8))
    plain = np.rint(128 + 40 * noise).reshape(24, 40, 40)
    assert abs(sparseness(plain.astype(np.int32), (0, 0))) < 0.1
    for step in (1.0, 2.0, 3.0):
        spectrum = fft.dctn(noise, axes=(2, 4), norm="ortho")
        kept = np.sign(spectrum) * np.floor(np.abs(spectrum) / step + 1 / 3) * step
        coded = fft.idctn(kept, axes=(2, 4), norm="ortho")
        lost = -20 * math.log10(coded.std() / noise.std())
        seen = sparseness(np.rint(1000 * coded).astype(np.int64).reshape(24, 40, 40), (0, 0))
        assert least_loss(seen) == pytest.approx(lost, abs=0.35)
    # Off the coder's grid its blocks are cut across and look far less sparse.
    shifted = np.rint(1000 * coded).astype(np.int64).reshape(24, 40, 40)[:, 4:, 4:]
    assert sparseness(shifted, (4, 4)) > 2 * sparseness(shifted, (0, 0))


def levels_of(camera, densities=(0.2, 0.4, 0.6, 0.75, 0.9, 1.1, 1.4), exposure=0.9, dof=5000.0):
    """Levels as they would be measured without error."""
    made = []
    for d in densities:
        reflectance = 10**-d
        true = camera.noise(reflectance * exposure)
        made.append(
            NoiseLevel(
                f"{d}", reflectance * exposure, 1e-5, true.temporal,
                true.temporal / math.sqrt(2 * dof), dof, true.fixed, 0.05 * true.fixed,
                true.fixed**2, 0.1 * true.fixed**2, 2.0, 1 / 219 / 4.5, 1.0, 0.0, 0.0, 0.0, 0.0,
                0.0, 0.0, 1600, 24, reflectance, 0.0,
            )
        )  # fmt: skip
    return made


def test_mid_grey_is_interpolated_between_the_steps():
    camera = NoiseCamera(gain=2, prnu=0.01, dsnu=3)
    found = at_grey(levels_of(camera), "reflectance")
    true = camera.noise(0.18 * 0.9)
    assert found.snr == pytest.approx(true.snr, abs=0.01)
    assert found.total == pytest.approx(true.total, abs=0.02)
    assert found.fixed == pytest.approx(true.fixed, rel=0.02)
    assert found.signal == pytest.approx(0.162, rel=1e-3)
    # By the picture's own light, 18 % is another place of the same curve.
    by_signal = at_grey(levels_of(camera), "signal")
    assert by_signal.snr == pytest.approx(camera.noise(0.18).snr, abs=0.01)


def test_an_error_of_the_densities_widens_the_interval():
    camera = NoiseCamera(gain=2)
    unsure = [replace(v, u_reflectance=0.1 * v.reflectance) for v in levels_of(camera)]
    sure, wide = at_grey(levels_of(camera), "reflectance"), at_grey(unsure, "reflectance")
    # SNR of photons grows by 10 dB per decade, of read noise by 20: 0.1 of ln is 0.43 to 0.87 dB.
    assert 0.43 < wide.u_shared < 0.87
    assert wide.u_snr == pytest.approx(math.hypot(sure.u_snr, wide.u_shared), rel=0.01)


def test_one_grey_alone_is_continued_with_doubt_and_not_far():
    camera = NoiseCamera()
    alone = at_grey(levels_of(camera, (0.6,)), "reflectance")
    true = camera.noise(0.18 * 0.9).snr
    assert alone.interval()[0] < true < alone.interval()[1]
    assert alone.u_snr > 5 * at_grey(levels_of(camera), "reflectance").u_snr
    with pytest.raises(CannotMeasure, match="stops outside"):
        at_grey(levels_of(camera, (0.2,)), "reflectance")


def test_noise_below_whole_codes_is_a_bound():
    camera = NoiseCamera()
    hidden = [replace(v, codes=0.1, temporal=0.1 * v.step) for v in levels_of(camera)]
    found = at_grey(hidden, "reflectance")
    assert found.bound
    assert found.interval()[1] == math.inf
    assert found.snr < 20 * math.log10(found.signal / found.temporal)


def test_the_dynamic_range_follows_read_and_photon_noise():
    camera = NoiseCamera(gain=2, read=8)
    found = dynamic_range(levels_of(camera), 1 / 219 / 4.5)
    assert found.stops == pytest.approx(camera.dynamic_range(), abs=0.1)
    assert found.interval[0] < found.stops < found.interval[1]
    assert found.extrapolated
    assert dynamic_range(levels_of(camera, (0.6, 0.75, 0.9)), 0.001) is None


def test_the_parts_of_the_pattern_are_told_apart():
    camera = NoiseCamera(dsnu=12, prnu=0.01)
    dark, share = pattern_parts(levels_of(camera))
    assert dark == pytest.approx(12 / 8000, rel=0.02)
    assert share == pytest.approx(0.01, rel=0.02)


# --- published --------------------------------------------------------------------


def test_photon_transfer_is_emva_1288s(published):
    # EMVA 1288 Release 3.1, section 2 (formulas from memory): K = 0.1 DN per electron, dark noise
    # 5 electrons, quantum efficiency 0.5, rounding to whole DN.
    rng = np.random.default_rng(9)
    for row in published("emva1288_example.csv"):
        electrons = float(row["electrons"])
        if electrons < 500:  # the signal must stand clear of nothing
            continue
        seen = rng.poisson(electrons, (24, 64, 64)) + 5 * rng.standard_normal((24, 64, 64))
        digital = np.rint(0.1 * seen)
        found = measure_level("a", digital, limits=(-1e9, 1e9))
        assert found.temporal**2 == pytest.approx(
            float(row["variance_DN2"]), rel=4 / math.sqrt(found.dof)
        )
        snr = 20 * math.log10(found.signal / found.temporal)
        assert snr == pytest.approx(float(row["SNR_dB"]), abs=0.1)


def test_the_virtual_camera_keeps_to_the_same_example(published):
    for row in published("emva1288_example.csv"):
        electrons = float(row["electrons"])
        if not electrons:
            continue
        camera = NoiseCamera(full_well=1e6, read=5.0)
        true = camera.noise(electrons / 1e6)
        # Rounding to codes apart, which is another here.
        variance = (true.temporal**2 - code_step(electrons / 1e6) ** 2 / 12) * 1e12
        expected = (float(row["variance_DN2"]) - 1 / 12) / 0.1**2
        assert variance == pytest.approx(expected, rel=1e-3)


# --- the procedure ------------------------------------------------------------------


@pytest.fixture(scope="module")
def steps(tmp_path_factory):
    """The grey steps filmed without an encoder, and the truth."""
    path = tmp_path_factory.mktemp("noise") / "greys.mp4"
    camera = NoiseCamera(gain=2, prnu=0.01, dsnu=3)
    record(path, camera.film(study.scene(), 24, np.random.default_rng(10)))
    return path, camera, study.measure(path, light="9.7 EV dome")


def test_snr_is_within_half_a_decibel(steps):
    _, camera, outcome = steps
    true = camera.noise(0.18 * study.EXPOSURE)
    found = {(r.measurand, r.conditions.get("noise", "")): r for r in outcome.results}
    temporal, total = found["snr_18", "temporal"], found["snr_18", "total"]
    assert temporal.value == pytest.approx(true.snr, abs=0.3)
    assert temporal.u < 0.2
    assert total.value == pytest.approx(true.total, abs=0.3)
    assert found["temporal_noise", ""].value == pytest.approx(100 * true.temporal, rel=0.03)
    assert found["fixed_pattern_noise", ""].value == pytest.approx(100 * true.fixed, rel=0.15)
    # Below the darkest step (nominal density 1.70, ISO 14524's kind of scale) nobody looked: the
    # result is a bound, the model's value a finding that says so.
    model = outcome.findings["dynamic_range_model_stops"]
    assert model["value"] == pytest.approx(camera.dynamic_range(), abs=0.3)
    assert model["extrapolated"]
    span = found["dynamic_range", ""]
    assert 4.5 < span.value <= camera.dynamic_range()
    assert span.interval == (span.value, math.inf)
    assert span.conditions["bound"] == "lower"
    assert temporal.conditions["light"] == pytest.approx(330 * 2**9.7 / 100, rel=1e-6)
    assert temporal.conditions["grey"] == "18 % surface"


def test_what_was_found_is_shown(steps):
    _, _, outcome = steps
    assert outcome.findings["patches_from"] == "grey steps"
    assert len(outcome.findings["snr_per_level_db"]) == 12
    assert outcome.findings["tone_slope"] == pytest.approx(1.0, abs=0.02)
    assert not outcome.findings["coded"]
    assert not outcome.findings["filtered"]
    assert outcome.pictures[0].data.startswith(b"\x89PNG")
    assert len(outcome.figures[0].columns["snr"]) == 12
    assert outcome.warnings == ()
    assert "dB of signal over noise" in outcome.sentence


def test_without_measured_densities_the_print_is_in_doubt(steps):
    path, camera, _ = steps
    found = measure("noise", [path]).outcome.results[0]
    assert found.u > 0.4
    assert found.interval[0] < camera.noise(0.18 * study.EXPOSURE).snr < found.interval[1]


def test_an_encoder_is_told_and_the_sensor_bounded(tmp_path):
    path = tmp_path / "coded.mp4"
    camera = NoiseCamera(gain=4)
    frames = camera.film(study.scene(), 48, np.random.default_rng(11))
    record(path, frames, bit_rate=2_000_000)
    outcome = study.measure(path)
    assert outcome.findings["coded"]
    true = camera.noise(0.18 * study.EXPOSURE).snr
    delivered = outcome.results[0].value
    assert delivered > true + 1
    low, high = outcome.results[0].interval
    assert low < true < high  # what coding took is in the interval
    assert high - low < 15
    assert 0.5 < outcome.findings["coding_took_at_least_db"] < delivered - true + 0.2
    assert any("noise as delivered" in text for text in outcome.warnings)


def test_marked_patches_take_the_pictures_own_light(tmp_path):
    camera = NoiseCamera(gain=2)
    light, boxes = step_scene(320, 96, [0.6, 0.4, 0.25, 0.18, 0.12, 0.07], 1.0)
    path = tmp_path / "marked.mkv"
    record(path, camera.film(light, 24, np.random.default_rng(12)))
    options = {"region": [",".join(map(str, b)) for b in boxes]}
    found = measure("noise", [path], options=options).outcome
    assert found.results[0].conditions["grey"] == "18 % of full scale"
    assert found.results[0].value == pytest.approx(camera.noise(0.18).snr, abs=0.3)
    typed = {"densities": ["0.22 0.40 0.60 0.745 0.92 1.15"]}
    known = measure("noise", [path], readings=typed, options=options).outcome
    assert known.results[0].conditions["grey"] == "18 % surface"
    with pytest.raises(WrongCall, match="2 densities were typed for 6 regions"):
        measure("noise", [path], readings={"densities": ["0.2 0.4"]}, options=options)
    with pytest.raises(CannotMeasure, match="no grey step scale"):
        measure("noise", [path], readings=typed)


def test_a_still_scene_without_a_scale_is_measured_by_its_flat_places(tmp_path):
    rng = np.random.default_rng(13)
    camera = NoiseCamera(gain=2)
    light = np.repeat(np.linspace(0.05, 0.5, 640)[None, :], 160, axis=0)
    path = tmp_path / "wall.mkv"
    record(path, camera.film(light, 24, rng))
    found = measure("noise", [path]).outcome
    assert found.findings["patches_from"] == "scene"
    assert found.results[0].value == pytest.approx(camera.noise(0.18).snr, abs=0.5)
    assert "fixed_pattern_noise" not in {r.measurand for r in found.results}
    assert any("No grey scale" in text for text in found.warnings)


def test_colour_channels_have_their_own_noise(tmp_path):
    rng = np.random.default_rng(14)
    path = tmp_path / "colour.mkv"
    with ClipWriter(
        path, 128, 128, bit_rate=None, pixel_format="yuv444p", options={"qp": "0"}
    ) as writer:
        for _ in range(16):
            noise = rng.standard_normal((128, 128, 3)) * np.array([6.0, 3.0, 9.0])
            writer.write_rgb(np.clip(np.rint(118 + noise), 0, 255).astype(np.uint8))
    outcome = measure("noise", [path], options={"region": ["8,8,112,112"]}).outcome
    found = {
        r.conditions["channel"]: r.value
        for r in outcome.results
        if r.measurand == "snr_18" and r.conditions["noise"] == "temporal"
    }
    assert found["green"] - found["red"] == pytest.approx(20 * math.log10(6 / 3), abs=0.5)
    assert found["red"] - found["blue"] == pytest.approx(20 * math.log10(9 / 6), abs=0.5)


# --- bad input ------------------------------------------------------------------------


def clip_of(path, frames):
    record(path, iter(frames))
    return path


def flat(rng, count, shape=(96, 128), level=0.18):
    return list(NoiseCamera().film(np.full(shape, level), count, rng))


def test_too_few_frames_are_refused(tmp_path):
    path = clip_of(tmp_path / "a.mkv", flat(np.random.default_rng(15), 5))
    with pytest.raises(CannotMeasure, match="8 frames at least; the clip has 5"):
        measure("noise", [path])


def test_a_repeated_picture_carries_no_noise(tmp_path):
    path = clip_of(tmp_path / "a.mkv", flat(np.random.default_rng(16), 1) * 30)
    with pytest.raises(CannotMeasure, match="repeats the same picture"):
        measure("noise", [path])


def test_a_moving_scene_is_refused(tmp_path):
    rng = np.random.default_rng(17)
    x, y = np.meshgrid(np.arange(320), np.arange(192))
    frames = [
        code(
            0.2
            + 0.1 * np.sin((x + 0.2 * i) / 7) * np.sin(y / 9)
            + 0.003 * rng.standard_normal(x.shape)
        )
        for i in range(24)
    ]
    path = clip_of(tmp_path / "a.mkv", frames)
    with pytest.raises(CannotMeasure, match="does not stand still"):
        measure("noise", [path])
    still = motion_between(frames[0], frames[0] + rng.normal(0, 1, x.shape))
    assert still.shift < 0.1


def test_clipped_patches_are_left_out_or_refused(tmp_path):
    rng = np.random.default_rng(18)
    light, boxes = step_scene(320, 96, [1.2, 0.5, 0.3, 0.2, 0.12, 0.0], 1.0)
    path = clip_of(tmp_path / "a.mkv", NoiseCamera().film(light, 16, rng))
    regions = [",".join(map(str, b)) for b in boxes]
    found = measure("noise", [path], options={"region": regions}).outcome
    assert set(found.findings["left_out"]) == {"region 1", "region 6"}
    assert any("clipped at white" in text for text in found.warnings)
    with pytest.raises(CannotMeasure, match="clipped at white"):
        measure("noise", [path], options={"region": regions[:1]})


@pytest.mark.parametrize("text", ["", "0.1 x 0.3", "9 12", "0.1 0.2 ± a", "-0.1"])
def test_densities_that_are_none_are_refused(steps, text):
    with pytest.raises((BadQuantity, WrongCall)):
        measure("noise", [steps[0]], readings={"densities": [text]})


@pytest.mark.parametrize("text", ["5 mm", "12 EV", "-3 lx"])
def test_light_in_the_wrong_unit_is_refused(steps, text):
    with pytest.raises(BadQuantity):
        measure("noise", [steps[0]], readings={"light": [text]})


def test_regions_are_checked(steps):
    for text in ("1,2,3", "a,b,c,d", "10,10,4,4", "-1,0,50,50"):
        with pytest.raises(WrongCall, match="is not a region"):
            marked_box(text)
    with pytest.raises(WrongCall, match="leaves the picture"):
        measure("noise", [steps[0]], options={"region": ["600,300,60,200"]})


# --- real clips -------------------------------------------------------------------------


@pytest.mark.slow
def test_a_real_fixed_camera_gives_a_plausible_figure():
    from test_timing_real import clip

    outcome = measure("noise", [clip("vtest.avi")]).outcome
    # A surveillance camera of its day through a coder at 0.8 Mbit/s; between 20 and 40 dB.
    assert 20 < outcome.results[0].value < 40
    assert outcome.findings["coded"]
    assert outcome.findings["repeated_blocks_percent"] > 30


@pytest.mark.parametrize("name", ["bikes.mp4", "carphone_pristine.mp4"])
def test_hand_held_clips_are_refused(name):
    from test_timing_real import clip

    with pytest.raises(CannotMeasure, match="does not stand still"):
        measure("noise", [clip(name)])
