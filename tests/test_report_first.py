"""The first page and the reviewer's words: what they answer, and that no text does harm."""

from __future__ import annotations

import datetime as dt

import pytest

from seeworthy.ground.measurands import measurand
from seeworthy.ground.results import Outcome, result
from seeworthy.ground.uncertainty import Uncertain
from seeworthy.judge.glance.air import AirFigure, _share, _word
from seeworthy.judge.glance.fitness import Fitness, _fitness
from seeworthy.judge.purpose.library import shipped
from seeworthy.judge.purpose.model import Purpose, Wish
from seeworthy.judge.purpose.rank import Measure, rank
from seeworthy.publish import views
from seeworthy.publish.command import command
from seeworthy.publish.first import first_page
from seeworthy.publish.html import page
from seeworthy.publish.model import CameraReport
from seeworthy.publish.words import sort_words, to_html, to_typst
from told import told, unit

TEXT = """Good in wind. <script>alert(1)</script> [x](javascript:alert(1)) ![p](https://a.test/p.png)

# Rating kite-picture 4
Because *it is light*.

# Test body
Weighed twice.

# Notes
- one
- **two**
"""


def test_words_are_sorted_by_their_headings():
    words = sort_words(TEXT)
    assert words.verdict.startswith("Good in wind.")
    assert [(r.purpose, r.stars, r.text) for r in words.ratings] == [
        ("kite-picture", 4, "Because *it is light*.")
    ]
    assert words.tests == {"body": "Weighed twice."}
    assert words.notes == "- one\n- **two**"


def test_words_do_no_harm():
    html = str(to_html(TEXT))
    assert "<script" not in html
    assert "<img" not in html
    assert 'href="javascript' not in html
    assert "<strong>two</strong>" in html


def test_words_for_print_are_printed_not_obeyed():
    typst = to_typst("**a** #eval(1) [b](https://a.test)")
    assert typst == "#strong[a] \\#eval(1) b"


def test_words_stand_in_the_report():
    take = told(1, "body", Outcome((result("mass", 17.3, 0.1),)))
    html = page(CameraReport("Knot", takes=(take,), words=TEXT))
    for said in ("Good in wind.", "gives 4 of 5", "Weighed twice.", "<strong>two</strong>"):
        assert said in html, said
    assert "<script" not in html


def test_units_and_tests_not_done_are_said():
    take = told(1, "body", Outcome((result("mass", 17.3, 0.1),)), unit="A", stale=True)
    first = first_page(CameraReport("Knot", units=(unit("A"), unit("B")), takes=(take,)))
    said = " ".join(first.tested)
    assert "One unit was tested (A)." in said
    assert "Not tested: unit B." in said
    assert "1 of 1 takes are out of date" in said
    titles = [title for title, _ in first.not_done]
    assert "Low light" in titles
    assert "Size and mass" not in titles


def test_no_false_word_about_the_seller():
    from seeworthy.judge.claims.decide import judge_all

    found = result("mass", 17.3, 0.1)
    report = CameraReport(
        "Knot", takes=(told(1, "body", Outcome((found,))),), judgements=judge_all([], [found])
    )
    assert "seller gives no figure" not in page(report)


def test_a_newer_firmware_answers():
    def take(number, firmware, day):
        return told(
            number, "body", Outcome((result("mass", 17.3, 0.1),)), unit="A", firmware=firmware,
            taken=dt.date(2026, 5, day),
        )  # fmt: skip

    chapter = views.chapters(CameraReport("Knot", takes=(take(1, "1.0", 1), take(2, "1.1", 2))))[0]
    assert [t.told.take.id for t in chapter.now] == [2]
    assert [t.told.take.id for t in chapter.before] == [1]


def test_the_map_of_sharpness_takes_the_place_of_its_rows():
    places = [
        f"mtf50_{v}{h}" for v, h in (
            ("top", "_left"), ("top", ""), ("top", "_right"), ("left", ""), ("centre", ""),
            ("right", ""), ("bottom", "_left"), ("bottom", ""), ("bottom", "_right"),
        )
    ]  # fmt: skip
    results = tuple(result(p, 0.1 + k / 100, 0.002) for k, p in enumerate(places))
    html = page(CameraReport("Knot", takes=(told(1, "sharpness", Outcome(results)),)))
    assert html.count('class="place"') == 9
    assert html.count("0.1800") == 1


def test_figures_for_the_air_print_value_interval_and_what_is_missing():
    air = (
        AirFigure("lean", "Uprights lean", "deg", Uncertain(2.0749, 0.0033), "by this", "worse"),
        AirFigure("light", "Light it needs", "lx", None, "needs the test of low light"),
    )
    rows = first_page(CameraReport("Knot", air=air)).air
    assert rows[0].value == "2.07°"
    assert rows[1].value == "not known"


# Wilson's interval for 0 of 150 at 95 %: 0 to z²/(n + z²) = 2.497 % (Wilson 1927).
def test_no_loss_among_few_frames_proves_little():
    found = _share(0, 150)
    z2 = 1.959964**2
    assert found.interval[0] == 0
    assert found.interval[1] == pytest.approx(100 * z2 / (150 + z2), rel=1e-4)


@pytest.mark.parametrize(
    ("mine", "other", "more", "word"),
    [(10, 5, True, "better"), (10, 5, False, "worse"), (10, 9.9, True, "alike")],
)
def test_cameras_are_told_apart_by_their_uncertainty(mine, other, more, word):
    assert _word(Uncertain(mine, 0.1), Uncertain(other, 0.1), more) == word


def test_a_command_is_quoted_for_the_shell():
    take = told(
        1, "view", files=(("a b;rm.mov", ""), ("-x.mov", "turned")),
        readings=(("width", "60.0 in ± 0.1 in"),),
    )  # fmt: skip
    assert command(take.take) == (
        "seeworthy measure view 'a b;rm.mov' --with turned=-x.mov "
        "--reading 'width=60.0 in ± 0.1 in'"
    )


def test_words_are_kept_under_the_camera_and_follow_its_name(tmp_path):
    from seeworthy.bench.cameras import add_camera, edit_camera
    from seeworthy.bench.store import create_bench
    from seeworthy.bench.words import read_words, save_words
    from seeworthy.ground.errors import WrongCall

    with create_bench(tmp_path / "bench") as bench:
        camera = add_camera(bench, "Knot .. x")
        save_words(bench, "Knot .. x", "Fine.\r\nVery.")
        assert read_words(bench, camera.name) == "Fine.\nVery."
        edit_camera(bench, camera.name, rename="Knot")
        assert read_words(bench, "Knot") == "Fine.\nVery."
        with pytest.raises(WrongCall):
            save_words(bench, "Knot", "a\0b")
        save_words(bench, "Knot", "")
        assert read_words(bench, "Knot") == ""


def test_what_fits_barely_means_stands_where_it_is_said():
    def one(grade):
        return Fitness("t", "T", grade, 0.2, "last of 2 cameras", "Weak.", "rests on 1 of 1")

    assert "less than 40 of 100" in page(CameraReport("Knot", fitness=(one("fits barely"),)))
    assert "less than 40 of 100" not in page(CameraReport("Knot", fitness=(one("fits"),)))


def test_a_wish_says_what_a_value_is_held_against():
    asked = {w.measurand.id: w.asked for w in shipped()["kite-picture"].wishes}
    assert asked["mtf50_ph_centre"] == "wished 800 LW/PH, no use at 200 LW/PH"
    assert asked["hfov"] == "wished 70°, no use at 40° or 130°"


def test_who_is_not_first_hears_who_is():
    want = Purpose("t", "T", "", (), (Wish(measurand("readout_time"), 1, 1, "It leans.",
                                           worst=30, best=5),))  # fmt: skip
    found = rank(want, {"Knot": {"readout_time": Measure(8, 0.1)},
                        "Ruff": {"readout_time": Measure(25, 0.1)}})  # fmt: skip
    told = {c.camera: _fitness(found, c) for c in found.cameras}
    assert told["Knot"].place == "first of 2 cameras"
    assert told["Ruff"].place == "last of 2 cameras; Knot comes first"
    weak = "read-out time 25.00 ms (wished 5 ms, no use at 30 ms)"
    assert told["Ruff"].why == f"Weakest: {weak}. It leans."
