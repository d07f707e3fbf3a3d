"""What procedures hand to `correct`: fields, storage, JSON."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.results import Outcome
from seeworthy.procedures.shading.gain_map import CAP, gain_map


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


@pytest.mark.parametrize("kind", ["pinhole", "fisheye"])
def test_the_lens_of_a_mirrored_file_fits_the_file(kind: str) -> None:
    from types import SimpleNamespace

    from seeworthy.judge.correct.data import DataOrigin, LensData, parse
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
