"""What procedures hand to `correct`: fields, storage, JSON."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from seeworthy.ground.errors import WrongCall
from seeworthy.ground.results import Outcome
from seeworthy.judge.correct.data import DataOrigin, ShadingData, parse
from seeworthy.judge.correct.gain import gain_field
from seeworthy.procedures.shading.gain_map import CAP, GRID, gain_map
from seeworthy.procedures.shading.spots import Spot
from seeworthy.virtual.optics import HotSpot, Shading


def test_a_correction_is_json() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        Outcome(correction={"kind": "lens", "matrix": [math.nan]})
    with pytest.raises(TypeError):
        Outcome(correction={"kind": "lens", "matrix": np.zeros(3)})
    with pytest.raises(ValueError, match="kind"):
        Outcome(correction={"matrix": [1.0]})


def _field(stops: float, lamp: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """Block means of a field that darkens with the square of the radius; red more so."""
    x, y = np.meshgrid((np.arange(64) + 0.5) / 32 - 1, (np.arange(36) + 0.5) / 18 - 1)
    r2 = (x**2 + (0.5625 * y) ** 2) / (1 + 0.5625**2)
    light = lamp[0] / 2 * x + lamp[1] / 2 * y
    return np.stack([0.4 * np.exp2(-s * r2 + light) for s in (1.2 * stops, stops, stops)], axis=-1)


def _even(stops: float) -> np.ndarray:
    x, y = np.meshgrid((np.arange(32) + 0.5) / 16 - 1, (np.arange(18) + 0.5) / 9 - 1)
    r2 = (x**2 + (0.5625 * y) ** 2) / (1 + 0.5625**2)
    return np.stack([np.exp2(s * r2) for s in (1.2 * stops, stops, stops)], axis=-1)


def test_gain_undoes_the_fall_off_and_not_the_lamp() -> None:
    fields = [_field(1.5, (0.4, -0.2)), _field(1.5, (-0.4, 0.2))]
    found = gain_map(fields, (0.4, -0.2), (639.5, 359.5), (1280, 720))
    np.testing.assert_allclose(found.gain, _even(1.5), rtol=2e-3)
    assert found.capped == 0


def test_of_a_slope_in_one_take_half_is_left() -> None:
    found = gain_map([_field(1.0, (0.4, 0.0))], (0.4, 0.0), (639.5, 359.5), (1280, 720))
    left, right = (np.log2(found.gain[9, i, 1] / _even(1.0)[9, i, 1]) for i in (0, -1))
    assert right - left == pytest.approx(-0.2 * 31 / 32, abs=0.01)


def test_gain_is_capped_and_says_where() -> None:
    found = gain_map([_field(5.0)], (0.0, 0.0), (639.5, 359.5), (1280, 720))
    assert found.gain.max() == CAP
    assert 0.01 < found.capped < 0.5


def test_a_compact_spot_does_not_pull_the_surface() -> None:
    field = _field(1.0)
    field[10:13, 40:43, 0] *= 1.2
    found = gain_map([field], (0.0, 0.0), (639.5, 359.5), (1280, 720))
    np.testing.assert_allclose(found.gain, _even(1.0), rtol=5e-3)


@pytest.mark.parametrize("size", [(1280, 720), (640, 360)])
def test_a_hot_spot_is_evened_out_at_every_size(size: tuple[int, int]) -> None:
    """Truth: the virtual lens's own gain, whose spot adds to the light."""
    from dataclasses import replace

    shade = Shading(1.0, 2.0, red=0.1, blue=-0.1, spot=HotSpot(0.3, 0.6, 0.08, (1.08, 1.0, 1.03)))
    field = cv2.resize(shade.gain(1280, 720) * 0.4, (64, 36), interpolation=cv2.INTER_AREA)
    spot = Spot(0.3 * 1279, 0.6 * 719, 2.355 * 0.08 * 640, 0.004, "red")
    made = gain_map([field.astype(float)], (0.0, 0.0), (639.5, 359.5), (1280, 720), spot)
    assert made.spot == pytest.approx(np.log2([1.08, 1.0, 1.03]), abs=0.003)
    given = {
        "kind": "shading", "size": [1280, 720], "grid": list(GRID),
        "gain": [made.gain[..., k].ravel().tolist() for k in range(3)],
        "spot": {"x": spot.x, "y": spot.y, "size_px": spot.size, "stops": made.spot},
    }  # fmt: skip
    data = parse(given, DataOrigin("wall"))
    assert isinstance(data, ShadingData)
    left = np.log2(shade.gain(*size) * gain_field(data, size))
    assert np.ptp(left, axis=(0, 1)).max() < 0.01  # stops; 0.11 with the spot
    assert np.ptp(np.log2(shade.gain(*size) * gain_field(replace(data, spot=None), size))) > 0.1
    for wrong in ({"size_px": 0}, {"stops": [9, 0, 0]}, {"stops": [1, 2]}, {"x": math.nan}):
        with pytest.raises(WrongCall):
            parse(given | {"spot": given["spot"] | wrong}, DataOrigin("wall"))


@pytest.mark.parametrize("kind", ["pinhole", "fisheye"])
def test_the_lens_of_a_mirrored_file_fits_the_file(kind: str) -> None:
    from types import SimpleNamespace

    from seeworthy.judge.correct.data import LensData
    from seeworthy.optics.lens import LensCamera
    from seeworthy.procedures.lens.run import _correction

    k = (-0.2, 0.03, 2e-3, -3e-3, 0.0) if kind == "pinhole" else (-0.02, 0.003, 0.0, 0.0)
    camera = LensCamera(kind, 640, 360, 400, 404, 330, 171, k)  # type: ignore[arg-type]
    figures = SimpleNamespace(fit=SimpleNamespace(camera=camera), reach=0.9)
    rays = np.array([[0.3, 0.2], [-0.5, 0.1], [0.0, -0.3], [0.6, 0.4]])
    for mirrored in ("yes", "no"):
        inputs = SimpleNamespace(option=lambda _, told=mirrored: told)
        found = parse(_correction(figures, inputs), DataOrigin("board"))  # type: ignore[arg-type]
        assert isinstance(found, LensData)
        turn, seen = np.array([1.0, 1.0]), camera.distort(rays)
        if mirrored == "yes":
            turn, seen = np.array([-1.0, 1.0]), seen * (-1, 1) + (639, 0)
        np.testing.assert_allclose(found.camera.distort(rays * turn), seen, atol=1e-9)
    assert found.reach == 0.9
