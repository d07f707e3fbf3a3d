"""Cameras, claims, takes and their evidence, as a person enters and changes them."""

from __future__ import annotations

import datetime as dt
import hashlib
import subprocess
import sys

import pytest

from seeworthy.bench import evidence, takes
from seeworthy.bench.cameras import (
    add_camera,
    add_firmware,
    add_unit,
    edit_camera,
    edit_unit,
    get_camera,
    list_cameras,
    remove_camera,
    remove_firmware,
    remove_unit,
)
from seeworthy.bench.claims import remove_claim, set_claim
from seeworthy.bench.store import open_bench
from seeworthy.bench.takes import (
    add_take,
    edit_take,
    get_take,
    list_takes,
    remove_take,
    twins,
)
from seeworthy.bench.upkeep import check_bench, show_bench, tidy_bench
from seeworthy.ground.errors import (
    BadQuantity,
    BenchReadOnly,
    Conflict,
    NoSpace,
    NotFound,
    UnreadableInput,
    WrongCall,
)
from seeworthy.ground.leftovers import mark

HEIGHT = {"height": ["3 m"]}


@pytest.fixture
def bench(seaside, empty_bench):
    add_camera(empty_bench, "Dunlin")
    return empty_bench


@pytest.fixture
def shore(tmp_path):
    path = tmp_path / "shore.csv"
    path.write_text("t,h\n0,1\n")
    return path


def kept_files(bench):
    return sorted(p for p in bench.evidence_folder.rglob("*") if p.is_file())


# Cameras, units, firmware


def test_cameras_are_listed_by_name(bench):
    add_camera(bench, "avocet")
    assert [c.name for c in list_cameras(bench)] == ["avocet", "Dunlin"]


@pytest.mark.parametrize("name", ["Dunlin", "  dunlin ", "DUNLIN"])
def test_a_name_is_there_once(bench, name):
    with pytest.raises(Conflict, match="already"):
        add_camera(bench, name)


def test_letters_beyond_ascii_are_alike_too(bench):
    add_camera(bench, "Säbelschnäbler")
    with pytest.raises(Conflict):
        add_camera(bench, "SÄBELSCHNÄBLER")


@pytest.mark.parametrize("name", ["", "   ", "x" * 300])
def test_a_name_has_letters_and_an_end(bench, name):
    with pytest.raises(WrongCall, match="name of the camera"):
        add_camera(bench, name)


def test_an_unknown_camera_has_a_near_name(bench):
    with pytest.raises(NotFound, match="no camera 'Dunlyn'") as caught:
        get_camera(bench, "Dunlyn")
    assert "Dunlin" in caught.value.hint


def test_units_have_their_own_firmware_by_day(bench):
    add_unit(bench, "Dunlin", "B7")
    add_firmware(bench, "Dunlin", "2.0", unit="B7", since=dt.date(2026, 3, 1))
    add_firmware(bench, "Dunlin", "1.0", unit="b7", since=dt.date(2026, 1, 1))
    found = [
        add_take(
            bench, "tide", "Dunlin", readings=HEIGHT, unit="B7", taken=dt.date(2026, month, 15)
        ).firmware
        for month in (1, 2, 3)
    ]
    assert found == ["1.0", "1.0", "2.0"]
    early = add_take(
        bench, "tide", "Dunlin", readings=HEIGHT, unit="B7", taken=dt.date(2025, 12, 31)
    )
    assert early.firmware == ""
    assert add_take(bench, "tide", "Dunlin", readings=HEIGHT, unit="1").firmware == ""
    assert remove_firmware(bench, "Dunlin", "2.0", unit="B7").firmware[0].name == "1.0"


def test_several_units_have_to_be_named(bench):
    add_unit(bench, "Dunlin", "B7")
    with pytest.raises(WrongCall, match="2 units") as caught:
        add_take(bench, "tide", "Dunlin", readings=HEIGHT)
    assert "1, B7" in caught.value.hint
    with pytest.raises(NotFound, match="no unit 'C1'"):
        add_take(bench, "tide", "Dunlin", readings=HEIGHT, unit="C1")
    with pytest.raises(Conflict, match="already"):
        add_unit(bench, "Dunlin", "b7")


def test_what_has_takes_is_not_removed_by_accident(bench):
    add_unit(bench, "Dunlin", "B7")
    add_take(bench, "tide", "Dunlin", readings=HEIGHT, unit="B7")
    with pytest.raises(Conflict, match="1 takes"):
        remove_unit(bench, "Dunlin", "B7")
    remove_unit(bench, "Dunlin", "1")
    with pytest.raises(Conflict, match="takes"):
        remove_camera(bench, "Dunlin")
    remove_camera(bench, "Dunlin", with_takes=True)
    assert list_cameras(bench) == []
    assert list_takes(bench) == []


def test_the_last_unit_stays(bench):
    with pytest.raises(Conflict, match="only unit"):
        remove_unit(bench, "Dunlin", "1")


def test_two_tabs_that_edit_one_camera(bench):
    seen = get_camera(bench, "Dunlin")
    edit_camera(bench, "Dunlin", note="Dropped once.", version=seen.version)
    with pytest.raises(Conflict, match="meantime"):
        edit_camera(bench, "Dunlin", note="Like new.", version=seen.version)
    assert get_camera(bench, "Dunlin").note == "Dropped once."
    unit = get_camera(bench, "Dunlin").units[0]
    edit_unit(bench, "Dunlin", "1", serial="A1", version=unit.version)
    with pytest.raises(Conflict):
        edit_unit(bench, "Dunlin", "A1", serial="A2", version=unit.version)


def test_a_rename_keeps_names_apart(bench):
    add_camera(bench, "Whimbrel")
    with pytest.raises(Conflict):
        edit_camera(bench, "Whimbrel", rename="dunlin")
    assert edit_camera(bench, "Whimbrel", rename="WHIMBREL").name == "WHIMBREL"


# Claims


def test_a_claim_is_kept_as_typed_and_in_the_unit_of_its_measurand(bench):
    claim = set_claim(bench, "Dunlin", "run_time", "1.5 h", source="the seller's page")
    assert (claim.text, claim.value, claim.unit) == ("1.5 h", 90.0, "min")
    assert claim.source == "the seller's page"


def test_a_claim_of_g_is_not_a_mass(bench):
    assert set_claim(bench, "Dunlin", "felt_peak", "12 g").value == pytest.approx(12.0)
    assert set_claim(bench, "Dunlin", "mass", "0.6 oz").value == pytest.approx(17.0, abs=0.02)


def test_a_seller_may_say_nothing(bench):
    with pytest.raises(BadQuantity, match="mass is 0 g or more"):
        set_claim(bench, "Dunlin", "mass", "-3 g")
    claim = set_claim(bench, "Dunlin", "readout_time", "nothing")
    assert claim.silent
    assert claim.value is None


def test_a_finding_can_be_claimed(bench):
    claim = set_claim(bench, "Dunlin", "foam", "yes, lots")
    assert (claim.text, claim.value, claim.silent) == ("yes, lots", None, False)


def test_a_second_claim_replaces_the_first_unless_it_is_out_of_date(bench):
    first = set_claim(bench, "Dunlin", "hfov", "120 deg")
    set_claim(bench, "Dunlin", "hfov", "110 deg", version=first.version)
    with pytest.raises(Conflict):
        set_claim(bench, "Dunlin", "hfov", "100 deg", version=first.version)
    [claim] = get_camera(bench, "Dunlin").claims
    assert claim.value == 110.0
    remove_claim(bench, "Dunlin", "hfov")
    with pytest.raises(NotFound):
        remove_claim(bench, "Dunlin", "hfov")


def test_claims_that_make_no_sense_are_refused(bench):
    with pytest.raises(WrongCall, match="no measurand or finding 'hfow'") as caught:
        set_claim(bench, "Dunlin", "hfow", "120 deg")
    assert "hfov" in caught.value.hint
    with pytest.raises(BadQuantity):
        set_claim(bench, "Dunlin", "hfov", "120 kg")
    with pytest.raises(BadQuantity):
        add_camera(bench, "Whimbrel", claims={"mass": "16 g", "hfov": "120 kg"})
    assert [c.name for c in list_cameras(bench)] == ["Dunlin"]


# Takes


def test_a_take_keeps_everything(bench, shore, tmp_path):
    before = tmp_path / "before.csv"
    before.write_text("t,h\n0,0\n")
    take = add_take(
        bench,
        "tide",
        "dunlin",
        {"": [shore], "before": [before]},
        readings={"height": ["5 ft 2 in ± 0.5 in"], "swell": ["1 ft", "2 ft"]},
        options={"do": ["answer"]},
        conditions={"light": "40 fc", "temperature": "59 degF"},
        taken=dt.date(2026, 3, 21),
        note=" Windy. ",
    )
    assert take == get_take(bench, take.id)
    assert (take.state, take.note, take.taken) == ("new", "Windy.", dt.date(2026, 3, 21))
    assert [(f.role, f.name) for f in take.files] == [("", "shore.csv"), ("before", "before.csv")]
    assert [r.text for r in take.readings] == ["5 ft 2 in ± 0.5 in", "1 ft", "2 ft"]
    assert take.readings[0].value == pytest.approx(62 * 0.0254)
    assert take.readings[0].u == pytest.approx(0.5 * 0.0254)
    around = {c.name: (c.value, c.unit) for c in take.conditions}
    assert around["light"] == (pytest.approx(430.6, abs=0.1), "lx")
    assert around["temperature"] == (pytest.approx(15.0, abs=0.001), "degC")


def test_evidence_stands_under_its_sha256(bench, shore):
    [file] = add_take(bench, "tide", "Dunlin", {"": [shore]}).files
    assert file.sha256 == hashlib.sha256(shore.read_bytes()).hexdigest()
    assert file.path.read_bytes() == shore.read_bytes()
    assert file.path.name == f"{file.sha256}.csv"
    assert file.path.stat().st_mode & 0o222 == 0
    assert not file.in_place


def test_the_same_content_is_kept_once(bench, shore, tmp_path):
    twin = tmp_path / "twin.txt"
    twin.write_bytes(shore.read_bytes())
    for path in (shore, twin, shore):
        add_take(bench, "tide", "Dunlin", {"": [path]})
    assert len(kept_files(bench)) == 1
    assert [t.files[0].name for t in list_takes(bench)] == ["shore.csv", "twin.txt", "shore.csv"]


def test_an_altered_copy_is_mended_by_the_true_content(bench, shore):
    [file] = add_take(bench, "tide", "Dunlin", {"": [shore]}).files
    file.path.chmod(0o644)
    file.path.write_text("t,h\n0,9\n")
    assert [t.kind for t in check_bench(bench)] == ["changed"]
    add_take(bench, "tide", "Dunlin", {"": [shore]})
    assert check_bench(bench) == []


def test_a_file_in_place_stays_where_it_is(bench, shore):
    [file] = add_take(bench, "tide", "Dunlin", {"": [shore]}, in_place=True).files
    assert file.in_place
    assert file.path == shore
    assert kept_files(bench) == []


def test_a_file_inside_the_bench_moves_with_it(bench):
    inside = bench.folder / "raw.csv"
    inside.write_text("t,h\n")
    add_take(bench, "tide", "Dunlin", {"": [inside]}, in_place=True)
    bench.close()
    moved = bench.folder.rename(bench.folder.with_name("moved"))
    with open_bench(moved) as again:
        assert get_take(again, 1).files[0].path == moved / "raw.csv"
        assert check_bench(again) == []


def test_check_names_what_is_missing_or_changed(bench, shore, tmp_path):
    other = tmp_path / "other.csv"
    other.write_text("t,h\n5,5\n")
    add_take(bench, "tide", "Dunlin", {"": [shore]}, in_place=True)
    add_take(bench, "tide", "Dunlin", {"": [other]}, in_place=True)
    assert check_bench(bench) == []
    shore.write_text("t,h\n0,2\n")
    other.unlink()
    found = {(t.kind, t.takes) for t in check_bench(bench)}
    assert found == {("changed", (1,)), ("missing", (2,))}


@pytest.mark.parametrize(
    ("more", "error", "words"),
    [
        ({"readings": {"height": ["3 kg"]}}, BadQuantity, "3 kg"),
        ({"readings": {"height": ["-3 m"]}}, BadQuantity, "above zero"),
        ({"readings": {"hight": ["3 m"]}}, WrongCall, "no reading 'hight'"),
        ({"readings": {"height": ["3 m", "4 m"]}}, WrongCall, "2 times"),
        ({"options": {"speed": ["1"]}}, WrongCall, "no option 'speed'"),
        ({"conditions": {"light": "3 kg"}}, BadQuantity, "3 kg"),
        ({"conditions": {"light": "0 lx"}}, BadQuantity, "above zero"),
        ({"conditions": {"wind": "3 m/s"}}, WrongCall, "no condition 'wind'"),
    ],
)
def test_what_makes_no_sense_is_refused_before_a_file_is_copied(bench, shore, more, error, words):
    with pytest.raises(error, match=words):
        add_take(bench, "tide", "Dunlin", {"": [shore]}, **more)
    assert list_takes(bench) == []
    assert kept_files(bench) == []


def test_unknown_names_are_refused_before_a_file_is_copied(bench, shore, tmp_path):
    files = {"": [shore]}
    with pytest.raises(WrongCall, match="no procedure 'tied'"):
        add_take(bench, "tied", "Dunlin", files)
    with pytest.raises(NotFound, match="no camera 'Knot'"):
        add_take(bench, "tide", "Knot", files)
    with pytest.raises(WrongCall, match="no file role 'after'"):
        add_take(bench, "tide", "Dunlin", {"after": [shore]})
    with pytest.raises(UnreadableInput, match="no file"):
        add_take(bench, "tide", "Dunlin", {"": [tmp_path / "nowhere.csv"]})
    with pytest.raises(UnreadableInput, match="is a folder"):
        add_take(bench, "tide", "Dunlin", {"": [tmp_path]})
    (tmp_path / "empty.csv").touch()
    with pytest.raises(UnreadableInput, match="empty"):
        add_take(bench, "tide", "Dunlin", {"": [tmp_path / "empty.csv"]})
    assert kept_files(bench) == []


@pytest.mark.parametrize("act", [get_take, remove_take, edit_take])
def test_an_unknown_take_is_named(bench, act):
    with pytest.raises(NotFound, match="no take 7"):
        act(bench, 7)


def test_a_file_that_changes_while_it_is_copied_is_refused(bench, shore, monkeypatch):
    settle = evidence.hashlib.sha256

    def grow():
        with shore.open("a") as handle:
            handle.write("1,1\n")
        return settle()

    monkeypatch.setattr(evidence.hashlib, "sha256", grow)
    with pytest.raises(UnreadableInput, match="changed while"):
        add_take(bench, "tide", "Dunlin", {"": [shore]})
    assert kept_files(bench) == []


def test_a_full_disk_is_seen_before_copying(bench, shore, monkeypatch):
    usage = type("Usage", (), {"free": 3})
    monkeypatch.setattr(evidence.shutil, "disk_usage", lambda path: usage)
    with pytest.raises(NoSpace):
        add_take(bench, "tide", "Dunlin", {"": [shore]})
    assert kept_files(bench) == []


def test_a_disk_that_fills_while_copying_leaves_nothing(bench, tmp_path):
    resource = pytest.importorskip("resource")
    clip = tmp_path / "clip.mov"
    clip.write_bytes(b"\0" * 3_000_000)
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, old[1]))
    try:
        with pytest.raises(NoSpace, match="nothing was written half"):
            add_take(bench, "tide", "Dunlin", {"": [clip]})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
    assert kept_files(bench) == []
    assert list_takes(bench) == []


def test_a_take_that_cannot_be_entered_leaves_no_row(bench, shore, monkeypatch):
    monkeypatch.setattr(takes, "_set_options", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        add_take(bench, "tide", "Dunlin", {"": [shore]})
    assert list_takes(bench) == []
    assert show_bench(bench).evidence_files == 0


def test_a_read_only_bench_takes_nothing(bench, shore):
    with open_bench(bench.folder, read_only=True) as reader, pytest.raises(BenchReadOnly):
        add_take(reader, "tide", "Dunlin", {"": [shore]})
    assert kept_files(bench) == []


# Changing a take


def test_an_edit_replaces_what_has_the_same_name(bench):
    take = add_take(
        bench, "tide", "Dunlin", readings={"height": ["1 m"], "swell": ["1 ft", "2 ft"]}
    )
    edited = edit_take(bench, take.id, readings={"swell": ["3 ft"]}, note="Calm.")
    assert [(r.name, r.text) for r in edited.readings] == [("height", "1 m"), ("swell", "3 ft")]
    assert edited.note == "Calm."
    assert edited.version > take.version
    edited = edit_take(bench, take.id, readings={"height": []})
    assert [r.name for r in edited.readings] == ["swell"]


def test_two_tabs_that_edit_one_reading(bench):
    take = add_take(bench, "tide", "Dunlin", readings={"height": ["1 m"]})
    edit_take(bench, take.id, readings={"height": ["2 m"]}, version=take.version)
    with pytest.raises(Conflict, match="nothing was overwritten"):
        edit_take(bench, take.id, readings={"height": ["3 m"]}, version=take.version)
    assert get_take(bench, take.id).readings[0].text == "2 m"


def test_versions_count_up_one_by_one(bench):
    take = add_take(bench, "tide", "Dunlin", readings={"height": ["1 m"]})
    first = edit_take(bench, take.id, readings={"height": ["2 m"]})
    second = edit_take(bench, take.id, readings={"height": ["2 m"]})
    assert [take.version, first.version, second.version] == [1, 2, 3]


def test_a_wrong_edit_changes_nothing(bench):
    take = add_take(bench, "tide", "Dunlin", readings={"height": ["1 m"]})
    with pytest.raises(BadQuantity):
        edit_take(bench, take.id, readings={"height": ["1 kg"]}, note="Lost?")
    assert get_take(bench, take.id) == take


def test_conditions_are_changed_and_taken_away(bench):
    take = add_take(bench, "tide", "Dunlin", readings=HEIGHT, conditions={"light": "100 lx"})
    edited = edit_take(bench, take.id, conditions={"light": "200 lx", "temperature": "20 degC"})
    assert [c.text for c in edited.conditions] == ["200 lx", "20 degC"]
    edited = edit_take(bench, take.id, conditions={"light": None})
    assert [c.name for c in edited.conditions] == ["temperature"]


def test_takes_are_listed_by_camera_and_procedure(bench, shore):
    add_camera(bench, "Whimbrel")
    add_take(bench, "tide", "Dunlin", readings=HEIGHT)
    add_take(bench, "tide", "Whimbrel", readings=HEIGHT)
    add_take(bench, "gulls", "Whimbrel", {"": [shore]})
    assert [t.id for t in list_takes(bench, camera="whimbrel")] == [2, 3]
    assert [t.id for t in list_takes(bench, procedure="gulls")] == [3]
    with pytest.raises(NotFound):
        list_takes(bench, camera="Knot")


# Tidying


def test_tidying_removes_what_nothing_uses(bench, shore, tmp_path):
    other = tmp_path / "other.csv"
    other.write_text("t,h\n5,5\n")
    add_take(bench, "tide", "Dunlin", {"": [shore]})
    add_take(bench, "tide", "Dunlin", {"": [shore]})
    add_take(bench, "tide", "Dunlin", {"": [other]})
    remove_take(bench, 1)
    remove_take(bench, 3)
    assert len(kept_files(bench)) == 2
    assert tidy_bench(bench) == (0, 0)  # young files may be somebody's who is just entering
    assert tidy_bench(bench, older_than=-1) == (1, 8)
    assert [p.name for p in kept_files(bench)] == [f"{get_take(bench, 2).files[0].sha256}.csv"]
    assert check_bench(bench) == []


def test_what_a_killed_copy_left_is_swept(bench, shore):
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    part = bench.evidence_folder / f"{mark('.part-', dead.pid)}xyz"
    part.write_text("half")
    add_take(bench, "tide", "Dunlin", {"": [shore]})
    assert not part.exists()


def test_a_copy_that_is_tidied_away_meanwhile_is_not_entered(bench, shore, monkeypatch):
    keep = evidence.keep_copy

    def lose(*args):
        kept = keep(*args)
        (bench.folder / kept.kept).unlink()
        return kept

    monkeypatch.setattr(evidence, "keep_copy", lose)
    with pytest.raises(Conflict, match="tidied away"):
        add_take(bench, "tide", "Dunlin", {"": [shore]})
    assert list_takes(bench) == []


def test_a_file_that_another_take_has_is_told(bench, shore, tmp_path):
    other = tmp_path / "other.csv"
    other.write_text("t,h\n0,2\n")
    add_camera(bench, "Knot")
    first = add_take(bench, "tide", "Dunlin", {"": [shore]})
    assert twins(bench, first) == {}
    add_take(bench, "tide", "Knot", {"": [shore]})  # another camera: not counted together
    add_take(bench, "tide", "Dunlin", {"": [other]})
    assert twins(bench, first) == {}
    second = add_take(bench, "tide", "Dunlin", {"": [shore]})
    assert twins(bench, second) == {"shore.csv": [first.id]}
