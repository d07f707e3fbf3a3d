"""Every face writes a result with the digits that its interval earns (JCGM 100:2008, 7.2.6)."""

from __future__ import annotations

import ast
import html
import json
import math
import re
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import select

from seeworthy import procedures
from seeworthy.bench.cameras import add_camera
from seeworthy.bench.models import TakeRow
from seeworthy.bench.outcomes import store_answer
from seeworthy.bench.state import inputs_key, version_now
from seeworthy.bench.store import create_bench
from seeworthy.bench.takes import add_take
from seeworthy.cli.words import result_line
from seeworthy.ground.digits import said, said_result, said_u
from seeworthy.ground.results import Outcome, result
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.html import page
from serving import served

MADE = [
    result("hfov", 62.9634, 0.0101),
    result("vfov", 38.02, 4.3),
    result("dfov", 71.000004, 0.00037),
    result("frame_rate", 29.1946308, 5.4e-6),
    result("mass", 17.2, 0.0499),
    result("run_time", 42.0, 0.8, n=3, dof=2.2),
    result("bit_rate_mean", 4.9123, 0.0497),
    result("readout_time", 24.0, 0.4, interval=(23.4, 25.9)),
    result("row_time", 12345.6, 780.0),
    result("rate_error", 0.003, 0.41),
    result("usable_lux", 0.5, 9.0, interval=(0.1, 40.0)),
    result("native_width", 1280.0, 0.0),
]
NUMBER = r"[−-]?\d+(?:\.\d+)?"


def earned(one):
    """Place of the last digit, from the interval by decimal arithmetic."""
    half = (one.interval[1] - one.interval[0]) / 2
    if one.measurand == "usable_lux":  # over decades: the lower end tells
        half = one.interval[0]
    return Decimal(f"{half:.1e}").adjusted() - 1


def last_place(text):
    fraction = text.partition(".")[2]
    return -len(fraction)


def check(one, value_text, interval_text):
    value = re.search(NUMBER, value_text).group()
    ends = re.findall(NUMBER, interval_text)[:2]
    numbers = [value, *ends] if one.u else [value]
    for text, exact in zip(numbers, (one.value, *one.interval), strict=False):
        shown = float(text.replace("−", "-"))
        place = earned(one) if one.u else 0
        assert abs(shown - exact) <= 0.5000001 * 10.0**place, (one, text)
        assert shown == 0 or last_place(text) == min(0, place), (one, text)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with create_bench(tmp_path_factory.mktemp("digits") / "bench") as made:
        add_camera(made, "Dunlin")
        add_take(made, "body", "Dunlin", readings={"mass": ["17.4 g ± 0.1 g"]})
        with made.changing() as session:
            row = session.scalars(select(TakeRow)).first()
            version = version_now("body")
            store_answer(
                made, session, row, Outcome(tuple(MADE)), [], key=inputs_key(row, version),
                version=version,
            )  # fmt: skip
        yield made


def plain(text):
    return (
        html.unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ").replace("\u202f", " ")
    )


@pytest.mark.parametrize("one", MADE, ids=[m.measurand for m in MADE])
def test_the_command_line(one):
    _, value, rest = result_line(one)
    check(one, value, rest.partition(":")[2])
    assert ("±" in value) == (one.u > 0 and one.measurand not in {"readout_time", "usable_lux"})


def test_the_report_and_the_page_of_a_take(bench):
    report = plain(page(camera_report(bench, "Dunlin")))
    for client in served(bench.folder):
        taken = plain(client.get("/takes/1").text)
    for one in MADE:
        _, value, rest = result_line(one)
        shown = value.partition(" ±")[0]
        ends = re.search(rf"{NUMBER} to {NUMBER}", rest)
        for face in (report, taken):
            assert shown in face, (one.measurand, shown)
            assert not one.u or ends.group() in face, (one.measurand, ends.group())


def test_json_keeps_every_digit():
    for one in MADE:
        assert json.loads(json.dumps(one.to_json()))["value"] == one.value


# The words of the rule: two significant digits of the expanded uncertainty.
@pytest.mark.parametrize(
    ("value", "half", "unit", "text"),
    [
        (62.9634, 0.15, "deg", "62.96° ± 0.15°"),
        (30.0, 0.01, "Hz", "30.000 ± 0.010 Hz"),
        (4.9123, 0.097, "Mbit/s", "4.912 ± 0.097 Mbit/s"),
        (-0.003, 0.81, "%", "0.00 % ± 0.81 %"),
        (8.5234, 0.0996, "ms", "8.52 ± 0.10 ms"),
        (12345.6, 1530.0, "µs", "12300 ± 1500 µs"),
    ],
)
def test_words(value, half, unit, text):
    assert said(value, value - half, value + half, unit) == text


def test_what_is_exact_or_open_has_no_plus_minus():
    assert said(1280.0, 1280.0, 1280.0, "px") == "1280 px"
    assert said_result(result("dynamic_range", 9.0, 0.1, interval=(9.0, math.inf))).startswith(
        "at least 9.00"
    )
    assert said_u(17.2, 0.05, "g") == "17.200 ± 0.098 g"


# What is no measured figure in a sentence: counts, places, typed readings, facts of a file, and
# limits of a share, of which a whole per cent is told.
_EXACT = {
    "{a:g}", "{b:g}", "{length / 60:.1f}", "{length:.0f}", "{bound:.0f}", "{hot.value:.0f}",
    "{set_to:.4g}", "{across.interval[0]:.0f}", "{down.interval[0]:.0f}", "{part.size:.0f}",
    "{part.x:.0f}", "{part.y:.0f}", "{100 * found.share:.1f}", "{100 * found.bound:.0f}",
    "{seconds:.0f}", "{facts.stamps.longest * 1000.0:.0f}",
}  # fmt: skip


def test_no_sentence_of_a_procedure_fixes_its_digits():
    found = set()
    for path in sorted(Path(procedures.__file__).parent.glob("*/*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.FunctionDef) and "sentence" in node.name):
                continue
            for part in ast.walk(node):
                if isinstance(part, ast.FormattedValue) and part.format_spec is not None:
                    found.add(ast.unparse(part))
    assert found == _EXACT


def test_what_stands_behind_the_sign_is_half_of_the_interval():
    """A difference as large as its uncertainty was printed as known to a tenth of it.

    JCGM 100:2008, 7.2.4: what follows ± is the expanded uncertainty; 1.959964 x 0.1414 is 0.277.
    """
    assert said_u(0.3, math.hypot(0.1, 0.1), "g") == "0.30 ± 0.28 g"
    assert said_u(-0.3, math.hypot(0.1, 0.1), "g") == "−0.30 ± 0.28 g"
    assert said_u(0.28, math.hypot(0.1, 0.1), "g") == "0.28 ± 0.28 g"
