"""Readings that the bench answers with its own results: the view for `motion`."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera, add_firmware
from seeworthy.bench.outcomes import list_results
from seeworthy.bench.running import run_bench
from seeworthy.bench.takes import add_take
from seeworthy.ground.errors import WrongCall
from seeworthy.ground.quantities import parse
from seeworthy.media.write import ClipWriter

MARCH, JUNE = dt.date(2026, 3, 1), dt.date(2026, 6, 1)


@pytest.fixture
def clip(tmp_path):
    with ClipWriter(tmp_path / "flight.mp4", 64, 48, 30) as writer:
        for i in range(3):
            writer.write_luma(np.full((48, 64), 90 + i, np.uint8))
    return tmp_path / "flight.mp4"


def viewed(bench, width, **more):
    return add_take(
        bench, "view", "Dunlin",
        readings={"width": [f"{width} m ± 2 mm"], "distance": ["1.47 m ± 2 mm"]}, **more,
    )  # fmt: skip


def reading(take, name="hfov"):
    return {r.name: r for r in take.readings}.get(name)


def test_the_newest_view_of_the_unit_answers(empty_bench, clip):
    add_camera(empty_bench, "Dunlin", unit="A")
    with pytest.raises(WrongCall, match="hfov"):
        add_take(empty_bench, "motion", "Dunlin", {"": [clip]})
    viewed(empty_bench, 1.40, taken=MARCH)
    viewed(empty_bench, 1.50, taken=JUNE)
    run_bench(empty_bench)
    newest = list_results(empty_bench, measurand="hfov")[-1].result
    take = add_take(empty_bench, "motion", "Dunlin", {"": [clip]}, taken=JUNE)
    entered = parse(reading(take).text, "deg")
    assert entered.value == pytest.approx(newest.value, rel=1e-6)
    assert entered.u == pytest.approx(newest.u, rel=0.01)
    assert reading(take).instrument == "result of take 2"
    assert reading(take, "readout_time") is None  # never measured, never made up


def test_what_is_typed_is_kept(empty_bench, clip):
    add_camera(empty_bench, "Dunlin", unit="A")
    viewed(empty_bench, 1.40)
    run_bench(empty_bench)
    typed = {"hfov": ["70 deg ± 1 deg"]}
    take = add_take(empty_bench, "motion", "Dunlin", {"": [clip]}, readings=typed)
    assert (reading(take).text, reading(take).instrument) == ("70 deg ± 1 deg", "")


def test_another_firmware_s_view_does_not_answer(empty_bench, clip):
    add_camera(empty_bench, "Dunlin", unit="A")
    viewed(empty_bench, 1.40, taken=MARCH)
    run_bench(empty_bench)
    add_firmware(empty_bench, "Dunlin", "1.1", since=dt.date(2026, 5, 1))
    with pytest.raises(WrongCall, match="hfov"):
        add_take(empty_bench, "motion", "Dunlin", {"": [clip]}, taken=JUNE)
    assert add_take(empty_bench, "motion", "Dunlin", {"": [clip]}, taken=MARCH)
