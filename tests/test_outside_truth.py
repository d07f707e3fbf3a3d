"""Formulas and constants against truth from outside: each test kills a fault that once passed.

`make mutants` puts those faults in, one by one (`tests/mutants/faults.py`), and sees these tests
and others fail. No test here imports the constant that it checks, and what is tested of an
uncertainty is tested from both sides: neither too narrow nor too wide.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from seeworthy.clock.rate import beat_u
from seeworthy.ground.budget import combined
from seeworthy.ground.results import result
from seeworthy.judge.claims.decide import Claimed, judge
from seeworthy.observe.edge_passes import EdgeLine
from seeworthy.optics.colour import XYZ_OF_RGB
from seeworthy.procedures.colour.measure import _value
from seeworthy.procedures.exposure.measure import Pass, _conclude
from seeworthy.procedures.low_light.measure import Point, Rule, least_usable
from seeworthy.procedures.noise.curve import dynamic_range
from seeworthy.procedures.noise.measure import NoiseLevel
from seeworthy.procedures.readout.fit import fit_row_time
from seeworthy.procedures.readout.passing import _uncertainty
from seeworthy.procedures.readout.refine import RowPoints
from seeworthy.procedures.shading.measure import measure_shading
from seeworthy.procedures.sharpness.measure import EdgeRegion, EdgeResult, by_place
from seeworthy.procedures.survival.measure import SurvivalFigure
from seeworthy.procedures.survival.measure import judge as judge_survival

ACCURACY = Path(__file__).parents[1] / "docs" / "accuracy"


def published_rms(page: str, group: str, name: str) -> tuple[float, float]:
    """Root mean square error, and the same in per cent, of a study against rendered truth."""
    for line in (ACCURACY / f"{page}.md").read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if cells[:2] == [group, name] and len(cells) > 8:
            return float(cells[4]), float(cells[5])
    raise AssertionError(f"{page}.md has no row {group}, {name}")


# Floors: what edges, uprights, cards and walls without scatter leave is of the size of the errors
# that rendered clips show against their truth: not half of it, not three times it.


def edge(mtf50: float) -> EdgeResult:
    region = EdgeRegion("edge", "centre", "vertical", np.zeros((4, 2)))
    return EdgeResult(region, None, mtf50, 1e-9, 0.0, 0.0, None, (0, 0), 8)  # type: ignore[arg-type]


def test_sharp_edges_without_scatter_leave_what_rendered_clips_leave():
    (place,) = by_place([edge(0.25)]).values()
    _, rms = published_rms("sharpness", "high contrast, H.264: centre and sides", "mtf50")
    assert 0.5 < 100 * place.u / place.value / rms < 3


def test_a_smooth_wall_leaves_what_rendered_walls_leave():
    y, x = np.mgrid[0:36, 0:64]
    r2 = ((x - 31.5) ** 2 + (y - 17.5) ** 2) / (31.5**2 + 17.5**2)
    wall = np.repeat((0.35 * 2.0**-r2)[..., None], 3, axis=2)
    found = measure_shading(wall, (640, 360))
    rms, _ = published_rms("shading", "one take, even light: corner_shading", "corner_shading")
    assert 0.5 < found.u_corner / rms < 3


# Survival: "a picture softer by a sixth beside the other one" is seen.


@pytest.mark.parametrize("kind", ["centre", "corners", "marked"])
def test_a_picture_softer_by_a_sixth_has_not_survived(kind):
    def of(value):
        return {kind: [SurvivalFigure(value, 1e-4 * value)] * 3}

    assert judge_survival(of(0.30), of(0.25), 1).verdict != "yes"
    assert judge_survival(of(0.30), of(0.28), 1).verdict == "yes"


# Read-out: what no clip shows from inside, and errors that neighbours share.


def passing(seed: int, shared: float) -> tuple[list[RowPoints], float]:
    """Four uprights of a camera of 16 ms; six neighbouring rows of two frames err alike."""
    rng = np.random.default_rng(seed)
    row_time, made = 16e-3 / 720, []
    rows = np.tile(np.linspace(-345, 345, 24), 10)
    times = np.repeat(np.arange(10) / 30, 24)
    for speed, start in ((900, -200), (-700, 300), (400, 50), (-1500, 500)):
        x = start + speed * (times + rows * row_time)
        alike = np.repeat(rng.standard_normal((10 // 2, 4)), 6, axis=1)
        x = x + shared * np.repeat(alike, 2, axis=0).ravel()
        made.append(
            RowPoints(times, rows, x + 1e-4 * rng.standard_normal(len(x)), 0.05, 10, 0, 1.5)
        )
    return made, row_time


def test_errors_shared_by_neighbours_are_not_counted_six_times():
    """Two-sided: the root mean square of 40 errors over their u is 1 within 0.4 (99.9 % of
    chi-square with 40 degrees of freedom), and a tenth more for priors and rounding."""
    z = []
    for seed in range(40):
        tracks, row_time = passing(seed, 0.5)
        fit = fit_row_time(tracks, np.arange(4), 640.0, 1e-5)
        z.append((fit.row_time - row_time) / fit.u)
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_a_perfect_clip_does_not_give_a_perfect_read_out():
    """An encoder moves all edges alike, however many uprights pass."""
    tracks, row_time = passing(0, 0.0)
    fit = fit_row_time(tracks, np.arange(4), 640.0, 1e-5)
    u = combined(_uncertainty(replace(fit, u=1e-12), tracks, 1e4, None)[0])
    _, rms = published_rms("readout", "lean 15 px or more, H.264", "readout_time")
    assert 0.5 < 100 * u / row_time / rms < 3


# Colour: noise lengthens differences, in what was seen as in the draws.


def test_the_length_that_noise_adds_is_taken_off():
    rng = np.random.default_rng(4)
    true, said = 1.0, []
    for _ in range(60):
        seen = np.array([true, 0.0]) + 0.5 * rng.standard_normal((400, 2))
        again = seen + 0.5 * rng.standard_normal((60, 400, 2))
        column = [np.hypot(*seen.T).mean(), *np.hypot(again[..., 0], again[..., 1]).mean(1)]
        said.append(_value(np.array(column)).value)
    # Seen 1.13, drawn 1.26: the Rice distribution's mean, by this simulation itself.
    assert np.mean(said) == pytest.approx(true, abs=0.04)


# Exposure: passes that scatter, and passes that agree.


def passes(each: np.ndarray) -> list[Pass]:
    line = EdgeLine.__new__(EdgeLine)
    return [Pass(line, 600.0, 600.0 * t, np.zeros(3)) for t in each]


class _Frames:
    def __init__(self) -> None:
        self.seconds = [k / 30 for k in range(30)]
        self.frames = [np.zeros((3, 1280))]


def concluded(each: np.ndarray):
    at = np.linspace(-20, 20, 401)
    return _conclude(passes(each), at, 1 / (1 + np.exp(-at / 0.6)), _Frames(), 0.0)  # type: ignore[arg-type]


def test_passes_that_scatter_widen_the_exposure():
    """Against the scatter of the mean, by NumPy: not less than it, nor three times it."""
    rng = np.random.default_rng(2)
    each = 0.02 * (1 + 0.08 * rng.standard_normal(12))
    u = concluded(each).u
    own = each.std(ddof=1) / math.sqrt(len(each))
    assert own < u < 3 * own


def test_passes_that_agree_leave_what_the_encoder_does():
    found = concluded(np.full(12, 0.02))
    _, rms = published_rms("exposure", "passing card, 1/30 to 1/250 s", "exposure_time")
    assert 0.4 < 100 * found.u / found.time / rms < 3


# Clock: an error that wanders over a clip shorter than its beat looks like a rate.


@pytest.mark.parametrize("lengths", [(1, 4), (4, 12), (5, 50)])
def test_a_slow_beat_is_no_rate(lengths):
    """A sine of 4 ms and its own straight line, by NumPy: as large as is said, either way."""
    rng = np.random.default_rng(1)
    times = np.arange(600) / 30
    slopes, said = [], []
    for _ in range(300):
        period = 20 * rng.uniform(*lengths)
        off = 4e-3 * np.sin(2 * np.pi * (times / period + rng.uniform()))
        slope, start = np.polyfit(times, off, 1)
        slopes.append(1e6 * slope)
        common = np.full(len(times), 4e-3 / math.sqrt(2))
        said.append(beat_u(times, common, off - start - slope * times))
    ratio = np.sqrt(np.mean(np.square(slopes)) / np.mean(np.square(said)))
    assert 0.67 < ratio < 1.5


# Shading: what luminance is made of.


def test_luminance_is_that_of_srgb():
    """From the primaries and the white point of IEC 61966-2-1 (chromaticities x, y) by arithmetic;
    BT.601 has 0.299, 0.587, 0.114."""
    x, y = np.array([0.64, 0.30, 0.15]), np.array([0.33, 0.60, 0.06])
    primaries = np.array([x / y, np.ones(3), (1 - x - y) / y])
    white = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
    assert np.abs(XYZ_OF_RGB - primaries * np.linalg.solve(primaries, white)).max() < 3e-4


# Low light: between two takes the curve bends.


def test_the_curve_between_two_takes_is_not_straight():
    """Read and photon noise through a square-root law, takes two stops apart and exact: the
    light where SNR is 20 dB lies in the interval, which is no wider than the step."""
    rng = np.random.default_rng(5)
    held, widths = 0, []
    for _ in range(30):
        photons, read = rng.uniform(20, 200), rng.uniform(5, 40)

        def snr(lux, photons=photons, read=read):
            n = photons * lux
            return 20 * math.log10(n / math.sqrt(n + read**2))

        true = (100 + math.sqrt(100**2 + 4 * 100 * read**2)) / 2 / photons
        first = true * 2 ** rng.uniform(0.3, 1.7)
        lux = [first * 4, first, first / 4, first / 16]
        points = [Point(snr(x), 1e-3) for x in lux]
        found = least_usable(lux, [1e-4 * x for x in lux], {"snr": points}, [Rule("snr", 20.0)])
        held += found.interval[0] <= true <= found.interval[1]
        widths.append(math.log2(found.interval[1] / found.interval[0]))
    assert held >= 27
    assert max(widths) < 1


# Noise: rounding is noise too.


def test_rounding_to_codes_ends_the_dynamic_range():
    """EMVA 1288 Release 3.1, section 2: the variance of quantisation is 1/12 of a squared step.

    A sensor without noise of its own but photons, coded in coarse steps: noise equals signal at
    the root of L² = k L + step²/12.
    """
    per_light, step = 1e-5, 0.02
    levels = []
    for light in (0.02, 0.04, 0.08, 0.16, 0.3):
        seen = math.sqrt(per_light * light + step**2 / 12)
        levels.append(
            NoiseLevel(
                "", light, 1e-6, seen, seen / 1e3, 5e5, 0.0, 1e-6, 0.0, 1e-9, 2.0, step, 1.0,
                0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1600, 24, light, 0.0,
            )
        )  # fmt: skip
    found = dynamic_range(levels, step)
    assert found is not None
    least = max(np.roots([1, -per_light, -(step**2) / 12]))
    assert found.stops == pytest.approx(-math.log2(least), abs=0.02)


# Claims: of two sets as ordinary and as large, the better known one decides.


def test_of_two_like_sets_the_narrower_decides():
    wide = result("mtf50_centre", 0.30, 0.05, conditions={"orientation": "vertical"})
    narrow = result("mtf50_centre", 0.20, 0.004, conditions={"orientation": "horizontal"})
    for order in ([wide, narrow], [narrow, wide]):
        assert judge(Claimed("mtf50_centre", 0.20), order).result.value == 0.20
