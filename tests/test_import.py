"""A card folder: sorted by slate, unsure where there is none, never changed."""

from __future__ import annotations

import os
import shutil
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from cards import card_frame, clip
from seeworthy.bench.cameras import add_camera, add_unit
from seeworthy.bench.card_scan import list_card, scan_file
from seeworthy.bench.importing import (
    begin_import,
    correct,
    get_import,
    list_imports,
    picture_of,
    place_files,
    take_in,
)
from seeworthy.bench.slates import Slate, bench_key, read_payload, slate_for
from seeworthy.bench.takes import add_take, list_takes
from seeworthy.ground.errors import NotFound, WrongCall
from seeworthy.targets import target
from seeworthy.targets.slate_reader import read_slate
from serving import served

TESTS = ("stream", "timing", "readout", "pixel-aspect", "lens")


def digest_of(folder):
    return {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in sorted(folder.rglob("*.*"))}


@pytest.fixture
def units(empty_bench):
    found = [add_camera(empty_bench, name).units[0].id for name in ("Dunlin", "Whimbrel")]
    found.append(add_unit(empty_bench, "Dunlin", "2").id)
    return found


def test_a_payload_says_what_went_in():
    slate = Slate("K7Q2", 12, "pixel-aspect", "turned")
    assert read_payload(slate.payload) == slate
    assert read_payload(slate.payload.lower()) == slate


@pytest.mark.parametrize("at", range(0, 36, 3))
def test_a_damaged_payload_is_refused(at):
    text = list(Slate("K7Q2", 12, "pixel-aspect", "turned").payload)
    text[at] = "X" if text[at] != "X" else "Y"
    assert read_payload("".join(text)) is None


@pytest.mark.parametrize("text", ["", "SW1", "SW1:A:B:C:D:E", "http://x", ":" * 5])
def test_other_codes_are_no_slates(text):
    assert read_payload(text) is None


def test_the_reader_finds_a_card_and_invents_none(empty_bench, units):
    rng = np.random.default_rng(5)
    slate, layout = slate_for(empty_bench, units[0], "readout")
    assert read_slate(card_frame(layout, rng)) == slate.payload
    assert read_slate(rng.uniform(0, 255, (360, 640))) is None


def test_slates_sort_a_messy_folder(empty_bench, units, tmp_path):
    """60 slated clips among others: at least 95 % right, and none wrong that calls itself sure."""
    rng = np.random.default_rng(2026)
    card = tmp_path / "card"
    (card / "sub").mkdir(parents=True)
    truth = {}
    for i in range(60):
        unit, test = units[i % 3], TESTS[i % 5]
        role = "turned" if test == "pixel-aspect" and i % 2 else ""
        _, layout = slate_for(empty_bench, unit, test, role)
        name = f"{'sub/' if i % 4 == 0 else ''}CLIP{i:04d}.MOV"
        clip(card / name, rng, layout, blur=2 * (i % 2))
        truth[name] = (unit, test, role)
    for i in range(4):
        clip(card / f"PLAIN{i}.MOV", rng)
    (card / "notes.txt").write_text("tide at six\n")
    (card / "fake.mov").write_text("this is text, not a clip\n")
    (card / "empty.mov").touch()
    shutil.copyfile(card / "CLIP0001.MOV", card / "CLIP0001 (1).MOV")
    before = digest_of(card)
    with ThreadPoolExecutor(2) as executor:
        found = begin_import(empty_bench, card, executor)
    sorted_ = {f.name: g for f, g in zip(found.files, found.guesses, strict=True)}
    said = {n: (g.unit, g.procedure, g.role) for n, g in sorted_.items() if g.sure and not g.skip}
    right = [n for n, where in truth.items() if said.get(n) == where]
    wrong = [n for n, where in said.items() if truth.get(n.replace(" (1)", "")) != where]
    assert wrong == []
    assert len(right) >= 57
    assert sorted_["CLIP0001 (1).MOV"].skip or sorted_["CLIP0001.MOV"].skip
    assert sorted_["fake.mov"].skip
    assert sorted_["empty.mov"].skip
    assert all(not sorted_[f"PLAIN{i}.MOV"].sure for i in range(4))
    assert digest_of(card) == before


def small_card(bench, units, folder):
    rng = np.random.default_rng(7)
    folder.mkdir()
    clip(folder / "A.MOV", rng, slate_for(bench, units[0], "stream")[1])
    clip(folder / "B.MOV", rng)
    os.utime(folder / "A.MOV", (1_700_000_000, 1_700_000_000))
    os.utime(folder / "B.MOV", (1_700_000_060, 1_700_000_060))
    return folder


def test_a_clip_without_slate_is_unsure_until_the_user_says(empty_bench, units, tmp_path):
    card = small_card(empty_bench, units, tmp_path / "card")
    with ThreadPoolExecutor(1) as executor:
        found = begin_import(empty_bench, card, executor)
    assert [g.sure for g in found.guesses] == [True, False]
    assert "may go on with it" in found.guesses[1].how
    assert len(take_in(empty_bench, found.ticket).takes) == 1
    correct(empty_bench, found.ticket, 1, unit=units[1], procedure_id="timing", role="", skip=False)
    again = take_in(empty_bench, found.ticket)
    assert [(t.camera, t.procedure) for t in again.takes] == [("Whimbrel", "timing")]
    assert len(list_takes(empty_bench)) == 2
    assert take_in(empty_bench, found.ticket).takes == ()
    assert picture_of(empty_bench, found.ticket, 0).read_bytes()[:3] == b"\xff\xd8\xff"
    assert [i.ticket for i in list_imports(empty_bench)] == [found.ticket]
    with ThreadPoolExecutor(1) as executor:
        second = begin_import(empty_bench, card, executor)
    assert [g.take for g in second.guesses] == [1, 2]
    assert all("already" in g.how for g in second.guesses)


def test_a_card_of_another_bench_is_not_filed_here(empty_bench, units, tmp_path):
    from seeworthy.targets.slate import layout

    other = Slate("ZZZZ" if bench_key(empty_bench) != "ZZZZ" else "YYYY", units[0], "stream")
    clip(tmp_path / "A.MOV", np.random.default_rng(3), layout(other.payload))
    with ThreadPoolExecutor(1) as executor:
        card = tmp_path / "card"
        card.mkdir()
        shutil.move(tmp_path / "A.MOV", card)
        found = begin_import(empty_bench, card, executor)
    assert not found.guesses[0].sure
    assert "another bench" in found.guesses[0].how


def test_500_unrelated_files_are_left_alone(empty_bench, tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    for i in range(500):
        (card / f"{i}.dat").write_bytes(bytes([i % 256, 0, 7]) * 40)
    with ThreadPoolExecutor(2) as executor:
        found = begin_import(empty_bench, card, executor)
    assert all(g.skip for g in found.guesses)
    assert found.takes == []


def test_wrong_folders_and_tickets(empty_bench, tmp_path):
    (tmp_path / "none").mkdir()
    with ThreadPoolExecutor(1) as executor:
        for folder in (tmp_path / "missing", tmp_path / "none", empty_bench.folder):
            with pytest.raises(WrongCall):
                begin_import(empty_bench, folder, executor)
    for ticket in ("../bench", "x", "A" * 12):
        with pytest.raises(NotFound):
            get_import(empty_bench, ticket)


def test_links_and_hidden_files_are_not_followed(tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    (card / "real.txt").write_text("a,b\n1,2\n")
    (card / ".hidden").write_text("x")
    (card / "link.txt").symlink_to("/etc/hostname")
    assert [p.name for p in list_card(card)] == ["real.txt"]


def test_a_renamed_text_file_is_told_by_its_content(tmp_path):
    path = tmp_path / "clip.mov"
    path.write_text("no clip at all\n")
    assert scan_file(str(path), "clip.mov").kind == "unknown"


@pytest.mark.parametrize(
    ("name", "test"), [("board", "lens"), ("rings", "pixel-aspect"), ("greys", "noise")]
)
def test_a_target_in_view_suggests_its_test(empty_bench, tmp_path, name, test):
    add_camera(empty_bench, "Dunlin")
    card = tmp_path / "card"
    card.mkdir()
    rng = np.random.default_rng(11)
    clip(card / "KNO0001.MOV", rng, target(name))
    clip(card / "KNO0002.MOV", rng)
    with ThreadPoolExecutor(1) as executor:
        found = begin_import(empty_bench, card, executor)
    with_target, without = found.guesses
    assert (with_target.procedure, with_target.sure) == (test, False)
    assert name in with_target.how
    assert (without.procedure, without.sure) == ("", False)


def test_the_camera_is_suggested_by_what_is_known_of_it(empty_bench, units, tmp_path):
    from seeworthy.bench.card_scan import Scanned
    from seeworthy.bench.card_sort import sort_card

    clip(tmp_path / "DUN0001.MOV", np.random.default_rng(3))
    add_take(empty_bench, "stream", "Dunlin", {"": [tmp_path / "DUN0001.MOV"]}, unit="2")

    def suggested(name, model=""):
        (guess,) = sort_card(
            empty_bench, [Scanned(name, name, 9, 0.0, "clip", "d" * 64, model=model)]
        )
        assert not guess.sure
        return guess.unit

    assert suggested("100/dun0007.MOV") == units[2]
    assert suggested("DUN0007.MOV", "WHIMBREL mk2") == units[1]
    assert suggested("SAN0007.MOV") == 0  # three units: nothing tells them apart
    clip(tmp_path / "IMG_0001.MOV", np.random.default_rng(4))
    add_take(empty_bench, "stream", "Dunlin", {"": [tmp_path / "IMG_0001.MOV"]}, unit="2")
    assert suggested("IMG_0002.MOV") == 0  # every second camera names its files so


def test_stills_with_fractions_of_a_second_are_ordered_by_them():
    """EXIF 2.32, SubSecTimeOriginal: the file system's time, here the other way round, is not."""
    from seeworthy.bench.card_scan import Scanned
    from seeworthy.bench.card_sort import order, when

    made = ("2026:05:01 10:00:00.75", "2026:05:01 10:00:00.5", "2026:05:01 10:00:00")
    files = [Scanned(m, m, 9, 9.0 * k, "still", m, made=m) for k, m in enumerate(made)]
    assert order(files) == [2, 1, 0]
    assert when(files[0]) - when(files[2]) == 0.75


def test_many_files_are_placed_at_once_or_none(empty_bench, units, tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    for i in range(3):
        clip(card / f"KNO000{i}.MOV", np.random.default_rng(i))
    with ThreadPoolExecutor(1) as executor:
        found = begin_import(empty_bench, card, executor)
    with pytest.raises(WrongCall, match="are not both known"):
        place_files(empty_bench, found.ticket, [0, 1], unit=units[0])
    with pytest.raises(NotFound):
        place_files(empty_bench, found.ticket, [0, 7], unit=units[0], procedure_id="stream")
    assert get_import(empty_bench, found.ticket).unsure == [0, 1, 2]
    place_files(empty_bench, found.ticket, [0, 2], unit=units[0], procedure_id="stream")
    placed = get_import(empty_bench, found.ticket)
    assert placed.unsure == [1]
    assert {(g.unit, g.procedure) for g in placed.guesses if g.sure} == {(units[0], "stream")}


def test_the_page_places_many_and_stays_in_place(empty_bench, units, tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    for i in range(4):
        clip(card / f"KNO000{i}.MOV", np.random.default_rng(i))
    with ThreadPoolExecutor(1) as executor:
        ticket = begin_import(empty_bench, card, executor).ticket
    for client in served(empty_bench.folder):
        none = client.post(f"/import/{ticket}/many", data={"unit": str(units[0])})
        assert none.status_code == 400
        assert "No file is ticked" in none.text
        data = {"unit": str(units[0]), "test": "stream|", "file": ["0", "1"]}
        many = client.post(f"/import/{ticket}/many", data=data, follow_redirects=False)
        assert many.headers["location"] == f"/import/{ticket}?placed=1#file-2"
        one = client.post(
            f"/import/{ticket}/files/3", data={**data, "file": "3"}, follow_redirects=False
        )
        assert one.headers["location"] == f"/import/{ticket}?placed=3#file-2"
        taken = client.post(f"/import/{ticket}/take", data={}, follow_redirects=False)
        assert taken.status_code == 303  # a reload asks nothing and enters nothing again
        client.site.keeper.wait(60)
        page = client.get(taken.headers["location"]).text
        assert "Taken in:" in page
        assert len(list_takes(empty_bench)) == 3


def test_the_command_line_makes_the_slate_that_the_import_reads(
    empty_bench, units, tmp_path, monkeypatch
):
    from seeworthy.cli import main
    from seeworthy.targets import printing

    drawn = []
    real = printing.pdf
    monkeypatch.setattr(
        printing, "pdf", lambda layout, plan: drawn.append(layout) or real(layout, plan)
    )
    words = ["target", "slate", "--camera", "Dunlin", "--unit", "2", "--test", "readout",
             "--bench", str(empty_bench.folder), "-o", str(tmp_path / "s.pdf")]  # fmt: skip
    assert main.run(words) == 0
    found = read_payload(read_slate(card_frame(drawn[0], np.random.default_rng(8))))
    assert found == Slate(bench_key(empty_bench), units[2], "readout")
    assert main.run(words[:4]) == 2
    assert main.run([*words, "--unit", "9"]) == 2
