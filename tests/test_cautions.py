"""Cautions: every procedure that can hurt someone says so, in words that exist."""

from __future__ import annotations

import pytest

from seeworthy.procedures import all_procedures
from seeworthy.procedures.cautions import CAUTIONS

# What a procedure asks people to do, and the caution that has to stand before it.
NEEDED = {
    "battery": {"lithium"},
    "body": {"lithium"},
    "endurance": {"lithium"},
    "readout": {"road", "flashing"},
    "load": {"launch"},
    "survival": {"launch"},
    "sync": {"flashing"},
    "motion": {"airspace", "propellers"},
    "tie": {"launch", "propellers"},
}


@pytest.mark.parametrize("procedure", all_procedures().values(), ids=lambda p: p.id)
def test_every_caution_of_a_procedure_exists(procedure):
    assert set(procedure.cautions) <= set(CAUTIONS)
    assert len(set(procedure.cautions)) == len(procedure.cautions)


@pytest.mark.parametrize("name", NEEDED)
def test_dangerous_procedures_warn(name):
    procedure = all_procedures().get(name)
    if procedure is None:
        pytest.skip(f"'{name}' is not there yet")
    assert NEEDED[name] <= set(procedure.cautions)


@pytest.mark.parametrize(
    ("caution", "words"),
    [
        ("lithium", ("never unattended", "swollen", "below 0 °C", "maker")),
        ("road", ("passenger films, never the driver", "off the carriageway", "local traffic law")),
        ("launch", ("safety code", "eye protection", "distances")),
        ("sun", ("Never look through a lens at the sun",)),
        ("flashing", ("photosensitive epilepsy", "stop at once")),
        ("heights", ("secure footing",)),
        ("airspace", ("local airspace rules", "privacy")),
        ("mains", ("licensed",)),
        ("propellers", ("take them off", "people and animals away")),
    ],
)
def test_cautions_say_what_to_do(caution, words):
    for word in words:
        assert word in CAUTIONS[caution]


def test_cautions_are_sentences():
    for text in CAUTIONS.values():
        assert text.endswith(".")
        assert text == " ".join(text.split())
