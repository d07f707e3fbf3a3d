"""Lens, cross-validated: two halves of the views against the stated uncertainty."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.procedures.lens import measure as lens_measure
from seeworthy.procedures.lens import study
from seeworthy.procedures.lens.board import BoardView
from seeworthy.procedures.lens.halves import agree, widened
from seeworthy.procedures.lens.measure import measure_lens
from seeworthy.publish.numbers import finding_text
from test_lens import views_of


def film(seed, noise=0.05):
    rng = np.random.default_rng(seed)
    lens = study.random_lens("mild barrel", rng)
    return lens, views_of(lens, study.script(lens, rng, holds=14), noise, seed)


def test_half_the_difference_where_it_is_too_large():
    # t(11) = 2.201 (table): 2.201 x 2 x 0.1 = 0.440 is allowed.
    assert agree(0.1, 0.43, 11)
    assert not agree(0.1, 0.45, 11)
    assert widened(0.1, 0.43, 11) == 0.1
    assert widened(0.1, -0.6, 11) == pytest.approx(0.3)
    assert widened(0.1, math.nan, 11) == 0.1


def test_halves_of_one_lens_agree():
    figures = [measure_lens(film(seed)[1], 1280, 720) for seed in range(4)]
    told = [f.halves["hfov"] for f in figures]
    assert sum(h.agree for h in told) >= 3  # 95 % of them should
    assert all(0 < abs(h.difference) < 8 * h.u for h in told)


def test_halves_that_saw_two_lenses_tell_the_difference():
    lens, views = film(1)
    middle = np.array([lens.cx, lens.cy])
    views = [
        BoardView(v.plane, middle + (v.image - middle) * (1.004 if i % 2 else 1.0))
        for i, v in enumerate(views)
    ]
    found = measure_lens(views, 1280, 720)
    # 0.4 % of the focal length by construction; what the views scatter by has seen it as well.
    assert found.halves["focal_length"].difference == pytest.approx(0.004 * lens.fx, rel=0.2)
    plain = measure_lens(film(1)[1], 1280, 720)
    assert found.values["focal_length"][1] > 2 * plain.values["focal_length"][1]


def test_a_difference_beyond_the_scatter_widens_what_is_stated(monkeypatch):
    _, views = film(2)
    monkeypatch.setattr(lens_measure, "difference", lambda *_: np.full(6, 0.6))
    found = measure_lens(views, 1280, 720)
    assert not found.halves["hfov"].agree
    assert found.values["hfov"][1] == pytest.approx(0.3)
    assert found.coefficients["k1"][1] == pytest.approx(0.3)
    assert found.halves["hfov"].u < 0.1


def test_the_map_holds_the_true_directions():
    """Against rays of the virtual lens, angles from the middle pixel by the cosine."""
    scores = []
    for seed in range(4):
        lens, views = film(seed)
        found = measure_lens(views, 1280, 720)
        places = np.stack(np.meshgrid(found.map.x, found.map.y), axis=-1).reshape(-1, 2)
        rays = lens.ray(np.vstack([places, [[639.5, 359.5]]]))
        true = np.degrees(np.arccos(np.clip(rays[:-1] @ rays[-1], -1, 1)))
        off = (found.map.angle.ravel() - true)[true > 0.1]
        scores.append(off / found.map.u.ravel()[true > 0.1])
        # By geometry: the ends of the middle row, together, are the angle across.
        across = found.map.angle[2, 0] + found.map.angle[2, -1]
        assert across == pytest.approx(found.values["hfov"][0], abs=0.01)
        assert found.map.u[0, 0] > found.map.u[2, 3]
    score = np.concatenate(scores)
    assert (
        np.mean(np.abs(score) < 2.2) > 0.8
    )  # t(13) = 2.16 (table); places of one lens go together
    assert 0.3 < np.sqrt(np.mean(score**2)) < 1.6


def test_the_map_is_wider_where_halves_saw_two_lenses():
    lens, views = film(1)
    middle = np.array([lens.cx, lens.cy])
    apart = [
        BoardView(v.plane, middle + (v.image - middle) * (1.004 if i % 2 else 1.0))
        for i, v in enumerate(views)
    ]
    plain, wide = (measure_lens(v, 1280, 720).map for v in (views, apart))
    assert wide.u[0, 0] > 2 * plain.u[0, 0]
    told = wide.finding()
    assert told["u_deg"][0][0] == round(float(wide.u[0, 0]), 5)
    assert np.shape(told["angle_deg"]) == (5, 9)
    most = f"{max(max(row) for row in told['u_deg']):.6g}"
    assert f"u deg 5 rows of 9, 0 to {most}" in finding_text(told)


def test_few_views_say_nothing_of_halves():
    assert measure_lens(film(1)[1][:8], 1280, 720).halves == {}
