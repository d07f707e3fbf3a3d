"""The demo bench: invented cameras whose truth the measures find again."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from seeworthy.bench.outcomes import list_outcomes
from seeworthy.bench.running import run_bench
from seeworthy.bench.store import create_bench, open_bench
from seeworthy.bench.takes import list_takes
from seeworthy.demo import bench as demo_bench
from seeworthy.demo.bench import CARD, build, plan
from seeworthy.demo.cameras import CAMERAS, DUNLIN, SANDERLING, TITLE
from seeworthy.demo.dune_walk import DuneWalk
from seeworthy.demo.takes import SHELF, Prop
from seeworthy.demo.targets import lens_of
from seeworthy.ground.digits import number, spread_of
from seeworthy.ground.errors import Conflict, NotFound
from seeworthy.judge.claims.tolerance import Tolerance
from seeworthy.procedures import all_procedures
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.write import write_reports

# Small pictures and the cheap procedures: enough to go the whole way in seconds.
SMALL = replace(DUNLIN, width=320, height=176, bit_rate=1.0)
CHEAP = ("body", "view", "timing", "battery")


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("demo") / "bench"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demo_bench, "SHELF", {k: v for k, v in SHELF.items() if k in CHEAP})
        with build(place, cameras=(SMALL,), workers=1) as bench:
            run_bench(bench, workers=1)
    return place


def test_every_entry_fits_its_procedure():
    """Roles, readings and options of staged takes are those that are declared."""
    known = all_procedures()
    for _, name, staged in plan().takes:
        declared = known[name]
        assert set(staged.files) <= {f.role for f in declared.files}, name
        assert set(staged.readings) <= {r.name for r in declared.readings}, name
        assert set(staged.options) <= {o.name for o in declared.options}, name


def test_the_edge_ray_is_the_one_that_the_lens_bends():
    for camera in CAMERAS:
        assert camera.edge_hfov == pytest.approx(lens_of(camera).view_angles()[0], abs=1e-3)


def test_same_seed_same_demo():
    one, two, other = plan(1), plan(1), plan(2)
    readings = [[s.readings for _, _, s in p.takes] for p in (one, two, other)]
    assert readings[0] == readings[1]
    assert readings[0] != readings[2]
    assert set(one.props) == set(other.props)


def test_clips_of_the_same_seed_are_the_same(tmp_path):
    made = []
    for name in ("a", "b"):
        card = tmp_path / name
        card.mkdir()
        walk = next(p for n, p in plan(1, (SMALL,)).props.items() if n == "DUN0050.MOV")
        demo_bench.render([walk], card, workers=1)
        made.append((card / "DUN0050.MOV").read_bytes())
    assert made[0] == made[1]


def test_the_cameras_differ_and_one_firmware_changes():
    assert len({c.name for c in CAMERAS}) == 3
    assert len({c.seed for c in CAMERAS}) == 3
    changed = [c.name for c in CAMERAS if len([f for f in c.firmware if f[0] == c.units[0]]) > 1]
    assert changed == ["Dunlin"]
    for camera in CAMERAS:
        names = list(plan(1, (camera,)).props)
        assert all(n.startswith(camera.name[:3].upper()) for n in names)


def test_measures_find_the_truth_again(folder):
    with open_bench(folder) as bench:
        results = {}
        for stored in list_outcomes(bench, camera="Dunlin"):
            assert not stored.error_kind, stored.message
            for found in stored.results:
                results.setdefault(found.measurand, []).append(found)
    low, high = results["hfov"][0].interval
    assert low <= SMALL.edge_hfov <= high
    low, high = results["mass"][0].interval
    assert low <= SMALL.mass <= high
    warm = min(results["run_time"], key=lambda r: abs(r.conditions["temperature"] - 21))
    assert warm.value == pytest.approx((38.5 + 37.1 + 39.2) / 3)


def test_the_firmware_change_is_seen(folder):
    with open_bench(folder) as bench:
        report = camera_report(bench, "Dunlin")
    timing = [t for t in report.takes if t.take.procedure == "timing"]
    dropped = {t.take.firmware: t.outcome.findings["dropped_frames"]["count"] for t in timing}
    assert dropped == {"1.0": 4, "1.1": 0}
    judged = next(j for j in report.judgements if j.subject == "dropped_frames")
    assert judged.state == "confirmed"
    assert "older firmware 1.0 it was more than claimed (found 4)" in judged.sentence


def test_claims_of_the_demo_camera(folder):
    with open_bench(folder) as bench:
        states = {j.subject: j.state for j in camera_report(bench, "Dunlin").judgements}
        loose = camera_report(bench, "Dunlin", tolerance=Tolerance(0.5), pictures=False)
    assert states["mass"] == "more than claimed"
    assert states["hfov"] == "less than claimed"
    assert states["run_time"] == "less than claimed"
    assert states["frame_rate"] == "confirmed"
    assert states["record_time"] == "not tested"
    assert states["readout_time"] == "claimed nothing"
    assert {j.subject: j.state for j in loose.judgements}["hfov"] == "confirmed"


def test_reports_are_written_whole(folder, tmp_path):
    with open_bench(folder) as bench:
        written = write_reports(bench)
        single = write_reports(bench, "dunlin", out=tmp_path / "here" / "d.html")
        with pytest.raises(NotFound, match="no camera 'Knot'"):
            write_reports(bench, "Knot")
        assert json.dumps(camera_report(bench, "Dunlin").to_json(), allow_nan=False)
    assert [p.name for p in written] == ["report-dunlin.html"]
    assert single == [tmp_path / "here" / "d.html"]
    text = written[0].read_text()
    assert TITLE in text
    assert "://" not in text.replace("http://www.w3.org/", "")
    assert text.endswith("</html>")
    assert not list(written[0].parent.glob(".*"))


def test_a_second_call_opens_what_is_there(folder, monkeypatch):
    monkeypatch.setattr(demo_bench, "SHELF", {k: v for k, v in SHELF.items() if k in CHEAP})
    with build(folder, cameras=(SMALL,)) as bench:
        assert len(list_takes(bench)) == 5
        assert all(t.state == "measured" for t in list_takes(bench))


def test_another_bench_is_left_alone(tmp_path):
    create_bench(tmp_path / "mine").close()
    with pytest.raises(Conflict, match="holds another bench"):
        build(tmp_path / "mine", cameras=(SMALL,))


def _fails(path: Path) -> None:
    path.write_bytes(b"half")
    raise OSError(28, "no space left")


def test_a_prop_that_fails_leaves_no_whole_file(tmp_path):
    with pytest.raises(OSError, match="no space"):
        demo_bench.render([Prop("X.MOV", _fails)], tmp_path, workers=1)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_the_whole_demo(tmp_path):
    """Everything that is installed; refusals only where one was staged."""
    with build(tmp_path / "bench") as bench:
        run_bench(bench)
        outcomes = list_outcomes(bench)
        refused = [o for o in outcomes if o.error_kind]
        assert {o.take.procedure for o in refused} <= {"readout"}
        assert all(o.take.camera == "Dunlin" for o in refused)
        assert all(o.hint for o in refused)
        for camera in (DUNLIN, SANDERLING):
            found = [
                r
                for o in outcomes
                if o.take.camera == camera.name
                for r in o.results
                if r.measurand == "readout_time" and r.conditions.get("method") != "hand"
            ]
            for one in found:
                assert one.value == pytest.approx(camera.readout, rel=0.03)
        assert len(write_reports(bench)) == 3
    assert len(list((tmp_path / "bench" / CARD).iterdir())) == len(plan().props)


def misplaced(outcome):
    """Numbers of a sentence that are a result's value with digits that it does not earn."""
    found = []
    for text in re.findall(r"(?<![\d.,])\d+\.\d+", outcome.outcome.sentence):
        half = 10.0 ** -len(text.partition(".")[2]) / 2
        near = [r for r in outcome.results if abs(float(text) - abs(r.value)) <= half and r.u > 0]
        right = {number(abs(r.value), spread_of(*r.interval, r.u)) for r in near}
        longer = any(len(r) > len(text) >= 6 for r in right)  # five digits are enough to read
        if near and text not in right and not longer:
            found.append((outcome.take.procedure, text, right))
    return found


def test_sentences_carry_the_digits_that_intervals_earn(folder):
    # JCGM 100:2008, 7.2.6; two digits of the expanded uncertainty.
    with open_bench(folder) as bench:
        outcomes = [o for o in list_outcomes(bench) if not o.error_kind]
    assert len(outcomes) > 3
    assert not [m for o in outcomes for m in misplaced(o)]


def test_the_walk_shows_a_beach_under_a_blue_sky():
    """What stands on a report's first page is a scene; its moment decides every pixel of it."""
    walk = DuneWalk((160, 90), (106, 60), seed=3)
    one, again, later = walk.picture(4.0), walk.picture(4.0), walk.picture(5.0)
    assert one.shape == (90, 160, 3)
    assert np.array_equal(one, again)
    assert not np.array_equal(one, later)
    sky, sand = one[:20].mean(axis=(0, 1)), one[-20:, :50].mean(axis=(0, 1))
    assert sky[2] > sky[0] + 20
    assert sand[0] > sand[2] + 20
