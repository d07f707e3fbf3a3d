"""Summaries of accuracy studies: errors, coverage on both sides, goals, tables."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from seeworthy.cli import main
from seeworthy.procedures.studies import find_studies
from seeworthy.procedures.study import Goal, Study, Trial, summarise
from seeworthy.procedures.study_tables import goal_lines, markdown


def trials(values, truth=10.0, u=1.0, group="g"):
    return [Trial(group, "readout_time", truth, v, u, v - 1.96 * u, v + 1.96 * u) for v in values]


def study(*goals):
    return Study("x", "X", lambda repeats, seed: iter(()), {"g": goals})


def test_errors_of_a_group():
    (row,) = summarise(trials([9.0, 11.0, 12.0]))
    assert row.n == row.answered == 3
    assert row.rms == pytest.approx(math.sqrt((1 + 1 + 4) / 3))
    assert row.rms_percent == pytest.approx(10 * math.sqrt(2))
    assert row.bias_percent == pytest.approx(100 * (2 / 3) / 10)
    assert row.largest == pytest.approx(2.0)
    assert row.coverage == pytest.approx(2 / 3)


def test_refusals_count_as_right_only_where_they_should():
    rows = [
        Trial("g", "m", 1.0, refused="no", should_refuse=True),
        Trial("g", "m", 1.0, 1.0, 0.1, 0.8, 1.2, should_refuse=True),
        Trial("g", "m", 1.0, refused="no"),
        Trial("g", "m", 1.0, 1.0, 0.1, 0.8, 1.2),
    ]
    (row,) = summarise(rows)
    assert row.right == 0.5
    assert row.answered == 2


@pytest.mark.parametrize(
    ("inside", "n", "reached"),
    [
        (95, 100, True),
        (90, 100, True),
        (89, 100, False),
        (30, 30, True),
        (400, 400, False),
        (99, 100, True),
    ],
)
def test_coverage_must_hold_on_both_sides(inside, n, reached):
    made = trials([10.0] * inside + [20.0] * (n - inside))
    (line,) = goal_lines(study(Goal("coverage", 0.9)), made)
    assert line.reached is reached


def test_goals_are_held_against_figures():
    made = trials([9.9, 10.1])
    lines = goal_lines(study(Goal("rms_percent", 1.0), Goal("max", 0.05)), made)
    assert [line.reached for line in lines] == [True, False]


def test_a_table_names_its_command():
    text = markdown(study(Goal("rms_percent", 3.0)), trials([9.9, 10.1]), 2, 7)
    assert "seeworthy selfcheck x --repeats 2 --seed 7" in text
    assert "| g | readout_time | 2 | 2 |" in text
    assert "| yes |" in text


def test_a_table_says_what_so_few_trials_can_tell_of_a_share():
    """4 of 5: 28 to 99 % (Clopper and Pearson 1934; R's binom.test(4, 5): 0.2836 to 0.9949)."""
    made = trials([10.0] * 4 + [20.0])
    (row,) = summarise(made)
    assert row.share == pytest.approx((0.2836, 0.9949), abs=1e-4)
    assert "| 0.8 | 5 | 28 to 99 % |" in markdown(study(Goal("coverage", 0.9)), made, 5, 1)
    refused = [Trial("g", "m", 1.0, refused="no", should_refuse=True)]
    assert "| – | – | – | 1 |" in markdown(study(), refused, 1, 1)


def test_every_study_is_of_a_procedure_and_has_goals():
    from seeworthy.procedures import all_procedures

    found = find_studies()[0]
    assert found
    for name, item in found.items():
        assert name == item.id
        assert item.goals, name
        assert name in all_procedures() or name in ("clock", "correct", "noise-ladder"), name


def test_the_command_runs_a_study(capsys):
    code = main.run(["selfcheck", "view", "--repeats", "5", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert code in (0, 3)
    assert found["view"]["summary"][0]["n"] >= 5
    assert main.run(["selfcheck", "nothing"]) == 2


def test_trials_of_one_scene_count_once():
    """Forty intervals of five clips, four of five right: what five can tell, 28 to 99 %."""
    from seeworthy.procedures.study import one_scene

    made = []
    for clip in range(5):
        value = 12.0 if clip == 0 else 10.0
        places = [Trial("a", "m", 10.0, value, 0.5, value - 1, value + 1)] * 8
        made += list(one_scene(str(clip), iter(places)))
    row = summarise(made)[0]
    assert (row.n, row.scenes, row.coverage) == (40, 5, 0.8)
    assert row.share == pytest.approx((0.2836, 0.9949), abs=1e-4)  # R's binom.test(4, 5)


PAGES = sorted((Path(__file__).parents[1] / "docs" / "accuracy").glob("*.md"))


@pytest.mark.parametrize("page", [p for p in PAGES if p.stem != "index"], ids=lambda p: p.stem)
def test_a_page_begins_with_what_its_study_did_not_vary(page):
    before_figures = page.read_text(encoding="utf-8").split("\n| ")[0]
    assert "Not varied" in before_figures
