"""What broken files found that ended in a fault, and rights of files that follow the umask."""

from __future__ import annotations

import os
import stat
import struct
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from seeworthy.bench.cameras import add_camera
from seeworthy.bench.claims import set_claim
from seeworthy.bench.evidence import keep_bytes
from seeworthy.bench.models import ClaimRow
from seeworthy.bench.running import run_bench
from seeworthy.bench.takes import add_take
from seeworthy.bench.vault import pack_bench, unpack_bench
from seeworthy.ground.errors import BenchReadOnly, CannotMeasure, UnreadableInput
from seeworthy.ground.leftovers import beside
from seeworthy.media.decode import Showing
from seeworthy.media.source import Source
from seeworthy.media.tables import read_table
from seeworthy.observe.row_bands import ReadoutWatch
from seeworthy.procedures.readout.passing import measure_passing
from seeworthy.publish import drawing
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.card_drawing import SIZES, card_svg
from seeworthy.publish.cards import cards_of
from seeworthy.publish.html import page
from seeworthy.publish.package import Package
from seeworthy.publish.typeset import escape
from seeworthy.publish.write import write_reports


@pytest.fixture
def umask():
    """Set the umask, and put back the one before."""
    before = os.umask(0o022)
    yield os.umask
    os.umask(before)


def rights(path):
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize(("mask", "file", "folder"), [(0o022, 0o644, 0o755), (0o077, 0o600, 0o700)])
def test_rights_follow_the_umask(umask, empty_bench, tmp_path, mask, file, folder):
    """POSIX.1-2017, umask: rights of a new file are 0666, of a folder 0777, less its bits."""
    umask(mask)
    with beside(tmp_path / "a.csv", "export") as part:
        part.write_text("x")
    with beside(tmp_path / "data", "export", folder=True) as part:
        (part / "a.csv").write_text("x")
    assert rights(tmp_path / "a.csv") == file
    assert rights(tmp_path / "data") == folder
    kept = keep_bytes(empty_bench, b"picture", "a.png")
    assert rights(empty_bench.folder / kept.kept) == file & 0o444
    back = unpack_bench(pack_bench(empty_bench, tmp_path / "b.zip"), tmp_path / "back").folder
    assert rights(back) == folder
    assert rights(back / kept.kept) == file & 0o444


def test_what_was_made_private_stays_private(umask, tmp_path):
    target = tmp_path / "report.html"
    target.write_text("old")
    target.chmod(0o600)
    umask(0o022)
    with beside(target, "report") as part:
        part.write_text("new")
    assert target.read_text() == "new"
    assert rights(target) == 0o600


@pytest.mark.parametrize("name", [b"", b"\xff\xff\xff\xff"])
def test_an_archive_with_a_name_that_is_none_is_refused(tmp_path, name):
    """APPNOTE.TXT 4.4.4, bit 11: the name is UTF-8; 4.4.10: how long it is."""
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as made:
        made.writestr("ab\u00fc", "x")  # four bytes of UTF-8
    data = bytearray(path.read_bytes())
    at = data.rindex(b"PK\x01\x02")
    data[at + 28 : at + 30] = struct.pack("<H", len(name))
    data[at + 46 : at + 50] = name
    size = len(data) - at - 22
    data[-10:-6] = struct.pack("<I", size)
    path.write_bytes(data)
    with pytest.raises(UnreadableInput):
        Package(path)
    with pytest.raises(UnreadableInput):
        unpack_bench(path, tmp_path / "back")
    assert not (tmp_path / "back").exists()


def test_one_long_word_in_a_table_costs_time_that_grows_with_it(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("Time (s),Altitude (m)\n" + "x" * 99_000 + "\n0,1\n1,2\n2,4\n")
    began = time.monotonic()
    read_table(Source.of(path))
    assert time.monotonic() - began < 5  # it was minutes


class _Frame:
    width, height, pts, key_frame, is_corrupt = 64, 48, None, True, False
    format = type("Format", (), {"name": "gray"})()


def test_the_count_of_frames_holds_the_largest_number(monkeypatch):
    """Where stamps turn out to mean nothing, numbers begin anew, below those given before."""
    showing = Showing([], 100, None, None)
    monkeypatch.setattr(
        "seeworthy.media.decode.stage_of",
        lambda stream, frame: type("Stage", (), {"width": 1, "height": 1})(),
    )
    for number in (0, 7, 3):  # of another size than the stage: nothing is looked at
        showing.show(number, _Frame(), None, None)
    assert showing.summary.frames == 8


def test_a_clip_whose_stamps_say_hours_is_refused_by_readout():
    watch = ReadoutWatch()
    watch._stamps = list(np.arange(6) * 4000.0)
    watch.seen = watch.moving = 6
    with pytest.raises(CannotMeasure, match="4e\\+03 s apart"):
        measure_passing(watch)


def test_a_log_of_twenty_thousand_columns_is_refused_at_once(tmp_path):
    path = tmp_path / "log.csv"
    row = ",".join(str(k % 97) for k in range(20_000))
    path.write_text("\n".join(["time," + row, *(f"{i / 10},{row}" for i in range(40))]))
    began = time.process_time()
    with pytest.raises(UnreadableInput, match="more than 2000 columns"):
        read_table(Source.of(path))
    assert time.process_time() - began < 2  # it was 12 to 25 s


HARM = "=1+1\x01\x07\x1b]0;x\x07\u202egnp.exe\ufffe<script>a</script>&\"'\x0b"


def test_what_cannot_be_seen_is_on_no_card_report_or_page(empty_bench):
    """Characters that XML 1.0 (2.2) forbids, orders to a terminal, turned letters, markup."""
    add_camera(empty_bench, "Dunlin")
    found = set_claim(empty_bench, "Dunlin", "mass", "15 g", source=HARM)
    add_take(empty_bench, "body", "Dunlin", readings={"mass": ["16.5 g"]})
    run_bench(empty_bench, executor=ThreadPoolExecutor(1))
    assert found.source == "=1+1]0;xgnp.exe<script>a</script>&\"'"
    with empty_bench.changing() as session:  # as a package or a restored bench could bring it
        row = session.query(ClaimRow).one()
        row.source = HARM
    drawn = [card_svg(card, SIZES["wide"]) for card in cards_of(empty_bench, "Dunlin")]
    assert drawn
    assert "gnp.exe" in "".join(drawn)
    for svg in drawn:
        assert "script" not in {e.tag.partition("}")[2] for e in ET.fromstring(svg).iter()}
    for text in (*drawn, page(camera_report(empty_bench, "Dunlin")), escape(HARM)):
        assert not set("\x01\x07\x1b\x0b\u202e\ufffe") & set(text)
    assert "<script>a" not in page(camera_report(empty_bench, "Dunlin"))


def test_a_report_that_may_not_be_written_is_refused_before_anything_is_drawn(
    empty_bench, monkeypatch
):
    add_camera(empty_bench, "Dunlin")
    monkeypatch.setattr(os, "access", lambda place, how: False)
    monkeypatch.setattr(drawing, "hands", lambda: pytest.fail("it begins to draw"))
    with pytest.raises(BenchReadOnly):
        write_reports(empty_bench, "Dunlin")
