"""Dynamic range off a ladder: photons and tone curves by formulas of this file, NumPy alone."""

from __future__ import annotations

import math
from fractions import Fraction

import av
import numpy as np
import pytest

from seeworthy.ground.budget import combined
from seeworthy.ground.errors import WrongCall
from seeworthy.media.frames import ColourTags
from seeworthy.media.light import light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.noise.ladder import range_of, rung_of
from seeworthy.procedures.study import measured

LIGHT = light(ColourTags("limited", 1, 1, 1), 8)


def bt709(x):  # ITU-R BT.709-6 item 1.2
    return np.where(x < 0.018, 4.5 * x, 1.099 * np.maximum(x, 1e-9) ** 0.45 - 0.099)


CURVES = {
    "BT.709": bt709,
    "power": lambda x: np.maximum(x, 0) ** (1 / 2.2),
    "S": lambda x: bt709(x) + 0.5 * bt709(x) * (1 - bt709(x)) * (2 * bt709(x) - 1),
    "logarithmic": lambda x: np.log1p(40 * np.maximum(x, 0)) / np.log1p(40),
}


def coded(x, curve, well, read, rng):
    """Codes of light: photons, read noise, tone curve, rounding; cut at black and white."""
    seen = rng.poisson(np.minimum(x, 4.0) * well) / well + rng.normal(0, read / well, x.shape)
    signal = CURVES[curve](np.clip(seen, 0, 1))
    return np.clip(np.rint(16 + 219 * signal), 16, 235).astype(np.uint8)


def true_range(curve, well, read, limit=1.0):
    """ISO 15739 (from memory): stops from white to where L · dI/dL is `limit` times the noise."""
    stops = np.linspace(-14, 0, 5000)
    x = 2.0**stops
    slope = np.gradient(219 * CURVES[curve](x), x)
    noise = np.sqrt((x / well + (read / well) ** 2) * slope**2 + 1 / 12)
    return -stops[np.flatnonzero(x * slope / noise < limit)[-1]]


def ladder(curve, rng, step=0.7, well=3000.0, read=6.0, top=0.8, count=16, u=0.03):
    stops = top - rng.uniform(0, step) - step * np.arange(count)
    rungs = []
    for number, true in enumerate(stops):
        codes = coded(np.full((12, 24, 24), 2.0**true), curve, well, read, rng)
        typed = float(true + rng.normal(0, u))
        rungs.append(rung_of(str(number), codes, (typed, u), LIGHT))
    return rungs


@pytest.mark.parametrize("curve", CURVES)
def test_both_ends_are_found_whatever_the_tone_curve(curve):
    rng = np.random.default_rng(4)
    z = []
    for _ in range(8):
        well, read = 10 ** rng.uniform(3.3, 3.7), float(rng.uniform(4, 10))
        found = range_of(ladder(curve, rng, well=well, read=read), 1.0, Tone())
        assert found is not None
        u = combined(found.parts)
        assert u < 0.6
        z.append((found.stops - true_range(curve, well, read)) / u)
    assert max(map(abs, z)) < 2.6
    assert np.std(z) > 0.2  # two-sided: an interval of any width would hold


def test_a_stated_limit_is_reached_sooner():
    rng = np.random.default_rng(5)
    rungs = ladder("BT.709", rng)
    one, ten = (range_of(rungs, limit, Tone()) for limit in (1.0, 10.0))
    gap = true_range("BT.709", 3000, 6) - true_range("BT.709", 3000, 6, 10.0)
    assert one.stops - ten.stops == pytest.approx(gap, abs=0.5)


def test_a_ladder_that_ends_above_the_limit_gives_none():
    rng = np.random.default_rng(6)
    assert range_of(ladder("BT.709", rng, count=8), 1.0, Tone()) is None
    assert range_of(ladder("BT.709", rng)[:3], 1.0, Tone()) is None


def test_rungs_in_the_wrong_order_give_none():
    rng = np.random.default_rng(7)
    rungs = ladder("BT.709", rng)
    codes = [r.code for r in rungs]
    from dataclasses import replace

    mixed = [replace(r, code=codes[(i * 7) % len(codes)]) for i, r in enumerate(rungs)]
    assert range_of(mixed, 1.0, Tone()) is None


def test_a_rung_that_is_clipped_ends_it_without_a_tone_curve():
    rng = np.random.default_rng(8)
    rungs = ladder("S", rng, top=1.6, well=2000.0, read=10.0)
    with_white = range_of(rungs, 1.0, Tone())
    without = range_of([r for r in rungs if not r.white], 1.0, Tone())
    assert "place of clipping" in [p.name for p in with_white.parts]
    assert any("tone curve" in p.name for p in without.parts)


SIZE = (256, 384)  # rows, columns
BOXES = [(8 + 94 * (i % 4), 6 + 62 * (i // 4), 84, 52) for i in range(16)]


def film(path, stops, rng, well=3000.0, read=6.0, curve="S", codec="libx264"):
    """Film patches of these stops over white, no code of ours between; H.264 without loss."""
    picture = np.full(SIZE, 0.02)
    for (x, y, w, h), one in zip(BOXES, stops, strict=False):
        picture[y : y + h, x : x + w] = 2.0**one
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=30)
        stream.options = {"qp": "0", "preset": "ultrafast"} if codec == "libx264" else {}
        stream.height, stream.width = SIZE
        stream.pix_fmt, stream.bit_rate = "yuv420p", 6_000_000
        context = stream.codec_context
        context.color_range = context.colorspace = context.color_primaries = context.color_trc = 1
        for k in range(16):
            luma = coded(picture, curve, well, read, rng)
            packed = np.concatenate([luma.ravel(), np.full(luma.size // 2, 128, np.uint8)])
            frame = av.VideoFrame.from_ndarray(packed.reshape(-1, SIZE[1]), format="yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, 30)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def ask(clips, densities, count, light=()):
    typed = " ".join(f"{d:.3f}" for d in densities) + " ± 0.01"
    regions = [f"{x + 8},{y + 8},{w - 16},{h - 16}" for x, y, w, h in BOXES[:count]]
    files = {"": clips[:1], "ladder": clips[1:]}
    readings = {"densities": [typed], **({"light": light} if light else {})}
    said = measured("noise", files, readings, {"region": regions})
    return said, next((r for r in said.results if r.measurand == "dynamic_range"), None)


def test_sheets_of_film_on_a_light_box_give_the_range(tmp_path):
    stops = 0.5 - 0.75 * np.arange(16)
    clip = film(tmp_path / "a.mp4", stops, np.random.default_rng(2))
    said, found = ask([clip], (stops[0] - stops) / math.log2(10), 16)
    assert "bound" not in found.conditions
    assert found.interval[0] < true_range("S", 3000, 6) < found.interval[1]
    assert found.u < 0.6
    assert "ladder" in [f.name for f in said.figures]


def test_where_the_encoder_took_of_the_noise_it_is_at_most_that(tmp_path):
    stops = 0.5 - 0.75 * np.arange(16)
    clip = film(tmp_path / "a.mp4", stops, np.random.default_rng(2), codec="mpeg4")
    said, found = ask([clip], (stops[0] - stops) / math.log2(10), 16)
    assert found.conditions["bound"] == "upper"
    assert true_range("S", 3000, 6) < found.value
    assert any("at most that of the file" in text for text in said.warnings)


LESS = (0.0, -1.5, -3.0, -4.5)


def steps(tmp_path, opened=0.0):
    """Twelve steps over five stops, filmed at four levels; the third opens up by some stops."""
    stops = -0.2 - 0.42 * np.arange(12)
    rng = np.random.default_rng(3)
    clips = [
        film(tmp_path / f"{k}.mp4", stops + less + opened * (k == 2), rng)
        for k, less in enumerate(LESS)
    ]
    return clips, (stops[0] - stops) / math.log2(10)


def readings(count=4):
    return [f"{1000 * 2**x:.1f} lx ± {20 * 2**x:.2f} lx" for x in LESS[:count]]


def test_a_ladder_of_exposures_reaches_below_the_print(tmp_path):
    clips, densities = steps(tmp_path)
    alone = ask(clips[:1], densities, 12)[1]
    assert alone.conditions["bound"] == "lower"
    said, found = ask(clips, densities, 12, readings())
    assert "bound" not in found.conditions
    assert found.interval[0] < true_range("S", 3000, 6) < found.interval[1]
    assert found.value > alone.value
    assert not any("ladder" in text for text in said.warnings)


def test_a_camera_that_does_not_hold_its_exposure_is_found_out(tmp_path):
    clips, densities = steps(tmp_path, opened=1.0)
    said, found = ask(clips, densities, 12, readings())
    assert found.conditions["bound"] == "lower"
    assert any("was not held: clip 3 is +1" in text for text in said.warnings)
    with pytest.raises(WrongCall, match="3 light readings were typed for 4 clips"):
        ask(clips, densities, 12, readings(3))
