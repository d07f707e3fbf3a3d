"""Tables of the terminal, the next step, and the shoot sheet; expectations are the words' own."""

from __future__ import annotations

import io
import sys

import pytest

from seeworthy.bench.cameras import add_camera, add_unit
from seeworthy.bench.slates import read_payload
from seeworthy.bench.store import create_bench
from seeworthy.cli import main, tables, words


@pytest.fixture
def bench_folder(tmp_path):
    with create_bench(tmp_path / "dunes") as bench:
        add_camera(bench, "Ruff", unit="A", claims={"mass": "30 g"})
        add_unit(bench, "Ruff", "B")
        add_camera(bench, "Knot")
    return tmp_path / "dunes"


def say(capsys, *typed):
    code = main.run(list(typed))
    out, err = capsys.readouterr()
    assert code == 0, err
    return out


class Terminal(io.StringIO):
    def isatty(self):
        return True


def drawn(monkeypatch, rows, **how):
    out = Terminal()
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.delenv("NO_COLOR", raising=False)
    tables.table(rows, **how)
    return out.getvalue()


def test_a_state_is_coloured_on_a_terminal_only(monkeypatch, capsys):
    rows = [("1", "measured"), ("2", "refused")]
    tables.table(rows, ("Take", "State"), states=1)
    assert capsys.readouterr().out == "  Take  State\n  1     measured\n  2     refused\n"
    out = drawn(monkeypatch, rows, head=("Take", "State"), states=1)
    # ECMA-48: green is 32, red 31.
    assert "\x1b[32mmeasured" in out
    assert "\x1b[31mrefused" in out


def test_colours_can_be_refused(monkeypatch):
    monkeypatch.setattr(sys, "stdout", Terminal())
    monkeypatch.setenv("NO_COLOR", "1")
    assert not tables.on_terminal()


def test_every_state_has_the_colour_of_its_sense():
    assert {tables.tone(t) for t in ("measured", "kept", "confirmed", "fits")} == {"green"}
    assert {tables.tone(t) for t in ("refused", "does not fit", "heavier than claimed")} == {"red"}
    assert {tables.tone(t) for t in ("fits barely", "stale", "not tested")} == {"yellow"}
    assert tables.tone("a name") == ""


def test_customary_units_reach_a_cell_that_is_alone(monkeypatch, capsys):
    monkeypatch.setitem(words._units, "first", "us")
    tables.table([("mass", "17.20 g")])
    assert "0.6067 oz (17.20 g)" in capsys.readouterr().out
    tables.table([("felt", "17.20 g")])  # a load: g stays g
    assert "oz" not in capsys.readouterr().out


def test_the_shoot_sheet_has_a_line_for_every_reading(bench_folder, capsys):
    out = say(capsys, "shoot", "body", "view", "--bench", str(bench_folder))
    assert out.index("Caution") < out.index("Bring") < out.index("1. ")
    assert "Ruff, unit A; Ruff, unit B" in out
    for name in ("mass", "distance"):
        assert f"     {name}" in out
    assert out.count("_" * 20) >= 4
    assert "Next: " in out


def test_slates_of_a_shoot_are_read_by_its_own_bench(bench_folder, tmp_path, capsys):
    cv2 = pytest.importorskip("cv2")
    import numpy as np
    import typst

    from seeworthy.bench.slates import slate_for
    from seeworthy.bench.store import open_bench
    from seeworthy.targets.printing import plan, typst_source

    path = tmp_path / "slates.pdf"
    say(capsys, "shoot", "stream", "--camera", "Knot", "--slates", str(path),
        "--bench", str(bench_folder))  # fmt: skip
    assert path.read_bytes().startswith(b"%PDF")
    with open_bench(bench_folder) as bench:
        card, layout = slate_for(bench, 3, "stream")
    png = typst.compile(typst_source(layout, plan(layout, "A4")).encode(), format="png", ppi=100)
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    from seeworthy.targets.slate_reader import read_slate

    assert read_payload(read_slate(picture) or "") == card


def test_what_to_test_next_begins_with_the_claim(bench_folder, capsys):
    out = say(capsys, "shoot", "--bench", str(bench_folder))
    ruff = next(line for line in out.splitlines() if "Ruff" in line)
    assert "claim on mass" in ruff
    assert "Next: its sheet: seeworthy shoot body" in out
    assert "Knot" not in say(capsys, "shoot", "--camera", "Ruff", "--bench", str(bench_folder))


def test_a_command_names_the_next_one(bench_folder, capsys):
    at = ("--bench", str(bench_folder))
    for typed, then in [
        (("camera", "add", "Sanderling", *at), "seeworthy camera claim Sanderling"),
        (("camera", "claim", "Knot", "mass", "20 g", *at), "seeworthy claims Knot"),
        (("claims", "Knot", *at), "seeworthy procedures body"),
        (("procedures", "view"), "seeworthy measure view"),
        (("take", "list", *at), "seeworthy take add"),
        (("bench", "show", *at), "seeworthy shoot"),
        (("suit",), "seeworthy suit NAME"),
    ]:
        out = say(capsys, *typed)
        assert any(line.startswith("Next: ") and then in line for line in out.splitlines()), out


def test_the_purposes_of_the_bench_are_listed_and_a_broken_one_is_named(bench_folder, capsys):
    (bench_folder / "purposes").mkdir()
    (bench_folder / "purposes" / "marsh.toml").write_text("title = ", encoding="utf-8")
    out = say(capsys, "suit", "--bench", str(bench_folder))
    assert "marsh" in out
    assert "cannot be read" in out
    assert "kite-picture" in out
