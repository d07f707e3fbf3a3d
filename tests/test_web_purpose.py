"""A purpose written by a form: every row checked at its field, the same file as the text makes."""

from __future__ import annotations

import html
import re

import pytest

from seeworthy.judge.purpose.library import shipped, text_of
from seeworthy.judge.purpose.model import read_purpose
from seeworthy.judge.purpose.written import WrittenRow, checked, rows_of, text_of_rows
from serving import served


@pytest.fixture
def client(empty_bench):
    yield from served(empty_bench.folder)


@pytest.mark.parametrize("name", sorted(shipped()))
def test_every_shipped_purpose_survives_the_form(name):
    title, about, rows = rows_of(text_of(name))
    assert read_purpose(text_of_rows(title, about, rows), name) == shipped()[name]


def test_what_is_typed_cannot_leave_its_string():
    typed = 'a "quote" \\ back\nslash'
    row = WrittenRow("limit", {"measurand": "mass", "most": "60 g", "why": typed})
    found = read_purpose(text_of_rows("x", "y", [row]), "x")
    assert found.limits[0].why == 'a "quote" \\ backslash'


def test_each_row_says_what_is_wrong_at_its_field():
    rows = checked([
        WrittenRow("limit", {"measurand": "mass", "most": "60 m", "why": "kite"}),
        WrittenRow("limit", {"measurand": "mass", "why": "kite"}),
        WrittenRow("wish", {"measurand": "run_time", "worst": "10 min", "best": "40 min"}),
        WrittenRow("wish", {"measurand": "run_time", "worst": "1 min", "best": "9 min",
                            "weight": "two", "why": "w"}),
        WrittenRow("wish", {"measurand": "hfov", "low": "90 deg", "aim": "80 deg",
                            "high": "99 deg", "why": "w"}),
        WrittenRow("limit", {"measurand": "mass", "most": "60 g", "why": "w", "light": "3 kg"}),
        WrittenRow("limit", {"most": "60 g", "why": "w"}),
        WrittenRow("limit", {}),
        WrittenRow("limit", {"measurand": "mass", "most": "2 oz", "why": "kite"}),
    ])  # fmt: skip
    places = [list(row.wrong) for row in rows]
    assert places == [["most"], [""], ["why"], ["weight"], [""], ["light"], ["measurand"], [], []]
    assert not any("line" in words for row in rows for words in row.wrong.values())


def test_the_form_keeps_what_is_right_and_gives_back_what_is_wrong(client, empty_bench):
    page = client.get("/suit/edit").text
    assert 'name="limit.0.most" value="60 g"' in page
    assert 'name="wish.1.measurand"' in page  # room for another one
    data = {
        "name": "dune-line", "title": "Dune line", "about": "From the kite.",
        "limit.0.measurand": "mass", "limit.0.most": "two ounces", "limit.0.why": "The kite.",
        "wish.3.measurand": "run_time", "wish.3.worst": "10 min", "wish.3.best": "40 min",
        "wish.3.why": "One walk.",
    }  # fmt: skip
    wrong = client.post("/suit/write", data=data)
    assert wrong.status_code == 400
    assert 'value="two ounces"' in wrong.text
    assert re.search(
        r'name="limit\.0\.most"[^>]*aria-describedby="limit\.0-most-wrong"', wrong.text
    )
    assert 'name="wish.0.best" value="40 min"' in wrong.text
    assert not (empty_bench.folder / "purposes" / "dune-line.toml").exists()
    more = client.post("/suit/write", data={**data, "more": "limit"})
    assert 'name="limit.2.measurand"' in more.text
    kept = client.post("/suit/write", data={**data, "limit.0.most": "2 oz"}, follow_redirects=False)
    assert kept.headers["location"] == "/suit?purpose=dune-line"
    found = read_purpose((empty_bench.folder / "purposes" / "dune-line.toml").read_text(), "x")
    assert found.limits[0].most == pytest.approx(56.699, abs=0.001)  # 1 oz = 28.349523125 g (NIST)
    again = html.unescape(client.get("/suit/edit?name=dune-line").text)
    assert 'name="limit.0.most" value="2 oz"' in again
    both = {**data, "limit.0.most": "60 g", "limit.1.measurand": "mass",
            "limit.1.least": "70 g", "limit.1.why": "Wind."}  # fmt: skip
    assert "No camera can keep both limits" in client.post("/suit/write", data=both).text
