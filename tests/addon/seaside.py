"""An add-on as a third party would write it: two procedures that take no time.

``tide`` does what its option ``do`` says, so that tests can have a worker that
answers, refuses, fails, hangs, dies or eats memory. ``gulls`` counts frames.
Setting ``SEASIDE_DIARY`` to a file makes every measurement add a line to it.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, field
from pathlib import Path

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.measurands import Measurand, register
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, result
from seeworthy.procedures.declare import (
    Files,
    Inputs,
    Option,
    Procedure,
    Reading,
    Seen,
    Step,
    Watch,
)

register(Measurand("tide_mark", "tide mark", "m", "tide", "none", "How far the sea came up."))
register(Measurand("gull_count", "gulls", "", "gulls", "more", "How many gulls came by."))

# The smallest PNG there is: one grey pixel.
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108000000003a7e9b55"
    "0000000a49444154789c63a8070000810081b5ad3ad80000000049454e44ae426082"
)


def _write_diary(text: str) -> None:
    path = os.environ.get("SEASIDE_DIARY")
    if path:
        with Path(path).open("a") as diary:
            diary.write(f"{text}\n")


def _eat_memory() -> None:
    held = []
    while True:
        if len(held) < 100:  # two gigabytes are proof enough
            held.append(b"\x01" * 20_000_000)
        time.sleep(0.005)


def _tide(inputs: Inputs, seen: Seen) -> Outcome:
    do = inputs.option("do", "answer")
    height = inputs.reading("height")
    _write_diary(f"tide {do} {height.text if height else ''}".strip())
    if do == "hang":
        time.sleep(600)
    if do == "die":
        os._exit(9)
    if do == "eat":
        _eat_memory()
    if do == "fault":
        raise ZeroDivisionError("the moon is gone")
    if do == "wait":
        time.sleep(0.7)
    if do == "refuse":
        raise CannotMeasure(
            "There is no sea in the clip.",
            "Film the sea.",
            (Picture("dry.png", "Sand only.", PIXEL),),
        )
    value = height.value if height else 1.0
    mark = result("tide_mark", value, 0.1, n=3, conditions={"method": do}, evidence=["mark.png"])
    figure = Figure(
        "rise",
        "Rise of the tide",
        "It comes up.",
        {"t": [0.0, 1.0, 2.0], "h": [0.0, float("nan"), value]},
        Axis("t", "time", "h"),
        Axis("h", "height", "m"),
        (Mark("line", y="h"),),
    )
    return Outcome(
        (mark,),
        {"shells": {"count": 2, "at": [4, 9]}, "foam": True, "wreck": None},
        ("The wind blew.",),
        (Picture("mark.png", "The mark.", PIXEL),),
        (figure,),
        do,
        "Park the car higher up.",
    )


TIDE = Procedure(
    "tide",
    "Tide mark",
    "How far does the sea come up?",
    1,
    ("tide_mark",),
    (Step("Film the sea."),),
    _tide,
    files=(
        Files("", ("clip", "table"), "the sea", least=0, most=0),
        Files("before", ("clip", "table"), "the sea before", least=0),
    ),
    readings=(
        Reading("height", "m", "Height of the mark.", "3 ft ± 1 in"),
        Reading("swell", "m", "Height of a wave.", "1 ft", repeat=True),
    ),
    options=(Option("do", "what happens", "answer"),),
    findings={"shells": "shells on the beach", "foam": "white caps", "wreck": "what was washed up"},
)


@dataclass
class Counter:
    """Counts frames."""

    count: int = 0
    sizes: list[int] = field(default_factory=list)

    def begin(self, stage) -> None:
        pass

    def frame(self, view) -> None:
        self.count += 1

    def finish(self) -> None:
        pass


def _gulls(inputs: Inputs, seen: Seen) -> Outcome:
    _write_diary("gulls")
    return Outcome((result("gull_count", seen.watches[0].observer.count, 0.0),))


GULLS = Procedure(
    "gulls",
    "Gulls",
    "How many gulls come by?",
    1,
    ("gull_count",),
    (Step("Film gulls."),),
    _gulls,
    prepare=lambda inputs: [Watch(inputs.file(), Counter())],
    files=(Files("", ("clip",), "gulls"),),
)
