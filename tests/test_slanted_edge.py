"""Slanted edges: analytic responses, published MTF values, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.sharpness.slanted_edge import fit_edge, response, spread


def edge(sigma, angle, size=(80, 60), noise=0.0, low=0.1, high=0.7, aperture=True, bend=0.0):
    """A Gaussian-blurred edge, analytic per sub-pixel, averaged over the pixel."""
    h, w = size
    y, x = np.mgrid[0:h, 0:w].astype(float)
    n = 9 if aperture else 1
    steps = (np.arange(n) - (n - 1) / 2) / n
    a = np.radians(angle)
    total = np.zeros((h, w))
    for dy in steps:
        for dx in steps:
            off = y + dy - h / 2
            d = (x + dx - w / 2 + 0.3 - bend * off**2) * np.cos(a) - off * np.sin(a)
            total += 0.5 * (1 + erf(d / sigma / np.sqrt(2)))
    light = low + (high - low) * total / n**2
    return light + np.random.default_rng(3).normal(0, noise, light.shape)


def mtf50(light):
    found = fit_edge(light)
    return response(spread(light, found)).mtf50


# Geometry.


@pytest.mark.parametrize("angle", [5.0, -6.5, 12.0])
def test_angle_and_place_of_the_edge(angle):
    found = fit_edge(edge(0.8, angle))
    assert found.angle == pytest.approx(angle, abs=0.02)
    # The edge runs through x = w/2 - 0.3 in row h/2.
    assert float(found.x(40.0)) == pytest.approx(29.7, abs=0.02)


def test_levels_of_both_sides():
    found = fit_edge(edge(0.8, 6))
    assert found.low == pytest.approx(0.1, abs=1e-3)
    assert found.high == pytest.approx(0.7, abs=1e-3)


# Published: a Gaussian PSF of sigma has MTF50 = 0.187391 / sigma (mtf_summary.csv).


@pytest.mark.parametrize("sigma", ["0.5", "0.7", "1", "1.5"])
def test_mtf50_of_a_gaussian_published(published, sigma):
    row = next(
        r
        for r in published("mtf_summary.csv")
        if r["model"] == f"gaussian sigma {sigma} px" and r["quantity"] == "MTF50 c/px"
    )
    found = mtf50(edge(float(sigma), 6.0, aperture=False))
    assert found == pytest.approx(float(row["value"]), rel=0.01)


def test_the_whole_curve_of_gauss_times_pixel_published(published):
    found = fit_edge(light := edge(0.5, 5.5, (120, 60)))
    curve = response(spread(light, found))
    for row in published("mtf_analytic.csv"):
        f = float(row["f_cycles_per_pixel"])
        if f > 0.45:
            break
        value = float(np.interp(f, curve.frequency, curve.response))
        assert value == pytest.approx(float(row["gauss0.5_times_pixel"]), abs=0.008)


def test_derivative_and_bins_are_corrected_for(published):
    # Without the correction the curve would fall short by these factors (ISO 12233; the
    # formula is from memory, the values by arithmetic).
    row = next(r for r in published("mtf_analytic.csv") if r["f_cycles_per_pixel"] == "0.5")
    assert float(np.sinc(0.25)) == pytest.approx(
        float(row["central_difference_[-1,0,1]/2_at_0.25px_sinc(f/2)"]), abs=1e-6
    )
    found = response(spread(light := edge(0.3, 6, aperture=False), fit_edge(light)))
    value = float(np.interp(0.5, found.frequency, found.response))
    assert value == pytest.approx(np.exp(-2 * (np.pi * 0.3 * 0.5) ** 2), abs=0.02)


# Injected truth.


@pytest.mark.parametrize("sigma", [0.5, 0.8, 1.2, 1.5])
@pytest.mark.parametrize("angle", [4.0, 7.5, -11.0])
def test_within_one_percent_without_encoder(sigma, angle):
    f = np.arange(0, 1, 1e-4)
    a = np.radians(angle)
    curve = np.exp(-2 * (np.pi * sigma * f) ** 2) * np.sinc(f * np.cos(a)) * np.sinc(f * np.sin(a))
    truth = f[np.argmax(curve < 0.5)]
    assert mtf50(edge(sigma, angle)) == pytest.approx(truth, rel=0.01)


def test_a_bent_edge_is_followed():
    straight, bent = mtf50(edge(0.8, 6)), mtf50(edge(0.8, 6, bend=4e-4))
    assert bent == pytest.approx(straight, rel=0.01)


def test_noise_scatters_and_does_not_bias_much():
    truth = mtf50(edge(0.8, 6))
    assert mtf50(edge(0.8, 6, noise=0.01)) == pytest.approx(truth, rel=0.03)


def test_dark_to_bright_and_bright_to_dark_are_the_same():
    light = edge(0.7, 6)
    assert mtf50(light[:, ::-1]) == pytest.approx(mtf50(light), rel=2e-3)


def test_sharpening_shows_as_overshoot():
    import cv2

    light = edge(0.8, 6).astype(np.float32)
    sharp = light + 1.2 * (light - cv2.GaussianBlur(light, (0, 0), 1.0))
    found = response(spread(sharp.astype(float), fit_edge(sharp.astype(float))))
    plain = response(spread(light.astype(float), fit_edge(light.astype(float))))
    # In one dimension: the edge widened by blur and pixel, and the same blurred once more.
    x = np.linspace(-12, 12, 4801)
    once = np.convolve(0.5 * (1 + erf(x / 0.8 / np.sqrt(2))), np.ones(200) / 200, "same")
    gauss = np.exp(-0.5 * x**2)
    twice = np.convolve(once, gauss / gauss.sum(), "same")
    middle = slice(1200, -1200)
    over = once + 1.2 * (once - twice)
    assert found.overshoot == pytest.approx(100 * (over[middle].max() - 1), abs=0.7)
    assert found.peak > 1.04
    assert plain.overshoot < 0.5
    assert plain.peak == pytest.approx(1.0, abs=0.01)


# Refusals.


@pytest.mark.parametrize(
    ("light", "words"),
    [
        (edge(0.8, 0.0), "too few sub-pixel places"),
        (edge(0.8, 26.565, (60, 90)), "too few sub-pixel places"),
        (edge(0.8, 45.0, (60, 120)), "too few sub-pixel places"),
        (edge(0.8, 6, (16, 60)), "too short"),
        (edge(0.8, 6, low=0.5, high=0.53), "too little contrast"),
        (edge(0.8, 6, low=0.3, high=0.5, noise=0.3), ""),
        (np.full((80, 60), 0.4), ""),
        (np.random.default_rng(1).random((80, 60)), ""),
    ],
)
def test_edges_that_cannot_be_measured(light, words):
    with pytest.raises(CannotMeasure) as caught:
        mtf50(light)
    assert words in caught.value.message
    assert caught.value.hint
