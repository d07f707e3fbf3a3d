"""Figures that people who fly cameras pass on: common practice, no source.

They are check values and stand in this file only. Everywhere else (help, hints,
placeholders, docs, the demo, other tests) examples come from the demo world's table,
:mod:`seeworthy.ground.examples`; the second half of this file keeps it so.
"""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path

import pytest

from seeworthy.ground.examples import EXAMPLES, as_options, as_typed
from seeworthy.ground.quantities import parse
from seeworthy.procedures import all_procedures, procedure
from seeworthy.procedures.declare import gather

ROOT = Path(__file__).parents[1]


def run(name, **readings):
    chosen = procedure(name)
    return chosen.run(gather(chosen, {}, {k: [v] for k, v in readings.items()}))


def values(outcome):
    return {r.measurand: r for r in outcome.results}


# --- check values: common practice, no source ---------------------------------


def test_the_angle_of_view_by_tape():
    # Common practice, no source: 55 in wide at 58 in gives 51 degrees, rounded. By hand nothing is
    # known of how square it was; where it is square the formula is exact.
    tape = {"width": "55 in", "distance": "58 in", "entrance_offset": "0 in ± 0.01 in"}
    assert round(values(run("view", **tape))["hfov"].value) == 51
    found = values(run("view", **tape, squareness="0.001 deg"))["hfov"]
    assert round(found.value) == 51
    assert found.value == pytest.approx(50.73, abs=0.005)


def test_the_read_out_time_by_hand():
    """60 mph at 20 ft through 51° at 1280x720 leaning 4°: 8.5 ms (common practice, no source)."""
    outcome = run(
        "readout", speed="60 mph ± 2 mph", distance="20 ft ± 4 in", hfov="51 deg ± 0.5 deg",
        lean="4 deg ± 0.2 deg",
    )  # fmt: skip
    found = outcome.results[0]
    assert found.measurand == "readout_time"
    assert found.value == pytest.approx(8.5, abs=0.05)
    # GUM by hand: relative parts of lean (0.2°), distance (4 in), speed (2 mph), view (0.5°).
    slope = math.radians(0.2) / (math.cos(math.radians(4)) ** 2 * math.tan(math.radians(4)))
    view = math.radians(0.5) / math.sin(math.radians(51))
    parts = (slope, 4 / 240, 2 / 60, view)
    assert found.u / found.value == pytest.approx(math.sqrt(sum(p * p for p in parts)), rel=0.01)
    assert found.conditions == {"method": "hand"}
    lean = next(r for r in outcome.results if r.measurand == "skew_at")
    assert lean.value == pytest.approx(4.0, abs=0.01)
    assert any("1280x720" in w for w in outcome.warnings)


def test_the_recording_time_of_a_card():
    # Common practice, no source: 32 GB at 7,150 kbit/s lasts about 10 h.
    (found,) = run("endurance", card="32 GB", bit_rate="7150 kbit/s").results
    assert round(found.value) == 10
    low, high = found.interval
    assert low < 32e9 * 8 / 7.15e6 / 3600 < high


def test_the_push_by_hand():
    # Common practice, no source: 475 ft in 2 s.
    outcome = run("load", boost_height="475 ft", boost_duration="2 s")
    hand = outcome.findings["hand"]
    assert hand["hand_mean_speed_m_s"] == pytest.approx(237.5 * 0.3048, abs=1e-4)
    assert hand["hand_mean_acceleration_m_s2"] == pytest.approx(237.5 * 0.3048, abs=1e-4)
    # 7.4 g with 32 ft/s² per g, to its two digits.
    assert round(hand["hand_mean_acceleration_m_s2"] / (32 * 0.3048), 1) == 7.4
    (result,) = outcome.results
    assert result.conditions == {"method": "hand"}
    assert result.u > 0.1 * result.value
    assert "peak" in outcome.warnings[0]


# --- nowhere else ---------------------------------------------------------------

_GAP = r"(?:[\s\u00a0\u2009\u202f-]|&nbsp;|&#160;)*"
_DEGREES = rf"(?:\.0)?{_GAP}(?:deg(?:ree)?s?\b|°)(?!{_GAP}[CF]\b)"
_DECIMAL = r"(?<![\d.,])"
_NOWHERE = [
    rf"{_DECIMAL}5[58](?:\.0)?{_GAP}(?:in|inch|inches)\b(?! [a-z])",
    rf"{_DECIMAL}5[58](?:\.0)?{_GAP}[″]",
    rf"{_DECIMAL}(?:139\.7|147\.3){_GAP}cm|{_DECIMAL}1\.(?:397|473){_GAP}m\b|139[67]{_GAP}mm",
    rf"{_DECIMAL}60(?:\.0)?{_GAP}(?:mph|miles)|{_DECIMAL}26\.82?{_GAP}m/s|96\.[56]\d?{_GAP}km/h",
    rf"{_DECIMAL}20(?:\.0)?{_GAP}(?:ft|feet|foot)\b|{_DECIMAL}6\.096(?!\d)",
    rf"{_DECIMAL}51{_DEGREES}",
    rf"{_DECIMAL}4{_DEGREES}.{{0,25}}\blean|\blean\w*\W.{{0,12}}{_DECIMAL}4{_DEGREES}",
    rf"{_DECIMAL}8\.5{_GAP}ms\b",
    rf"{_DECIMAL}42(?:\.0)?{_GAP}min",
    rf"{_DECIMAL}71(?:\.0)?{_GAP}(?:deg(?:rees)?{_GAP}|°{_GAP})?F\b",
    rf"{_DECIMAL}21\.67?{_GAP}(?:deg{_GAP}|°{_GAP})C\b",
    rf"{_DECIMAL}16\.6{_GAP}(?:g|grams?)\b|{_DECIMAL}0\.0166{_GAP}kg",
    rf"{_DECIMAL}7[, _]?150{_GAP}kb|{_DECIMAL}7\.15{_GAP}Mb",
    rf"{_DECIMAL}475{_GAP}(?:ft|feet|foot)\b|{_DECIMAL}144\.78?{_GAP}m\b",
]
_NOT_IN_THE_DEMO = rf"{_DECIMAL}32{_GAP}GB\b"  # the published table of cards has that size too
_PROSE = ("README.md", "CONTRIBUTING.md", "CHANGELOG.md", "docs", "src", "benchmarks")
_KINDS = {".py", ".md", ".html", ".js", ".css", ".svg", ".toml", ".typ", ".json", ".txt", ".csv"}


@cache
def _texts_of(place):
    start = ROOT / place
    paths = [start] if start.is_file() else sorted(start.rglob("*"))
    return [
        (path, path.read_text(encoding="utf-8"))
        for path in paths
        if path.suffix in _KINDS
        and not {"vendor", "published", "_build"} & {*path.parts}
        and path.is_file()
        and path != Path(__file__).resolve()
    ]


def _texts(*places):
    return [found for place in places for found in _texts_of(place)]


def _found(pattern, *places):
    return [
        f"{path.relative_to(ROOT)}: {hit[0]}"
        for path, text in _texts(*places)
        for hit in re.finditer(pattern, text)
    ]


@pytest.mark.parametrize("pattern", _NOWHERE)
def test_these_figures_stand_in_this_file_only(pattern):
    assert re.search(pattern, Path(__file__).read_text(encoding="utf-8") + _SPELLED)
    assert not _found(pattern, *_PROSE, "tests")


def test_the_card_of_the_check_is_no_example():
    assert not _found(_NOT_IN_THE_DEMO, *_PROSE)


# Spellings that stand nowhere above, so that each pattern is seen to find something.
_SPELLED = "55″ 1.397 m 16.6 g 42 min @ 71 °F 21.67 °C"


# --- the table ------------------------------------------------------------------


def _declared():
    here = {p.name for p in (ROOT / "src/seeworthy/procedures").iterdir()}
    ours = [p for p in all_procedures().values() if p.id.replace("-", "_") in here]
    return {f"{p.id}.{r.name}": r for p in ours for r in p.readings}


def test_every_reading_takes_its_example_from_the_table():
    declared = _declared()
    assert {name: r.typical for name, r in declared.items()} == {
        name: text for name, text in EXAMPLES.items() if name in declared
    }


def test_every_line_of_the_table_is_used():
    from seeworthy.bench.takes import CONDITIONS
    from seeworthy.judge.plan.form import ENTRIES

    used = {*_declared(), *(f"condition.{c}" for c in CONDITIONS), "claim.run_time"}
    used |= {f"plan.{e.name}" for e in ENTRIES if not e.choices}
    assert set(EXAMPLES) == used


def test_examples_can_be_typed_as_they_stand():
    for name, reading in _declared().items():
        if reading.unit != "text":
            assert parse(EXAMPLES[name], reading.unit, positive=reading.positive).u >= 0, name
    for name, text in EXAMPLES.items():
        if name.startswith(("condition.", "plan.", "claim.")):
            parse(text)


def test_examples_of_runs_and_light_are_understood():
    assert values(run("battery", run=EXAMPLES["battery.run"]))["run_time"].value == 38.5
    from seeworthy.optics.light_reading import parse_light

    for name in ("colour.light", "low-light.light", "noise.light"):
        assert parse_light(EXAMPLES[name])


def test_the_table_is_read_off_a_camera_of_the_demo():
    from seeworthy.demo.cameras import DUNLIN

    def like(name):
        return EXAMPLES[name]

    body = values(run("body", **{n: like(f"body.{n}") for n in ("length", "width", "mass")}))
    for found, truth in ((body["length"], DUNLIN.size[0]), (body["mass"], DUNLIN.mass)):
        assert found.value == pytest.approx(truth, abs=3 * found.u)
    sides = ("width", "distance", "width2", "distance2", "height", "height2")
    view = values(run("view", **{n: like(f"view.{n}") for n in sides}))["hfov"]
    assert view.interval[0] <= DUNLIN.edge_hfov <= view.interval[1]
    by_hand = {n: like(f"readout.{n}") for n in ("speed", "distance", "hfov", "lean")}
    readout = values(run("readout", **by_hand))["readout_time"]
    assert readout.interval[0] <= DUNLIN.readout <= readout.interval[1]
    assert parse(like("readout.hfov")).value == pytest.approx(DUNLIN.edge_hfov, abs=0.2)
    assert like("endurance.card") == DUNLIN.card
    assert parse(like("endurance.bit_rate")).value == DUNLIN.bit_rate


def test_units_are_mixed():
    typed = " ".join(EXAMPLES.values())
    assert all(re.search(rf"\d {unit}\b", typed) for unit in ("in", "ft", "oz", "degF", "mph"))
    assert all(re.search(rf"\d {unit}\b", typed) for unit in ("mm", "m", "g", "hPa"))


def test_readings_in_prose_are_those_of_the_table():
    """Of help, docs and docstrings: ``--reading NAME="…"``, NAME given as such or in words."""
    table = set(EXAMPLES.values())
    for path, text in _texts("README.md", "CONTRIBUTING.md", "docs", "src"):
        for typed in re.findall(r'--reading \w+="([^"{}…]+)"', text):
            assert typed in table, f"{path.name}: {typed}"


def test_examples_are_written_as_people_write_them():
    assert as_typed("view.distance") == f'distance="{EXAMPLES["view.distance"]}"'
    two = as_options("body.mass", "body.height")
    assert two == f"--reading {as_typed('body.mass')} --reading {as_typed('body.height')}"
