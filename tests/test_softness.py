"""Why a clip is soft: box blur and edges of textbooks first, then rendered flights, bad input."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.write import ClipWriter
from seeworthy.observe.edge_widths import widths
from seeworthy.observe.soft_patches import FREQUENCIES, SoftPatches
from seeworthy.procedures.softness.blur import fit_smear
from seeworthy.procedures.softness.causes import of_fog, of_shake
from seeworthy.procedures.study import measured
from seeworthy.virtual.soft_scene import Course, SoftEye, film_softly, leaves

_WAVES = ((60, 20, 0.6, 0.3), (8, 30, 0.9, 1.0))


def _patches(share, speeds, *, shake=0.0, seed=0):
    """Spectra of patches under a box of `share` of the interval: sinc squared (Bracewell 1965)."""
    rng = np.random.default_rng(seed)
    tracks, frames = 40, len(speeds)
    rows = [(k, i) for k in range(tracks) for i in range(frames)]
    speed = np.array([speeds[i] for _, i in rows])
    texture = 1e6 * rng.exponential(size=(tracks, len(FREQUENCIES)))
    power = texture[[k for k, _ in rows]] * np.sinc(share * speed @ FREQUENCIES.T) ** 2
    beat = 1 + shake * np.sin(2 * np.pi * 7 * np.arange(frames) / 30)
    down = np.abs(FREQUENCIES[:, 1]) > np.abs(FREQUENCIES[:, 0])
    power[:, down] *= beat[[i for _, i in rows]][:, None]
    frame = np.array([i for _, i in rows])
    n = len(rows)
    return SoftPatches(
        power.astype(np.float32), np.ones(n, np.float32), speed, np.zeros(n),
        np.array([k for k, _ in rows]), frame, frame / 30, np.zeros(n, bool), np.full(n, np.nan),
        1, 1 / 30,
    )  # fmt: skip


def _swing(frames=90):
    t = np.arange(frames) / 30
    return np.column_stack([9 * np.sin(2 * np.pi * 0.5 * t), 4 * np.sin(2 * np.pi * 0.8 * t + 1)])


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_the_box_of_an_exposure_is_found_in_spectra(share):
    smear = fit_smear(_patches(share, _swing()))
    assert math.sqrt(smear.square) == pytest.approx(share, rel=0.03)


def test_one_speed_alone_cannot_be_told_from_texture():
    with pytest.raises(CannotMeasure):
        fit_smear(_patches(0.5, np.tile([6.0, 2.0], (90, 1))))


def test_what_softens_all_directions_alike_is_no_exposure():
    still = _patches(0.0, _swing())
    far = np.hypot(*FREQUENCIES.T)
    fast = (still.speed**2).sum(1)
    # A coder that coarsens with speed: a Gaussian on all directions.
    soft = still.power * np.exp(-0.3 * fast[:, None] * far**2).astype(np.float32)
    smear = fit_smear(SoftPatches(soft, *(getattr(still, n) for n in SoftPatches.__slots__[1:])))
    assert abs(smear.square) < 0.01


@pytest.mark.parametrize("sigma", [0.8, 1.5, 3.0])
def test_the_width_of_a_blurred_step_is_that_of_its_gaussian(sigma):
    step = np.full((200, 200), 60, np.float32)
    cv2.rectangle(step, (100, -1), (250, 250), 180, -1)
    turn = cv2.getRotationMatrix2D((100, 100), 17, 1)
    turned = cv2.warpAffine(step, turn, (200, 200), borderMode=cv2.BORDER_REPLICATE)
    found = widths(cv2.GaussianBlur(turned, (0, 0), sigma))
    assert float(np.nanmedian(found[:, 0])) == pytest.approx(sigma, abs=0.3)


def _light(veil, seed=0):
    rng = np.random.default_rng(seed)
    t = np.arange(0, 120, 0.2)
    dark = 0.05 + 0.01 * rng.standard_normal(len(t))
    mean, bright = 0.4 + 0.03 * rng.standard_normal(len(t)), 0.9 + 0 * t
    share = veil * t / t[-1]
    rows = [t] + [v * (1 - share) + share * 0.5 for v in (mean, dark, bright)] + [0 * t, 0 * t]
    return np.stack(rows, axis=1)


def test_fog_that_grows_is_told_and_a_clear_lens_is_not_called_fogged():
    fogged, clear = of_fog(_light(0.4)), of_fog(_light(0.0))
    # A veil of 0.4 leaves 0.6 of the contrast, at a mean that hardly changes.
    assert fogged.low <= 0.43 <= fogged.high
    assert clear.low in (0.0, None)
    assert of_fog(_light(0.4)[:100]).low is None  # twenty seconds


def test_a_blur_that_comes_and_goes_is_a_shake_and_an_even_one_is_not():
    cause, rhythm = of_shake(_patches(0.2, _swing(), shake=0.3), 0.2)
    assert cause.low > 0.03
    assert rhythm == pytest.approx(7, abs=0.4)
    even, none = of_shake(_patches(0.2, _swing()), 0.2)
    assert even.low == 0.0
    assert none is None


def test_the_rhythm_of_key_pictures_is_no_shake():
    patches = _patches(0.2, _swing(), shake=0.3)
    key = patches.frame % 13 == 0  # thrice in a period of them is 6.9 Hz
    fields = {n: getattr(patches, n) for n in SoftPatches.__slots__}
    cause, rhythm = of_shake(SoftPatches(**{**fields, "key": key}), 0.2)
    assert cause.low is None
    assert rhythm is None
    coarse = np.full(len(key), 18.0)
    assert of_shake(SoftPatches(**{**fields, "step": coarse}), 0.2)[0].low is None


@pytest.fixture(scope="module")
def scene():
    return leaves(np.random.default_rng(3), 500, 800)


def _filmed(path, scene, eye, waves=_WAVES, seconds=3.0):
    film_softly(path, eye, Course(waves), seconds, scene, np.random.default_rng(4))
    return measured("softness", [path])


def test_the_exposure_of_a_rendered_flight_is_within_a_tenth(tmp_path, scene):
    eye = SoftEye(width=480, height=270, exposure=0.45, bit_rate=5_000_000)
    outcome = _filmed(tmp_path / "clip.mp4", scene, eye)
    found = {r.measurand: r for r in outcome.results}
    exposure = found["flight_exposure"]
    assert exposure.value == pytest.approx(15.0, rel=0.1)  # 0.45 of 1/30 s
    assert exposure.interval[0] < 15.0 < exposure.interval[1]
    assert outcome.findings["softest_cause"] == "motion during the exposure"


def test_a_slow_flight_gives_a_bound_that_holds(tmp_path, scene):
    eye = SoftEye(width=480, height=270, exposure=0.3)
    slow = tuple((a / 12, d / 12, f, p) for a, d, f, p in _WAVES)
    outcome = _filmed(tmp_path / "clip.mp4", scene, eye, slow)
    for r in outcome.results:
        assert r.conditions["bound"] == "upper"
    told = [r.interval[1] for r in outcome.results if r.measurand == "flight_exposure"]
    assert all(end >= 10.0 for end in told)


def test_nothing_to_follow_is_refused(tmp_path):
    path = tmp_path / "grey.mp4"
    rng = np.random.default_rng(1)
    with ClipWriter(path, 320, 180, rate=30) as clip:
        for i in range(60):
            grey = 128 + 0.7 * rng.standard_normal((180, 320))
            clip.write_luma(np.clip(grey, 16, 235).astype(np.uint8), i / 30)
    with pytest.raises(CannotMeasure, match="no detail could be followed"):
        measured("softness", [path])
