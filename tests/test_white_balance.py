"""White balance: tints made by arithmetic of its own, coded by other encoders, with NumPy alone."""

from __future__ import annotations

import math
from fractions import Fraction

import av
import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.uncertainty import of_length
from seeworthy.optics.hues import GREY, hue_word, uv_of
from seeworthy.procedures.study import measured

WIDTH, HEIGHT = 320, 192
GREYS = (0.7, 0.4, 0.25, 0.18, 0.09, 0.05)
BOXES = [f"{12 + 104 * (i % 3)},{12 + 92 * (i // 3)},72,64" for i in range(6)]
# IEC 61966-2-1: linear RGB of BT.709 primaries to XYZ.
MATRIX = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def uv(rgb):
    """CIE 15:2018, 8.2.1.1: u' = 4X / (X + 15Y + 3Z), v' = 9Y / (X + 15Y + 3Z)."""
    x, y, z = MATRIX @ np.asarray(rgb, float)
    return np.array([4 * x, 9 * y]) / (x + 15 * y + 3 * z)


def bt709(light):  # ITU-R BT.709-6 item 1.2
    light = np.clip(light, 0, 1)
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)


def s_curve(light):
    v = bt709(light)
    return v + 0.4 * v * (1 - v) * (2 * v - 1)


def film(path, gains, curve=bt709, codec="mpeg4", drift=0.0, colour=True, white=1.0):
    """Film six greys of these linear gains; `drift` is added to red's gain over the clip."""
    rng = np.random.default_rng(5)
    light = np.full((HEIGHT, WIDTH), 0.3)
    for box, grey in zip(BOXES, GREYS, strict=True):
        x, y, w, h = map(int, box.split(","))
        light[y - 6 : y + h + 6, x - 6 : x + w + 6] = grey * white
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=30)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.bit_rate = 3_000_000
        context = stream.codec_context
        context.color_range = context.colorspace = context.color_primaries = context.color_trc = 1
        for k in range(12):
            each = np.array(gains) * [1 + drift * k / 11, 1, 1]
            picture = light[..., None] * each + rng.normal(0, 0.006, (HEIGHT, WIDTH, 3))
            picture[-10:, :40] *= [1.5, 0.4, 0.3]
            signal = curve(picture)
            luma = signal @ [0.2126, 0.7152, 0.0722]  # BT.709-6 item 3.2 and 3.3
            planes = [16 + 219 * luma]
            for c, by in ((2, 1.8556), (0, 1.5748)):
                plane = 128 + 224 * (signal[..., c] - luma) / by * colour
                planes.append(plane.reshape(HEIGHT // 2, 2, WIDTH // 2, 2).mean(axis=(1, 3)))
            packed = np.concatenate([np.rint(p).clip(0, 255).astype(np.uint8).ravel()
                                     for p in planes])  # fmt: skip
            frame = av.VideoFrame.from_ndarray(packed.reshape(-1, WIDTH), format="yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, 30)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def ask(path, chart="0", **options):
    options = {"region": BOXES, **{k: [v] for k, v in options.items()}}
    return measured("white-balance", [path], {"chart_tint": [chart]}, options)


def test_chromaticities_are_those_of_the_standard():
    # CIE 15:2018, Table T.3: D65 has u' = 0.1978, v' = 0.4683; red of BT.709 0.4507, 0.5229.
    assert uv_of(GREY) == pytest.approx([0.1978, 0.4683], abs=1e-4)
    assert uv_of(np.array([1.0, 0, 0])) == pytest.approx([0.4507, 0.5229], abs=2e-4)


@pytest.mark.parametrize(
    ("gains", "hue"),
    [((1.12, 1, 0.86), "yellow"), ((0.9, 1, 1.15), "blu"), ((0.92, 1, 0.95), "green")],
)
def test_a_tint_is_found_and_named(tmp_path, gains, hue):
    said = ask(film(tmp_path / "a.mp4", gains), illuminant="overcast")
    tint, drift = said.results
    off = uv(gains) - uv([1, 1, 1])
    true = math.hypot(*off)
    assert tint.value == pytest.approx(true, abs=0.0012)
    assert tint.interval[0] < true < tint.interval[1]
    # By the tag the slope of the tones leaves ± 37 % open, and not much more is added.
    assert 0.15 * true < tint.u < 0.3 * true
    assert hue in hue_word(off)
    assert hue in said.findings["hue"]
    assert tint.conditions == {"illuminant": "overcast"}
    assert drift.interval[0] == 0
    assert said.findings["gains"] == pytest.approx([1 / gains[0], 1, 1 / gains[2]], rel=0.02)
    assert len(said.findings["steps"]) == 6


def test_a_neutral_camera_is_not_called_tinted(tmp_path):
    said = ask(film(tmp_path / "a.mp4", (1, 1, 1)))
    assert said.results[0].interval[0] == 0
    assert said.results[0].interval[1] < 0.004
    assert "cannot be told from neutral" in said.sentence


def test_another_tone_curve_stays_within(tmp_path):
    gains = (1.1, 1, 0.9)
    tint, drift = ask(film(tmp_path / "a.mp4", gains, s_curve)).results
    true = math.hypot(*(uv(gains) - uv([1, 1, 1])))
    assert abs(tint.value - true) > 0.05 * true  # what the curve does shows
    assert tint.interval[0] < true < tint.interval[1]
    # Greys of one tint under another curve look as if they drifted: that is allowed for.
    assert drift.interval[0] < 0.001


def test_the_paper_is_in_the_interval(tmp_path):
    path = film(tmp_path / "a.mp4", (1.1, 1, 0.9))
    known, printed = ask(path).results[0], measured(
        "white-balance", [path], {}, {"region": BOXES}
    ).results[0]  # fmt: skip
    assert printed.u > 2 * known.u
    assert any("chart" in c.name for c in printed.budget)


def test_a_balance_that_moves_is_told(tmp_path):
    said = ask(film(tmp_path / "a.mp4", (1, 1, 1), drift=0.2))
    assert said.findings["moved"] > 0.005
    assert any("moves" in text for text in said.warnings)
    assert any("moves" in c.name for c in said.results[0].budget)
    still = ask(film(tmp_path / "b.mp4", (1, 1, 1)))
    assert not any("moves" in text for text in still.warnings)


def test_wrong_clips_are_refused(tmp_path):
    with pytest.raises(CannotMeasure, match="no colour anywhere"):
        ask(film(tmp_path / "grey.mp4", (1, 1, 1), colour=False))
    bright = film(tmp_path / "bright.mp4", (1.3, 1, 0.9), white=4.0)
    assert set(ask(bright).findings["left_out"]) >= {"region 1", "region 2"}
    with pytest.raises(CannotMeasure, match="not found"):
        measured("white-balance", [bright])


@pytest.mark.parametrize("true", [0.0, 0.5, 1.0, 2.0, 4.0])
def test_the_interval_of_a_length_holds(true):
    """Drawn errors of two components; one-sided near nought, where a length cannot be less."""
    rng = np.random.default_rng(1)
    seen = np.hypot(true + rng.standard_normal(4000), rng.standard_normal(4000))
    ends = np.array([of_length(float(v), 1.0) for v in seen])
    inside = np.mean((ends[:, 0] <= true) & (true <= ends[:, 1]))
    assert 0.935 < inside < (0.965 if true in (0.0, 4.0) else 0.99)
