"""Four tables of published values against our code: photographic forms, daylight, real photos.

Sources stand in tests/published/README.md.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from seeworthy.ground.errors import BadQuantity
from seeworthy.media.source import Source
from seeworthy.media.stills import read_still
from seeworthy.media.transfer import transfer_of
from seeworthy.observe.chessboard import find_chessboard
from seeworthy.optics.light_reading import LEVELS, read_light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.lens.board import BoardView
from seeworthy.procedures.lens.calibrate import FORMS, calibrate, refine
from seeworthy.procedures.noise.measure import NoiseLevel
from seeworthy.procedures.noise.referred import referred
from seeworthy.procedures.shading.measure import measure_shading

PHOTOS = Path("/usr/share/doc/opencv-doc/examples/data")
needs_photos = pytest.mark.skipif(
    not (PHOTOS / "left01.jpg").exists(), reason="opencv-doc is not installed"
)


@pytest.fixture
def forms(published):
    """Numbers of the check of one row of the forms, in order."""
    rows = published("photo_standard_formulas.csv")

    def numbers(topic: str) -> list[float]:
        (row,) = [r for r in rows if r["topic"].startswith(topic)]
        found = re.findall(r"(?<![A-Za-wyz\d._^])\d+(?:\.\d+)?", row["numeric_check"])
        return [float(x) for x in found]

    return numbers


# Photographic forms


def level(reflectance: float, signal: float, sigma: float) -> NoiseLevel:
    return NoiseLevel(
        "", signal, 1e-6, sigma, sigma / 1e3, 5e5, 0.0, 1e-9, 0.0, 1e-12, 9.0, 1e-4, 1.0,
        0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1600, 24, reflectance, 1e-4,
    )  # fmt: skip


@pytest.mark.parametrize("power", [0.7, 1.0, 1.3])
def test_snr_is_that_of_iso_15739(forms, power):
    """SNR = L g / σ with the incremental gain g = dI/dL: what `noise` makes of the slope of the
    grey steps is the same number, whatever the curve."""
    gain, saturation, sigma, snr = forms("ISO 15739 SNR")
    assert 0.13 * saturation * gain / sigma == pytest.approx(snr)
    steps = [0.08, 0.12, 0.18, 0.27, 0.4]
    measured = [level(r, 0.8 * r**power, 1e-3) for r in steps]
    shift, _, _ = referred(measured, "reflectance", Tone(None), 0.18)
    own = 20 * math.log10(0.8 * 0.18**power / 1e-3)
    slope = 0.8 * power * 0.18 ** (power - 1)  # dI/dL at 18 %
    assert own + shift == pytest.approx(20 * math.log10(0.18 * slope / 1e-3), abs=0.01)


def test_half_the_light_in_the_corners_is_one_stop(forms):
    share, percent, stops = forms("ISO 17957:2015 luminance shading")
    y, x = np.mgrid[0:36, 0:64]
    r2 = ((x - 31.5) ** 2 + (y - 17.5) ** 2) / (32**2 + 18**2)
    wall = np.repeat((0.35 * share**r2)[..., None], 3, axis=2)
    found = measure_shading(wall, (640, 360)).corner
    assert found == pytest.approx(stops, abs=0.02)
    assert 100 * (1 - 2**-found) == pytest.approx(percent, abs=0.8)


def test_the_srgb_code_of_standard_output_sensitivity(forms):
    """ISO 12232: 118 of 255 is 18 % grey on an sRGB screen."""
    code, top, share, linear = forms("ISO 12232 SOS")
    assert code / top == pytest.approx(share, abs=1e-6)
    assert float(transfer_of(13).decode(np.array(share))) == pytest.approx(linear, abs=1e-5)


def test_light_meters_agree_with_iso_2720(forms):
    """K = C ρ / π: a spot on a card and a flat receptor beside it read the same light."""
    first, k, c, *_ = forms("K and C consistency")
    spot = read_light(f"12 EV spot K={k} reflectance={first}").illuminance.value
    flat = read_light(f"12 EV flat C={c}").illuminance.value
    assert spot == pytest.approx(flat, rel=5e-4)
    reflectance, lux, luminance = forms("Lambertian surface")
    seen = read_light(f"{luminance} cd/m2 reflectance={reflectance}").illuminance.value
    assert seen == pytest.approx(lux, rel=1e-5)


# Daylight


def test_a_meter_under_the_sun(published):
    """Janiczek and DeYoung 1987: EV at ISO 100 on a flat receptor, C = 250, rounded to 0.01."""
    rows = published("sun_altitude_illuminance.csv")
    shown = [row for row in rows if float(row["EV100_flat_C250"]) > -8]  # no meter goes below
    assert len(shown) == 20
    with pytest.raises(BadQuantity, match="outside what meters show"):
        read_light(f"{rows[-1]['EV100_flat_C250']} EV flat C=250")
    for row in shown:
        said = read_light(f"{row['EV100_flat_C250']} EV flat C=250").illuminance.value
        assert said == pytest.approx(float(row["E_horizontal_clear_lux"]), rel=0.0045)


def test_the_levels_beside_a_reading_are_those_of_the_sky(published):
    """The clear sky by the sun's altitude against the tables that `low-light` compares with."""
    sky = {float(r["sun_altitude_deg"]): float(r["E_horizontal_clear_lux"])
           for r in published("sun_altitude_illuminance.csv")}  # fmt: skip
    named = {(one.condition, one.low) for one in LEVELS}
    civil = next(lux for words, lux in named if words.startswith("End of civil twilight"))
    assert civil == pytest.approx(sky[-6], rel=0.01)
    sunset = next(lux for words, lux in named if words == "Sunrise/sunset, clear day")
    # The upper limb at the horizon: 0.8° below, by half of the sun and the air's bending.
    assert sunset == pytest.approx(sky[-0.8], rel=0.2)
    brightest = max(lux for _, lux in named)
    assert sky[45] < brightest < 1.05 * sky[90]


# Real photos


@needs_photos
def test_real_photos_open_as_what_they_are(published):
    rows = [r for r in published("media_photo.csv") if r["registry"] == "Debian 12"]
    assert len(rows) == 4
    for row in rows:
        names = re.findall(r"[a-zA-Z]\w*\.(?:jpg|png)", row["file"]) or ["left01.jpg", "left14.jpg"]
        if row["channels"] == "4":  # with transparency, which a camera does not write
            continue
        stills = [read_still(Source(PHOTOS / n, n)) for n in names if (PHOTOS / n).exists()]
        wanted = (int(row["height"]), int(row["width"]))
        # A row of several photos gives the size of one of them.
        assert wanted in {s.pixels.shape[:2] for s in stills}, names
        assert {s.grey for s in stills} == {row["channels"] == "1"}, names


@needs_photos
def test_the_views_miss_by_what_opencv_published(published):
    """The published misses of each photo, board taken for flat: ours are as large where theirs
    are (rank correlation), and no larger than theirs on the whole, whose corners were another
    finder's."""
    rows = published("opencv_left_per_view_rms.csv")
    theirs = np.array([float(r["published_reprojection_rms_px"]) for r in rows])
    views = []
    for row in rows:
        grey = cv2.imread(str(PHOTOS / row["file"]), cv2.IMREAD_GRAYSCALE)
        seen = find_chessboard(grey, (9, 6), 25.0)
        views.append(BoardView(seen.plane, seen.image))
    bowed = calibrate(views, 640, 480, FORMS[1])
    ours = refine(views, bowed.camera, bowed.poses, FORMS[1]).view_rms()
    assert math.sqrt(np.mean(ours**2)) < 1.1 * math.sqrt(np.mean(theirs**2))
    assert np.median(ours / theirs) < 2
