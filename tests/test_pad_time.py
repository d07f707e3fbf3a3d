"""Waiting ready, what it costs, and from button to first picture."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.clock.code import RANGE_MS
from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.procedures.pad_time.measure import delay
from seeworthy.procedures.pad_time.study import start


def run(files=(), **readings):
    given = {k: [v] if isinstance(v, str) else v for k, v in readings.items()}
    roles = files if isinstance(files, dict) else {"": files}
    return measure("pad-time", (), roles, given).outcome


def values(outcome):
    return {r.measurand: r for r in outcome.results}


def test_ready_time_of_repeats_has_students_t():
    """Mean 10.2 of 10.0, 10.2, 10.4: s/√3 = 0.1155 (by hand)."""
    found = values(run(waited=["10 min ± 0.05", "10.2 min ± 0.05", "10.4 min ± 0.05"]))
    ready = found["ready_time"]
    assert ready.value == pytest.approx(10.2)
    assert ready.u == pytest.approx(math.hypot(0.05, 0.2 / math.sqrt(3)))
    assert ready.n == 3
    assert ready.interval[1] > ready.value + coverage_factor() * ready.u


def test_still_ready_is_a_bound():
    outcome = run(still_ready="45 min ± 1 min")
    ready = values(outcome)["ready_time"]
    assert math.isinf(ready.interval[1])
    assert ready.interval[0] < 45
    assert outcome.findings["ready_at_least"] is True
    assert "at least 43.4 min" in outcome.sentence
    with pytest.raises(WrongCall, match="both"):
        run(still_ready="45 min", waited="10 min")


def test_what_an_hour_of_standing_by_costs():
    """40 min fresh, 30 min after two hours: a quarter in two hours (by hand)."""
    given = {
        "run_fresh": "40 min ± 0.5 min",
        "run_stood": "30 min ± 0.5 min",
        "stood": "2 h ± 36 s",
    }
    cost = values(run(**given))["standby_cost"]
    assert cost.value == pytest.approx(12.5)
    fresh, stood = math.hypot(0.5, 0.8), math.hypot(0.5, 0.6)  # typed, and 2 % from run to run
    slope = 100 / 40 / 2
    expected = math.hypot(slope * 0.75 * fresh, slope * stood, 12.5 / 2 * 0.01)
    assert cost.u == pytest.approx(expected, rel=1e-6)
    repeated = values(run(**{**given, "run_stood": ["29.5 min ± 0.5 min", "30.5 min ± 0.5 min"]}))
    assert repeated["standby_cost"].dof < math.inf


def test_the_cost_needs_all_three():
    with pytest.raises(CannotMeasure, match="both recording times"):
        run(run_fresh="40 min", stood="2 h")


def test_a_clock_that_starts_again_between_press_and_picture():
    whole = RANGE_MS / 1e3
    assert delay(whole - 0.5, 1.0) == pytest.approx(1.5)
    with pytest.raises(CannotMeasure, match="same start"):
        delay(100.0, 99.0)
    with pytest.raises(CannotMeasure, match="same start"):
        delay(100.0, 400.0)


def test_from_button_to_first_picture(tmp_path):
    rng = np.random.default_rng(5)
    made = [start(tmp_path, i, 1.40 + 0.1 * i, rng) for i in range(2)]
    files = {"": [p[0] for p, _ in made], "witness": [p[1] for p, _ in made]}
    outcome = run(files, pressed=[text for _, text in made])
    found = values(outcome)["start_delay"]
    assert outcome.findings["starts"] == pytest.approx([1.40, 1.50], abs=0.03)
    assert found.value == pytest.approx(1.45, abs=0.03)
    assert found.n == 2
    assert "after the button" in outcome.sentence
    swapped = {"": files[""], "witness": files["witness"][::-1]}
    with pytest.raises(CannotMeasure, match="same start"):
        run(swapped, pressed=[text for _, text in made])


def test_clips_without_their_witness(tmp_path):
    paths, text = start(tmp_path, 0, 1.0, np.random.default_rng(6))
    with pytest.raises(WrongCall, match="0 witness clips"):
        run([paths[0]], pressed=text)
    with pytest.raises(CannotMeasure, match=r"no readable clock at 9\.00 s"):
        run({"": [paths[0]], "witness": [paths[1]]}, pressed="9 s ± 0.02 s")


def test_nothing_given():
    with pytest.raises(CannotMeasure) as refused:
        run()
    assert "waited" in refused.value.hint
