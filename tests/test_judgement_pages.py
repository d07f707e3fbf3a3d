"""Flight log, history, listings and pages of judgement, on a bench with stored outcomes."""

from __future__ import annotations

import datetime as dt
import json
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from seeworthy.bench.cameras import add_camera, add_unit, get_camera
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench, open_bench
from seeworthy.bench.takes import add_take
from seeworthy.cli import main
from seeworthy.ground.results import Outcome, result
from seeworthy.judge.compare.history import lasting
from seeworthy.judge.flights import assemble

LOG = Path(__file__).parent / "published" / "flightlogs" / "ndrt2020_accel_altitude.csv"


@dataclass
class Take:
    id: int
    procedure: str
    taken: dt.date
    unit: str = "1"


@dataclass
class Stored:
    take: Take
    outcome: Outcome
    error_kind: str = ""
    results: tuple[Any, ...] = field(default=())


def flight(number, day, felt):
    r = (result("felt_peak", felt, 0.5),)
    return Stored(Take(number, "load", dt.date(2026, 5, day)), Outcome(r), results=r)


def check(number, day, verdict, flights=1):
    made = Outcome(findings={"survived": verdict, "flights": flights})
    return Stored(Take(number, "survival", dt.date(2026, 5, day)), made)


# The flight log.


def test_a_load_counts_as_survived_by_a_later_check():
    log = assemble("Dunlin", [flight(1, 1, 20.0), flight(2, 3, 31.0), check(3, 4, "yes", 2)])
    assert [f.outcome for f in log.flights] == ["survived", "survived"]
    assert log.survived == 2
    assert log.highest.felt == 31.0
    assert log.bound == pytest.approx(1 - 0.05**0.5)  # Clopper–Pearson, none of two


def test_a_flight_after_the_last_check_is_not_checked():
    log = assemble("Dunlin", [check(1, 2, "yes"), flight(2, 5, 50.0)])
    assert log.flights[0].outcome == "not checked"
    assert log.highest is None


def test_a_failed_check_ends_it():
    log = assemble(
        "Dunlin", [flight(1, 1, 20.0), check(2, 1, "yes"), flight(3, 3, 60.0), check(4, 3, "no")]
    )
    assert [f.outcome for f in log.flights] == ["survived", "failed"]
    assert log.highest.felt == 20.0
    assert log.failed == 1
    assert log.bound == pytest.approx(0.975, abs=2e-3)  # one of two, one-sided 95 %


def test_another_unit_does_not_vouch():
    other = check(2, 4, "yes")
    other.take.unit = "2"
    assert assemble("Dunlin", [flight(1, 1, 20.0), other]).flights[0].outcome == "not checked"


# On a bench.


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("judged") / "bench"
    bench = create_bench(folder)
    add_camera(bench, "Dunlin")
    add_unit(bench, "Dunlin", "2")
    add_camera(bench, "Turnstone")
    for day, mass in ((1, "17.2 g"), (100, "17.3 g"), (200, "17.1 g")):
        taken = dt.date(2026, 1, 1) + dt.timedelta(days=day)
        add_take(
            bench, "body", "Dunlin", unit="1", taken=taken, readings={"mass": [f"{mass} ± 0.1 g"]}
        )
    add_take(bench, "body", "Dunlin", unit="2", readings={"mass": ["19.6 g ± 0.1 g"]})
    add_take(bench, "body", "Turnstone", readings={"mass": ["25.0 g ± 0.1 g"]})
    add_take(bench, "load", "Dunlin", {"": [LOG]}, unit="1")
    with ThreadPoolExecutor(1) as pool:
        run_bench(bench, executor=pool)
    bench.close()
    return folder


def run(capsys, folder, *words, stdin=None, monkeypatch=None):
    code = main.run([*words, "--bench", str(folder)])
    out, err = capsys.readouterr()
    return code, out, err


def test_trend_and_spread_of_a_bench(folder):
    with open_bench(folder, read_only=True) as bench:
        found = lasting(bench)
    (trend,) = [t for t in found.trends if t[1] == "mass"]
    assert trend[0] == "Dunlin 1"
    assert not trend[3].changes
    (spread,) = [s for s in found.spreads if s[1] == "mass"]
    # 17.2 against 19.6 g with 0.1 g each is far more than the scale explains.
    assert spread[3].between == pytest.approx(2.4 / 2**0.5, rel=0.1)
    assert spread[3].p < 1e-6


def test_over_time_at_the_terminal(capsys, folder):
    code, out, _ = run(capsys, folder, "compare", "--over-time")
    assert code == 0
    assert "no change seen" in out
    assert "between units" in out
    code, out, _ = run(capsys, folder, "compare", "--over-time", "--json")
    assert set(json.loads(out)) == {"trends", "spreads"}


def test_the_flight_log_at_the_terminal(capsys, folder):
    code, out, _ = run(capsys, folder, "camera", "flights", "Dunlin")
    assert code == 0
    assert "not checked" in out
    # NDRT 2020 log: 10.8 g logged at the peak (index of the published logs).
    assert re.search(r"felt 1[01]\.\d g", out)
    code, out, _ = run(capsys, folder, "camera", "flights", "Dunlin", "--json")
    assert json.loads(out)["highest_load_survived_g"] is None


def test_a_listing_is_shown_and_entered(capsys, folder, tmp_path):
    listing = tmp_path / "listing.txt"
    listing.write_text("Full HD 1920x1080 at 30fps\nWeight: 15 g, 500 mAh\n")
    code, out, _ = run(capsys, folder, "claims", "Turnstone", "--listing", str(listing))
    assert code == 0
    assert "4. mass = 15 g" in out
    assert "500 mAh" in out
    code, out, _ = run(
        capsys,
        folder,
        "claims",
        "Turnstone",
        "--listing",
        str(listing),
        "--accept",
        "3,4",
        "--json",
    )
    assert [s["accepted"] for s in json.loads(out)["suggestions"]] == [False, False, True, True]
    with open_bench(folder, read_only=True) as bench:
        claims = {c.subject: c for c in get_camera(bench, "Turnstone").claims}
    assert claims["mass"].value == pytest.approx(15)
    assert "line 2" in claims["mass"].source
    assert set(claims) == {"frame_rate", "mass"}


def test_a_claim_is_replaced_only_by_its_number_and_the_change_is_said(capsys, folder, tmp_path):
    listing = tmp_path / "listing.txt"
    listing.write_text("Weight: 15 g\n")
    run(capsys, folder, "claims", "Turnstone", "--listing", str(listing), "--accept", "1")
    listing.write_text("Weight: 28 g\n")
    words = ("claims", "Turnstone", "--listing", str(listing))
    assert "(was 15 g)" in run(capsys, folder, *words)[1]
    out = run(capsys, folder, *words, "--accept", "all")[1]
    assert "not entered" in out
    assert "--accept 1" in out
    with open_bench(folder, read_only=True) as bench:
        texts = {c.subject: c.text for c in get_camera(bench, "Turnstone").claims}
        assert texts["mass"] == "15 g"
    assert "15 g -> 28 g" in run(capsys, folder, *words, "--accept", "1")[1]
    listing.write_text("Weight: 15 g\nwith battery 28 g\n")
    code, _, err = run(capsys, folder, *words, "--accept", "all")
    assert code == 2
    assert "contradicts itself in the numbers 1, 2" in err
    assert run(capsys, folder, *words, "--accept", "1,2")[0] == 2
    listing.write_text("")
    assert run(capsys, folder, *words)[0] == 2


def test_listings_that_cannot_be_used(capsys, folder, tmp_path):
    assert run(capsys, folder, "claims", "--listing", "x")[0] == 2
    assert run(capsys, folder, "claims", "Dunlin", "--listing", str(tmp_path / "no.txt"))[0] == 2
    listing = tmp_path / "l.txt"
    listing.write_text("Weight: 15 g")
    code, _, err = run(
        capsys, folder, "claims", "Dunlin", "--listing", str(listing), "--accept", "7"
    )
    assert code == 2
    assert "1 to 1" in err


# Pages.


@pytest.mark.parametrize("what", ["compare", "suit", "plan"])
def test_pages_are_whole_and_ask_nothing_of_any_host(capsys, folder, tmp_path, what):
    target = tmp_path / f"{what}.html"
    words = {
        "compare": ("compare",),
        "suit": ("suit", "kite-picture"),
        "plan": ("plan", str(tmp_path / "f.toml")),
    }[what]
    (tmp_path / "f.toml").write_text('title = "North dunes"\n[load]\npeak = "9 g"\n')
    code, out, err = run(capsys, folder, *words, "--out", str(target))
    assert code == 0, err
    assert str(target) in out
    html = target.read_text(encoding="utf-8")
    assert not re.search(r"<script|(?:src|href)=\"(?:https?:)?//", html)
    assert html.index("Verdict") < html.index("Dunlin", html.index("Verdict"))
    assert "never about the safety" in html
    if what == "plan":
        assert html.index("Cautions first") < html.index('id="verdict"')
        assert "North dunes" in html
    else:
        assert "<svg" in html


def test_what_a_user_typed_is_not_markup(capsys, folder, tmp_path):
    (tmp_path / "f.toml").write_text('title = "<script>x</script>"\n[load]\npeak = "9 g"\n')
    target = tmp_path / "p.html"
    assert run(capsys, folder, "plan", str(tmp_path / "f.toml"), "--out", str(target))[0] == 0
    assert "<script>" not in target.read_text(encoding="utf-8")
