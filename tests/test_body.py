"""Size and mass."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from seeworthy.ground.errors import BadQuantity, CannotMeasure
from seeworthy.procedures.body import PROCEDURE
from seeworthy.procedures.body.measure import box_volume, combine_readings
from seeworthy.procedures.declare import gather


def run(**readings):
    given = {k: [v] if isinstance(v, str) else v for k, v in readings.items()}
    return PROCEDURE.run(gather(PROCEDURE, {}, given))


def values(outcome):
    return {r.measurand: r for r in outcome.results}


def test_a_box_in_mixed_units():
    found = values(
        run(length="2 in ± 0.01", width="3 cm ± 1 mm", height="20 mm ± 0.1", mass="2 oz")
    )
    assert found["length"].value == pytest.approx(50.8)
    assert found["length"].u == pytest.approx(0.254)
    assert found["mass"].value == pytest.approx(2 * 28.349523125)
    assert found["volume"].value == pytest.approx(5.08 * 3 * 2)
    # One calliper for three sides: fully correlated, the parts add up (JCGM 100:2008, 5.2.2).
    shares = [0.254 / 50.8, 1 / 30, 0.1 / 20]
    assert found["volume"].u == pytest.approx(30.48 * sum(shares), rel=1e-6)
    assert found["volume"].unit == "cm3"


def test_without_one_side_the_rest_still_answers():
    outcome = run(length="50 mm", width="30 mm", mass="17.2 g ± 0.2 g")
    assert set(values(outcome)) == {"length", "width", "mass"}
    assert outcome.warnings == ("No volume: the height was not given.",)
    assert "17.2" in outcome.sentence


def test_mass_alone_warns_of_nothing():
    outcome = run(mass="17.2 g")
    assert not outcome.warnings
    assert outcome.sentence == "The camera weighs 17.200 ± 0.057 g."


def test_repeats_give_a_mean_with_student_t():
    found = values(run(mass=["17.1 g ± 0.05", "17.3 g ± 0.05", "17.2 g ± 0.05"]))["mass"]
    assert (found.value, found.n) == (pytest.approx(17.2), 3)
    assert found.u == pytest.approx(math.hypot(0.1 / math.sqrt(3), 0.05))
    assert found.interval[1] - found.value > 1.96 * found.u


def test_intervals_hold_the_volume_measured_with_one_calliper():
    """Two-sided: 95 % of 2000 boxes, 93.5 to 96.5 (four sigma of the share)."""
    rng, hits = np.random.default_rng(1), 0
    truth = np.array([50.0, 30.0, 20.0])
    for _ in range(2000):
        off = rng.normal(0, 0.2)  # of the calliper: the same for every reading
        read = truth[:, None] + off + rng.normal(0, 0.1, (3, 6))
        sides = [combine_readings(list(row), [0.2] * 6) for row in read]
        box = box_volume(*sides)
        factor = stats.t.ppf(0.975, box.dof)
        hits += abs(box.value - truth.prod()) <= factor * box.u
    assert 0.935 < hits / 2000 < 0.965


def test_a_slipped_unit_is_noticed():
    sides = {"length": "50 mm", "width": "30 mm", "height": "20 mm"}
    assert "units" in run(**sides, mass="1.72 kg").warnings[0]
    with pytest.raises(BadQuantity, match=r"17\.2 kg"):
        run(**sides, mass="17.2 kg")


def test_nothing_given():
    with pytest.raises(CannotMeasure, match="No size and no mass"):
        run()


@pytest.mark.parametrize("mass", ["17.2 mm", "0 g", "-3 g", "heavy"])
def test_a_mass_that_cannot_be(mass):
    with pytest.raises(BadQuantity):
        run(mass=mass)
