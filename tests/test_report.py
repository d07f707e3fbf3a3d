"""The report page: content, self-containment, accessibility; then from a bench."""

from __future__ import annotations

import datetime as dt
import io
import itertools
import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from PIL import Image

from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result, result
from seeworthy.judge.claims.decide import Claimed, judge_all
from seeworthy.procedures.cautions import CAUTIONS
from seeworthy.publish import html as html_module
from seeworthy.publish import numbers, views
from seeworthy.publish import pdf as pdf_module
from seeworthy.publish.drawing import Here, _Once
from seeworthy.publish.html import TEMPLATES, ReportPage, _light, page
from seeworthy.publish.model import CameraReport, Refusal
from seeworthy.publish.verdict import listed, tallies, verdict
from seeworthy.publish.write import report_name
from told import told, unit


def png(width: int = 8, height: int = 6) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (width, height), (0, 158, 115)).save(out, "PNG")
    return out.getvalue()


FIGURE = Figure(
    "lean", "Lean <against> speed", "Faster uprights lean more.",
    {"v": [1.0, 2.0], "lean": [0.1, 0.2]}, Axis("v", "speed", "px/s"), Axis("lean", "lean", "deg"),
    (Mark("points", y="lean"),),
)  # fmt: skip

READOUT = Outcome(
    (
        result("readout_time", 8.52, 0.06, n=84, conditions={"method": "passing"},
               evidence=("edges.png",)),
    ),
    {"methods_agree": True},
    ("The camera rolled by 1.2°.",),
    (Picture("edges.png", "Edges <found> in frame 42.", png()),),
    (FIGURE,),
    "passing",
    "Fence posts will lean.",
)  # fmt: skip


def report(**changes) -> CameraReport:
    outcome = Outcome((result("mass", 17.31, 0.12, n=3), result("run_time", 51.2, 0.5, n=5)))
    takes = (
        told(1, "body", outcome, unit="A", taken=dt.date(2026, 11, 2), method_version=1),
        told(2, "readout", READOUT, unit="A", firmware="1.2",
                   files=(("DUN<1>.MOV", ""),),
                   readings=(("distance", "60.0 in ± 0.1 in"),)),
        told(3, "readout", None, Refusal("cannot-measure", "Nothing upright moves.",
                   "Film posts from a moving car.", (Picture("edges.png", "Nothing.", png()),))),
        told(4, "view"),
    )  # fmt: skip
    claims = [Claimed("mass", 15.0, "15 g", "box"), Claimed("run_time", 50.0, "50 min"),
              Claimed("hfov", 120.0, "120 deg")]  # fmt: skip
    results = [r for t in takes for r in t.results]
    base = {
        "camera": "Dunlin <script>alert(1)</script>",
        "bench": "Marram Point",
        "units": (unit("A", ("1.0", dt.date(2026, 5, 1)), ("1.2", dt.date(2026, 9, 1))),),
        "judgements": judge_all(claims, results),
        "takes": takes,
        "made": dt.datetime(2026, 11, 25, tzinfo=dt.UTC),
        "seeworthy": "0.1.0",
    }
    return CameraReport(**{**base, **changes})


class Seen(HTMLParser):
    """Tags, ids, links and text of a page; complains about tags left open."""

    VOID = frozenset({"meta", "img", "br", "link", "input", "hr", "path", "circle", "rect", "line"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if tag in self.VOID:
            return
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def source() -> str:
    return page(report())


@pytest.fixture(scope="module")
def seen(source) -> Seen:
    return Seen(source)


# The page as a file


def test_all_tags_are_closed(seen):
    assert seen.open == []


def test_nothing_is_loaded_from_anywhere(source, seen):
    assert not [t for t, _ in seen.tags if t in {"script", "link", "iframe", "object", "base"}]
    for _, attributes in seen.tags:
        for name in ("src", "srcset", "href", "xlink:href", "action", "data"):
            value = attributes.get(name) or ""
            assert value.startswith(("#", "data:image/")) or not value, value
    style = source[source.index("<style>") : source.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style


def test_words_of_users_stay_words(source):
    assert "<script" not in source
    assert "DUN&lt;1&gt;.MOV" in source


def test_ids_are_unique_and_links_lead_somewhere(seen):
    ids = [a["id"] for _, a in seen.tags if a.get("id")]
    assert len(ids) == len(set(ids))
    links = [a["href"] for t, a in seen.tags if t == "a" and (a.get("href") or "").startswith("#")]
    assert len(links) > 10
    assert {link[1:] for link in links} <= set(ids)


def test_pictures_and_figures_have_words(seen):
    images = [a for t, a in seen.tags if t == "img"]
    assert len(images) == 3  # the first page shows one of them, too
    assert [a["alt"] for a in images].count("Edges <found> in frame 42.") == 2
    assert all(a.get("aria-hidden") == "true" for t, a in seen.tags if t == "svg")
    assert "Lean <against> speed." in seen.text
    assert "Faster uprights lean more." in seen.text
    assert "speed (px/s)" in seen.text  # the table that stands for the figure


def test_tables_stay_tables_where_they_are_laid_out_as_cards(seen):
    """CSS ``display: block`` takes the meaning of a table away; roles keep it."""
    wanted = {"table": "table", "thead": "rowgroup", "tbody": "rowgroup", "tr": "row", "td": "cell"}
    assert {"table", "td"} <= {t for t, _ in seen.tags}
    for tag, attributes in seen.tags:
        if tag in wanted:
            assert attributes.get("role") == wanted[tag]
        if tag == "th":
            assert (
                attributes["role"]
                == {"col": "columnheader", "row": "rowheader"}[attributes["scope"]]
            )


def test_headings_step_down_one_at_a_time(seen):
    levels = [int(t[1]) for t, _ in seen.tags if re.fullmatch(r"h[1-6]", t)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_same_input_same_file(source):
    assert page(report()) == source


# What it says


def test_result_interval_n_conditions_and_method(seen):
    assert "8.52 ms" in seen.text
    assert "8.40 to 8.64 ms" in seen.text
    assert "84" in seen.text
    assert "method passing" in seen.text
    assert "Method: passing" in seen.text
    assert "The camera rolled by 1.2°." in seen.text


def test_claims_have_word_and_interval(seen):
    for words in ("heavier than claimed", "worse than claimed", "confirmed", "not tested", "15 g",
                  "box", "17.07 to 17.55 g", "±5 %"):  # fmt: skip
        assert words in seen.text


def test_refusal_says_what_to_do(seen):
    assert "Nothing upright moves." in seen.text
    assert "What to do: Film posts from a moving car." in seen.text


def test_provenance(seen):
    assert "ab" * 32 in seen.text
    assert "distance = 60.0 in ± 0.1 in" in seen.text
    assert "25 Nov 2026" in seen.text


def test_cautions_stand_before_the_steps(source):
    from seeworthy.procedures import all_procedures

    shown = [p for p in all_procedures().values() if p.id in {"body", "view", "readout"}]
    for item in shown:
        if not (item.cautions and item.steps):
            continue
        chapter = source[source.index(f'id="p-{item.id}"') :]
        caution = CAUTIONS[item.cautions[0]].split(".")[0].replace("'", "&#39;")
        step = item.steps[0].text.replace("'", "&#39;")[:30]
        assert chapter.index(caution) < chapter.index(step)


def test_never_a_word_about_flight_safety(seen):
    assert CAUTIONS["verdict"] in seen.text
    for word in ("airworthy", "safe to fly", "fit to fly"):
        assert word not in seen.text.lower()


def test_verdict_sorts_claims():
    told = verdict(report(camera="Dunlin"))
    assert told.kept == ("running time",)
    assert told.failed == ("mass",)
    assert told.untested == ("horizontal angle of view",)
    assert told.refused == 1
    assert told.line == (
        "Dunlin keeps its word on running time, fails its claim on mass, "
        "and is not tested on horizontal angle of view."
    )


def test_kept_and_broken_claims_stand_with_their_figures():
    told = {t.word: t.items for t in tallies(report())}
    assert told["Fails its claim"] == ("mass 17.31\u202fg (claimed 15 g)",)
    assert told["Keeps its word"] == ("running time 51.20\u202fmin (claimed 50 min)",)
    assert told["Not tested"] == ("horizontal angle of view 120°",)
    assert "17.31 g (claimed 15 g)" in Seen(page(report())).text


def test_verdict_of_an_empty_camera():
    bare = CameraReport("Knot")
    assert verdict(bare).line == "Knot: nothing is measured yet."
    text = Seen(page(bare)).text
    assert "Nothing has been measured yet." in text


def test_metric_only():
    assert "oz" not in Seen(page(report(), units="metric")).text.split("Size")[0]
    assert "0.6106 oz" in Seen(page(report())).text.replace("\u202f", " ")


def test_json_is_plain():
    text = json.dumps(report().to_json(), allow_nan=False)
    back = json.loads(text)
    assert back["verdict"]["failed"] == ["mass"]
    assert back["takes"][1]["results"][0]["measurand"] == "readout_time"
    assert back["takes"][2]["error"]["hint"] == "Film posts from a moving car."


def test_an_add_on_that_is_gone_keeps_its_figures():
    lost = told(9, "smell", Outcome((result("mass", 1.0, 0.1),)))
    assert "smell" in Seen(page(report(takes=(lost,)))).text.lower()


# Numbers


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (8.5234, 0.061, "8.523"),
        (-3.25, 0.5, "−3.25"),
        (1234.6, 37.0, "1235"),
        (12346.0, 370.0, "12350"),
        (0.001, 0.5, "0"),
        (math.inf, 1.0, "∞"),
        (5.0, 0.0, "5"),
    ],
)
def test_rounded_by_the_uncertainty(value, u, text):
    assert numbers.number(value, u) == text


def test_a_bound_is_said_as_a_bound():
    bound = Result("run_time", 60.0, "min", 0.5, (60.0, math.inf))
    assert numbers.value_text(bound).replace("\u202f", " ") == "at least 60.00 min"


# 1 in = 25.4 mm exactly and 1 mph = 0.44704 m/s exactly (1959 yard; NIST SP 811).
def test_customary_units():
    assert numbers.customary(result("length", 25.4, 0.254)).startswith("1.000\u202fin")
    assert numbers.customary(result("max_speed", 44.704, 0.44704)).startswith("100.0\u202fmph")
    assert numbers.customary(result("felt_peak", 7.0, 0.1)) == ""  # g of load, not grams


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "–"),
        (True, "yes"),
        ({"count": 2, "at": [3, 9]}, "2 (at frame 3, 9)"),
        ({"count": 0, "at": []}, "0"),
        ({"value": 78.7035, "u": 0.228, "unit": "deg"}, "78.70° ± 0.45°"),
        ([1, 2.5, "a"], "1, 2.5, a"),
        ([{"file": "a", "axis": ""}, {"file": "b", "axis": "x"}], "file a; file b, axis x"),
        ({"range": None}, "–"),
    ],
)
def test_findings_in_words(value, text):
    assert numbers.finding_text(value) == text


@pytest.mark.parametrize(
    ("name", "words"),
    [("fastest_speed_px_s", "fastest speed (px/s)"), ("width_px", "picture width (px)"),
     ("roll_deg", "roll (°)"), ("b_frames", "b frames")],
)  # fmt: skip
def test_names_of_findings(name, words):
    assert numbers.finding_name(name) == words


def test_typed_units_are_printed_with_their_signs():
    assert numbers.typed("at 20 degC and 62 deg: 3 m/s2 in 16 cm3") == (
        "at 20 °C and 62°: 3 m/s² in 16 cm³"
    )


@pytest.mark.parametrize("units", ["both", "us"])
@pytest.mark.parametrize("kind", [html_module, pdf_module], ids=["html", "pdf"])
def test_what_is_begun_early_is_all_that_is_drawn(kind, units):
    """Begun while the bench is judged: nothing is left for later, nothing is drawn twice."""
    drawn = []

    class Counting(Here):
        def submit(self, fn, /, *args, **kwargs):
            drawn.append(args)
            return super().submit(fn, *args, **kwargs)

    noise = Image.effect_noise((500, 400), 90)
    noise.save(out := io.BytesIO(), "PNG")
    heavy = replace(READOUT, pictures=(Picture("noise.png", "Noise.", out.getvalue()),))
    camera = report(takes=(*report().takes, told(5, "readout", heavy)))
    hands = _Once(Counting())
    kind.begin_drawing(camera.takes, units=units, hands=hands)
    early = len(drawn)
    # Two takes have the same figure, and two the same picture.
    assert early == (1 if kind is html_module else 3)
    if kind is html_module:
        assert page(camera, units=units, hands=hands) == page(camera, units=units)
    else:
        assert kind.pdf(camera, units=units, hands=hands).startswith(b"%PDF")
    assert len(drawn) == early


def test_heavy_pictures_are_made_lighter():
    from PIL import Image

    noisy = Image.effect_noise((1600, 900), 80).convert("RGB")
    out = io.BytesIO()
    noisy.save(out, "PNG")
    address = _light(Picture("a.png", "a", out.getvalue()))
    assert address.startswith("data:image/jpeg;base64,")
    assert len(address) < len(out.getvalue())
    assert _light(Picture("b.png", "b", png())).startswith("data:image/png;base64,")


@pytest.mark.parametrize(
    ("words", "text"), [((), ""), (("a",), "a"), (("a", "b", "c"), "a, b and c"),
                        (tuple("abcdef"), "a, b, c, d and 2 more")],
)  # fmt: skip
def test_lists(words, text):
    assert listed(words) == text


def test_file_names():
    assert report_name("Turnstone II / b") == "report-turnstone-ii-b"
    assert report_name("???") == "report-camera"


# Look


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    lin = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * lin[0] + 0.7152 * lin[1] + 0.0722 * lin[2]


def _contrast(a: str, b: str) -> float:
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula():
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_words_have_contrast(mode):
    """WCAG 2.2, 1.4.3: 4.5 to 1 for words; 1.4.11: 3 to 1 for what carries meaning."""
    css = (TEMPLATES / "report.css").read_text()
    blocks = re.findall(r":root\{(.*?)\}", css, re.S)
    colours = dict(re.findall(r"--([\w-]+):(#[0-9a-f]{6})", blocks[0]))
    if mode == "dark":
        colours |= dict(re.findall(r"--([\w-]+):(#[0-9a-f]{6})", blocks[1]))
    for ground in ("paper", "sheet"):
        for word in ("ink", "soft", "deep", "link"):
            assert _contrast(colours[word], colours[ground]) >= 4.5, (word, ground)
    for mark in ("kept", "better", "worse", "untested"):
        assert _contrast(colours[mark], colours["sheet"]) >= 3.0, mark


def test_every_state_has_its_own_word_and_shape():
    from seeworthy.judge.claims.decide import STATES
    from seeworthy.publish.palette import badge

    badges = [badge(s, "worse than claimed") for s in STATES]
    assert len({b.word for b in badges}) == len(STATES)
    assert len({b.shape for b in badges}) == len(STATES)


def test_the_template_uses_what_the_dataclass_documents():
    text = (TEMPLATES / "report.html").read_text() + (TEMPLATES / "parts.html").read_text()
    used = set(re.findall(r"\bpage\.(\w+)", text))
    fields = set(ReportPage.__dataclass_fields__)
    assert used <= fields
    assert fields - {"style"} <= used
    documented = set(re.findall(r"^        (\w+): ", ReportPage.__doc__ or "", re.M))
    assert documented == fields
    assert html_module.views is views
