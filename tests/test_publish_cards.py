"""Cards and short films of results: sizes, words, transparency, order."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.claims import set_claim
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench, open_bench
from seeworthy.bench.takes import add_take
from seeworthy.cli import main
from seeworthy.ground.errors import CannotMeasure, Conflict, NotFound, WrongCall
from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.publish import card_clips, cards, drawing, figures
from seeworthy.publish.card_drawing import SIZES, Card, card_png, card_svg, wrapped
from seeworthy.publish.cards import Press, cards_of, chapter_lines, write_cards
from seeworthy.publish.figures import render
from seeworthy.publish.lighter import lighter


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "marram"
    with create_bench(folder) as bench, ThreadPoolExecutor(1) as pool:
        for name, mass in (("Dunlin", "17.2"), ("Knot", "31")):
            add_camera(bench, name)
            add_take(bench, "body", name, readings={"mass": [f"{mass} g ± 0.1 g"]})
        set_claim(bench, "Dunlin", "mass", "15 g", source="<box>")
        add_camera(bench, "Ruff")
        run_bench(bench, executor=pool)
    return folder


@pytest.fixture
def bench(folder):
    with open_bench(folder, read_only=True) as opened:
        yield opened


def test_a_camera_has_cards_in_the_order_of_its_report(bench):
    found = cards_of(bench, "dunlin")
    kinds = [c.kind for c in found]
    assert kinds == sorted(kinds, key=("claim", "result", "figure", "comparison").index)
    claim = found[0]
    assert claim.value.startswith("17.2")
    assert "claimed: 15\u202fg" in claim.lines or "claimed: 15 g" in claim.lines
    assert claim.badge.word == "heavier than claimed"
    assert len({c.name for c in found}) == len(found)
    with pytest.raises(NotFound):
        cards_of(bench, "Ruff")


@pytest.mark.parametrize("name", SIZES)
def test_pictures_have_their_size_and_paper(bench, name):
    card = cards_of(bench, "Dunlin")[0]
    picture = Image.open(io.BytesIO(card_png(card, SIZES[name])))
    assert picture.size == SIZES[name]
    clear = Image.open(io.BytesIO(card_png(card, SIZES[name], alpha=True))).convert("RGBA")
    alpha = np.asarray(clear)[:, :, 3]
    assert alpha[0, 0] == 0
    assert alpha.max() == 255
    solid = np.asarray(picture.convert("RGBA"))[:, :, 3]
    assert solid.min() == 255


@pytest.mark.parametrize("name", SIZES)
def test_the_ink_stays_inside_the_margins(bench, name):
    width, height = SIZES[name]
    for card in (
        cards_of(bench, "Dunlin")[0],
        Card("x", "result", "Dunlin", "A very long title " * 9, "at least 1234.5678 Mbit/s"),
        Card("y", "result", "W" * 40, "W" * 30, "W" * 12, ("W" * 90,), foot="W " * 200),
    ):
        ink = np.asarray(Image.open(io.BytesIO(card_png(card, (width, height), alpha=True))))
        rows, columns = np.nonzero(ink[:, :, 3] > 128)
        assert columns.min() > 0
        assert rows.max() < height - 1
        if "W" not in card.head:  # nothing but the widest letter: no name is so
            assert columns.max() < width - 1


@pytest.mark.parametrize("name", SIZES)
def test_words_end_above_the_foot(name):
    """What was seen in print: four lines of conditions ran into the foot of a square card."""
    said = "2400 lx, position bottom left, orientation horizontal, frame 1280x720"
    card = Card(
        "x", "result", "Dunlin", "MTF50, bottom left, per picture height", "150\u202fLW/PH",
        ("95 % interval 130 to 170\u202fLW/PH", said, said), None, None, "Sharpness, take 11 " * 9,
    )  # fmt: skip
    root = ET.fromstring(card_svg(card, SIZES[name]))
    lines = [e for e in root.iter() if e.tag.endswith("text")]
    foot = [e for e in lines if e.get("font-weight") is None]
    assert foot
    top = min(float(e.get("y")) - float(e.get("font-size")) for e in foot)
    assert max(float(e.get("y")) for e in lines if e not in foot) < top


def test_a_name_without_a_space_is_cut_at_the_edge():
    assert wrapped("NIGHTVISION-MINIDV", 8, 2) == ["NIGHTVIS", "ION-MIN…"]
    card = Card("x", "result", "NIGHTVISION-MINIDV-" * 10, "Mass", "17\u202fg")
    for size in SIZES.values():
        ink = np.asarray(Image.open(io.BytesIO(card_png(card, size, alpha=True))))
        assert np.nonzero(ink[:, :, 3] > 128)[1].max() < size[0] - 40


def test_the_legend_shows_what_the_marks_are_and_stays_within_the_plot():
    columns = {"t": [0.0, 1.0], "v": [1.0, 2.0], "a": [0.5, 1.5], "b": [1.5, 2.5]}
    marks = (
        Mark("band", low="a", high="b", label="95 %"), Mark("line", y="v", label="smoothed"),
        Mark("points", y="v", label="logged"),
    )  # fmt: skip
    figure = Figure("f", "F", "s", columns, Axis("t", "time", "s"), Axis("v", "height", "m"), marks)
    svg = render(figure, "svg", (250, 220)).decode()
    legend = svg[svg.index("role-legend-symbol") :]
    # A band is pale and a line is flat: not three dots of one look.
    assert 'opacity="0.3"' in legend
    narrow, wide = (
        float(re.search(r'<svg[^>]*? width="([\d.]+)"', render(f, "svg", (180, 140)).decode())[1])
        for f in (figure, replace(figure, marks=tuple(
            replace(m, label=f"{m.label}, a long name of an entry") for m in marks)))
    )  # fmt: skip
    assert wide < narrow + 120


def test_the_drawing_is_well_formed_and_holds_no_markup_of_others():
    card = Card("x", "claim", "<b>Dunlin</b>", 'a & b "c"', "1 < 2", ("<script>x</script>",))
    root = ET.fromstring(card_svg(card, (1080, 1080)))
    tags = {e.tag.rsplit("}", 1)[-1] for e in root.iter()}
    assert tags <= {"svg", "title", "desc", "rect", "text", "g", "path"}
    assert "<b>Dunlin</b>" in "".join(root.itertext())


def test_the_large_figure_is_large(bench):
    # 5 % of the shorter side is read on a phone at arm's length (a judgement, no source).
    svg = card_svg(cards_of(bench, "Dunlin")[0], SIZES["tall"])
    sizes = sorted(float(s.split('"')[0]) for s in svg.split('font-size="')[1:])
    assert sizes[-1] > 0.15 * 1080
    assert sizes[0] >= 0.025 * 1080


def test_words_are_wrapped_and_numbers_keep_their_units():
    assert wrapped("one two three", 7, 3) == ["one two", "three"]
    assert wrapped("to 48.40\u202fmm", 8, 3) == ["to", "48.40\u202fmm"]
    assert wrapped("a b c d", 1, 2)[-1].endswith("…")


def test_a_lighter_chart_looks_the_same():
    """Held against the chart as the renderer gave it; a clip and opacities were in it."""
    steps = [k / 10 for k in range(11)]
    curve = Figure(
        "curve", "Curves", "Two.",
        {"x": [*steps, *steps], "y": [*steps, *[1 - s for s in steps]],
         "low": [s - 0.2 for s in (*steps, *steps)], "high": [s + 0.2 for s in (*steps, *steps)],
         "which": ["up"] * 11 + ["down"] * 11},
        Axis("x", "way"), Axis("y", "height"),
        (Mark("band", low="low", high="high", series="which"), Mark("line", y="y", series="which"),
         Mark("points", y="y", series="which"), Mark("rule", value=0.5, label="half")),
    )  # fmt: skip
    heavy = figures.render(curve, "svg").decode()
    light = lighter(heavy)
    assert heavy.count("clip-path=") > 4
    assert light.count("clip-path=") <= 2
    assert ' opacity="0.' in heavy
    assert not re.search(r'<path[^>]* opacity="0\.', light)
    before, after = (
        np.asarray(Image.open(io.BytesIO(drawing.png(svg))).convert("RGB"), float)
        for svg in (heavy, light)
    )
    off = np.abs(before - after).max(axis=-1)
    # One level of rounding per layer that is not blended any more; pixels on the clip's edge.
    assert np.quantile(off, 0.999) <= 3
    assert (off > 3).sum() < 0.001 * off.size
    bare = re.sub(r' clip-path="[^"]*"', "", light)
    assert lighter(bare).count("clip-path=") == 0


def test_chapters_start_at_zero_and_follow_the_cards():
    cards = [Card(str(i), "result", "Dunlin", f"Title {i}") for i in range(400)]
    lines = chapter_lines(cards, 10).splitlines()
    assert lines[0] == "00:00 Title 0"
    assert lines[7] == "01:10 Title 7"
    assert lines[361] == "1:00:10 Title 361"


def test_everything_is_written_with_words_beside(bench, tmp_path):
    made = write_cards(bench, "Dunlin", tmp_path / "cards", sizes=["square"], clips=True)
    for card in made.cards:
        for ending in ("-square.svg", "-square.png", ".txt"):
            assert (tmp_path / "cards" / f"{card.name}{ending}").is_file()
        text = (tmp_path / "cards" / f"{card.name}.txt").read_text()
        assert text.startswith("Caption: ")
        assert "Alternative text: " in text
    assert (tmp_path / "cards" / "chapters.txt").read_text().startswith("00:00 ")
    assert [name for name, _ in made.clips] == ["claim.mp4"]
    assert len(made.left) == 4, "no read-out, no light levels, no lens, no knock"
    assert (tmp_path / "cards" / "claim.mp4").stat().st_size > 5_000
    write_cards(bench, "Dunlin", tmp_path / "cards", sizes=["square"], kinds=["claim"])
    assert len(list((tmp_path / "cards").glob("*.png"))) == 1


def test_comparisons_of_all_cameras_are_drawn_once_and_alike(bench, tmp_path, monkeypatch):
    """The same picture as a camera's cards by themselves have."""
    drawn = []
    monkeypatch.setattr(
        cards, "card_svg", lambda c, *a, **k: drawn.append(c) or card_svg(c, *a, **k)
    )
    with Press(bench) as press:
        for name in ("Dunlin", "Knot"):
            write_cards(
                bench, name, tmp_path / name, sizes=["square"], kinds=["comparison"], press=press
            )
    (one,) = drawn
    assert one.head == "Dunlin, Knot"
    file = f"{one.name}-square.png"
    made = [(tmp_path / name / file).read_bytes() for name in ("Dunlin", "Knot")]
    assert made[0] == made[1]
    write_cards(bench, "Knot", tmp_path / "alone", sizes=["square"], kinds=["comparison"])
    assert (tmp_path / "alone" / file).read_bytes() == made[0]


def test_wrong_calls_leave_nothing(bench, tmp_path):
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "dear.txt").write_text("dear")
    with pytest.raises(Conflict):
        write_cards(bench, "Dunlin", tmp_path / "letters", kinds=["claim"])
    with pytest.raises(WrongCall):
        write_cards(bench, "Dunlin", tmp_path / "new", sizes=["huge"])
    with pytest.raises(NotFound):
        write_cards(bench, "Knot", tmp_path / "new", kinds=["claim"])
    assert not (tmp_path / "new").exists()


def test_the_claim_film_shows_both_figures_in_proportion(bench, tmp_path):
    from seeworthy.media.glimpse import frame_jpeg

    out = tmp_path / "claim.mp4"
    caption = card_clips.claim(bench, "Dunlin", out)
    assert "17.2" in caption
    last = np.asarray(
        Image.open(io.BytesIO(frame_jpeg(str(out), out.name, 170, 1280))).convert("RGB")
    ).astype(int)
    red, _, blue = np.moveaxis(last, 2, 0)
    claimed = (red - blue > 100).any(axis=0).sum()
    measured = (blue - red > 100).any(axis=0).sum()
    assert claimed / measured == pytest.approx(15 / 17.2, abs=0.02)
    with pytest.raises(CannotMeasure):
        card_clips.lean(bench, "Dunlin", out)


def test_the_command_writes_cards(folder, tmp_path, capsys):
    words = ["cards", "Dunlin", str(tmp_path / "c"), "--size", "square", "--kind", "claim"]
    assert main.run([*words, "--bench", str(folder)]) == 0
    assert "1 card." in capsys.readouterr().out
    assert main.run(["cards", "Gannet", "--bench", str(folder)]) == 2
