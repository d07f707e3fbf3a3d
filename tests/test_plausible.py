"""What a reading, a condition or a day cannot be, and what it still can."""

from __future__ import annotations

import datetime as dt

import pytest

from seeworthy.ground.errors import BadQuantity, WrongCall
from seeworthy.ground.plausible import check_plausible, typed_day
from seeworthy.ground.quantities import parse
from seeworthy.procedures import procedure
from seeworthy.procedures.given import gather


@pytest.mark.parametrize(
    ("text", "unit"),
    [("17 kg", "g"), ("1e30 g", "g"), ("710 degF", "degC"), ("-170 degC", "degC"), ("9 m", "mm"),
     ("1e7 lx", "lx"), ("30 g ± 30 kg", "g")],
)  # fmt: skip
def test_what_cannot_be_is_refused(text, unit):
    with pytest.raises(BadQuantity) as caught:
        check_plausible("it", parse(text, unit))
    assert text in caught.value.message
    assert caught.value.hint


@pytest.mark.parametrize(
    ("text", "unit"),
    # Lowest air temperature on record, and noon sun: from memory.
    [("-89.2 degC", "degC"), ("120000 lx", "lx"), ("2 oz", "g"), ("11 in", "mm"), ("3 kg", "g")],
)
def test_what_can_be_passes(text, unit):
    found = parse(text, unit)
    assert check_plausible("it", found) is found


def test_a_procedure_refuses_it_by_name():
    body = procedure("body")
    with pytest.raises(BadQuantity, match="mass='17 kg'"):
        gather(body, {}, {"mass": ["17 kg"]}, {})


def test_days():
    today = dt.date.today()
    assert typed_day("today") == today
    assert typed_day("2026-03-21") == dt.date(2026, 3, 21)
    assert typed_day("") is None
    with pytest.raises(WrongCall, match="lies ahead"):
        typed_day((today + dt.timedelta(days=40)).isoformat())
    with pytest.raises(WrongCall, match=r"'--date 3/21' is not a date"):
        typed_day("3/21", "--date")
