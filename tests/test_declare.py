"""Declarations: what a procedure may be given, and that every one is whole."""

from __future__ import annotations

import subprocess
import sys

import pytest

from seeworthy.ground.errors import BadQuantity, WrongCall
from seeworthy.ground.measurands import measurand
from seeworthy.ground.quantities import parse
from seeworthy.ground.results import Outcome, result
from seeworthy.ground.units import is_temperature, unit_of
from seeworthy.media.source import Source
from seeworthy.procedures import all_procedures, procedure
from seeworthy.procedures.declare import Files, Inputs, Option, Procedure, Reading, Step, gather

TOY = Procedure(
    id="toy",
    title="Toy",
    question="Does it do?",
    version=1,
    yields=("mass",),
    steps=(Step("Do it."),),
    conclude=lambda inputs, seen: Outcome((result("mass", inputs.reading("mass").value, 0.1),)),
    files=(
        Files("", ("clip",), "The clip.", least=1, most=2),
        Files("turned", ("still",), "The turned one.", least=0),
    ),
    readings=(
        Reading("mass", "g", "Weigh it.", "17.2 g", required=True),
        Reading("at", "degC", "Where.", "5 degC", repeat=True, positive=False),
        Reading("run", "text", "As said.", "38 min @ 59 degF", repeat=True),
    ),
    options=(
        Option("method", "Which.", "one", choices=("one", "two")),
        Option("free", "Any.", "x"),
    ),
)


@pytest.fixture
def clip(tmp_path):
    path = tmp_path / "a.mp4"
    path.write_bytes(b"x")
    return Source.of(path)


# --- what is handed over ----------------------------------------------------


def test_readings_arrive_in_the_declared_unit(clip):
    inputs = gather(TOY, {"": [clip]}, {"mass": ["1 oz"], "at": ["-5 degC", "32 degF"]})
    assert inputs.reading("mass").value == pytest.approx(28.349523125)
    assert inputs.reading("mass").unit == "g"
    assert [q.value for q in inputs.all_readings("at")] == pytest.approx([-5, 0])
    assert inputs.reading("run") is None
    assert inputs.all_readings("run") == ()


def test_text_arrives_as_typed(clip):
    inputs = gather(TOY, {"": [clip]}, {"mass": ["1 g"], "run": ["38 min @ 59 degF", "> 3"]})
    assert [q.text for q in inputs.all_readings("run")] == ["38 min @ 59 degF", "> 3"]


def test_files_and_options_arrive_by_name(clip):
    inputs = gather(
        TOY, {"": [clip, clip], "turned": [clip]}, {"mass": ["1 g"]}, {"method": ["one", "two"]}
    )
    assert inputs.file() is clip
    assert inputs.file("turned") is clip
    assert len(inputs.all_files()) == 2
    assert inputs.all_files("nothing") == ()
    assert inputs.option("method") == "two"
    assert inputs.option("free", "default") == "default"


def test_a_procedure_without_frames_runs_alone(clip):
    outcome = TOY.run(gather(TOY, {"": [clip]}, {"mass": ["17.2 g"]}))
    assert outcome.results[0].value == pytest.approx(17.2)


def test_nothing_given_is_empty():
    assert Inputs().option("x") == ""
    assert Inputs().reading("x") is None


# --- what does not fit ------------------------------------------------------


@pytest.mark.parametrize(
    ("files", "readings", "options", "match"),
    [
        (0, {"mass": ["1 g"]}, {}, "needs a file"),
        (3, {"mass": ["1 g"]}, {}, "takes 2 files at most; 3 were given"),
        (1, {}, {}, "needs the reading 'mass'"),
        (1, {"mass": []}, {}, "needs the reading 'mass'"),
        (1, {"mass": ["1 g", "2 g"]}, {}, "given 2 times"),
        (1, {"mass": ["1 g"], "weight": ["2 g"]}, {}, "no reading 'weight'"),
        (1, {"mass": ["1 g"]}, {"methud": ["one"]}, "no option 'methud'"),
        (1, {"mass": ["1 g"]}, {"method": ["three"]}, "cannot be 'three'"),
    ],
)
def test_what_does_not_fit_is_named(clip, files, readings, options, match):
    with pytest.raises(WrongCall, match=match) as caught:
        gather(TOY, {"": [clip] * files}, readings, options)
    assert caught.value.hint


def test_unknown_roles_are_named(clip):
    with pytest.raises(WrongCall, match="no file role 'rest'") as caught:
        gather(TOY, {"": [clip], "rest": [clip]}, {"mass": ["1 g"]})
    assert "turned=" in caught.value.hint


@pytest.mark.parametrize("mass", ["3 mm", "0 g", "-1 g", "heavy", ""])
def test_readings_of_the_wrong_kind(clip, mass):
    with pytest.raises(BadQuantity):
        gather(TOY, {"": [clip]}, {"mass": [mass]})


def test_an_unknown_procedure_is_suggested():
    with pytest.raises(WrongCall, match="no procedure 'batery'") as caught:
        procedure("batery")
    assert "battery" in caught.value.hint


# --- every declaration is whole ---------------------------------------------

ALL = list(all_procedures().values())


@pytest.mark.parametrize("item", ALL, ids=lambda p: p.id)
def test_a_declaration_is_whole(item):
    assert item.title
    assert item.question.endswith("?")
    assert item.version >= 1
    assert item.minutes > 0
    assert item.steps
    assert all(step.text.rstrip().endswith((".", "?", "!")) for step in item.steps)
    for name in item.measurand_ids:
        measurand(name)
    for name, told in item.finds.items():
        assert name.isidentifier(), name
        assert told.what.strip(), name


@pytest.mark.parametrize("item", ALL, ids=lambda p: p.id)
def test_readings_of_a_declaration_can_be_typed_as_shown(item):
    names = [r.name for r in item.readings]
    assert len(names) == len(set(names))
    for reading in item.readings:
        assert reading.what.endswith((".", "?")), reading.name
        if reading.unit == "text":
            assert reading.typical
            continue
        found = parse(reading.typical, reading.unit, positive=reading.positive)
        assert found.unit == reading.unit
        # A temperature may be below zero on its scale, which 'positive' would refuse.
        if reading.unit:
            unit_of(reading.unit)
            assert not (is_temperature(reading.unit) and reading.positive), reading.name


@pytest.mark.parametrize("item", ALL, ids=lambda p: p.id)
def test_options_and_roles_of_a_declaration(item):
    for option in item.options:
        assert option.what.endswith((".", "?")), option.name
        assert not option.choices or option.typical in option.choices
    roles = [f.role for f in item.files]
    assert len(roles) == len(set(roles))
    for need in item.files:
        assert need.what.endswith("."), need.role
        assert need.most == 0 or need.most >= need.least
    if item.look:
        assert not [r for r in item.readings if r.required]
        assert any(f.role == "" and "clip" in f.kinds for f in item.files)


def test_declarations_load_nothing_heavy():
    code = (
        "import sys; from seeworthy.procedures import all_procedures; all_procedures()\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'pint', 'av'} & set(sys.modules)\n"
        "sys.exit(f'imported: {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
