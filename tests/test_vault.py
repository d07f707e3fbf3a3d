"""A bench as a zip file and back: whole, checked, and safe against archives made to harm."""

from __future__ import annotations

import sqlite3
import stat
import zipfile

import pytest
from sqlalchemy import select

from seeworthy.bench.cameras import add_camera, list_cameras
from seeworthy.bench.evidence import keep_bytes, picture_path, record
from seeworthy.bench.models import EvidenceRow
from seeworthy.bench.store import open_bench
from seeworthy.bench.vault import free_folder, pack_bench, unpack_bench
from seeworthy.ground.errors import BenchError, Conflict, UnreadableInput, WrongCall


@pytest.fixture
def packed(empty_bench, tmp_path):
    add_camera(empty_bench, "Dunlin")
    kept = keep_bytes(empty_bench, b"picture", "a.png")
    with empty_bench.changing() as session:
        record(empty_bench, session, kept)
    return pack_bench(empty_bench, tmp_path / "dunes.zip")


def test_a_bench_comes_back_whole(packed, tmp_path):
    found = unpack_bench(packed, tmp_path / "again")
    assert found.troubles == ()
    with open_bench(tmp_path / "again") as bench:
        assert [c.name for c in list_cameras(bench)] == ["Dunlin"]
    assert [p.read_bytes() for p in (tmp_path / "again" / "evidence").glob("*/*")] == [b"picture"]


def test_nothing_is_unpacked_over_something(packed, tmp_path, empty_bench):
    with pytest.raises(Conflict):
        unpack_bench(packed, empty_bench.folder)
    with pytest.raises(Conflict):
        pack_bench(empty_bench, packed)


def spoiled(packed, tmp_path, name, data, **how):
    path = tmp_path / "bad.zip"
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            new.writestr(entry.filename, old.read(entry))
        info = zipfile.ZipInfo(name)
        info.compress_type = zipfile.ZIP_DEFLATED
        info.external_attr = how.get("mode", 0o644) << 16
        new.writestr(info, data)
    return path


DIGEST = "ab" * 32


@pytest.mark.parametrize(
    ("name", "data", "mode", "why"),
    [
        ("../evil.txt", b"x", 0o644, "does not belong"),
        ("/etc/evil", b"x", 0o644, "does not belong"),
        ("evidence/../../x", b"x", 0o644, "does not belong"),
        ("evidence\\x", b"x", 0o644, "does not belong"),
        ("bench.toml", b"database = 'postgresql://evil'", 0o644, "does not belong"),
        (f"evidence/ab/{DIGEST}", b"/etc/passwd", stat.S_IFLNK | 0o777, "link"),
        (f"evidence/ab/{DIGEST}", b"other", 0o644, "not what it was"),
        (f"evidence/ab/{DIGEST}", b"\0" * 50_000_000, 0o644, "packed so tightly"),
    ],
)
def test_archives_made_to_harm_leave_nothing(packed, tmp_path, name, data, mode, why):
    bad = spoiled(packed, tmp_path, name, data, mode=mode)
    with pytest.raises(UnreadableInput, match=why):
        unpack_bench(bad, tmp_path / "again")
    assert not (tmp_path / "again").exists()
    assert not (tmp_path / "evil.txt").exists()


def doctored(packed, tmp_path, *statements):
    """Return the backup with another database in it, as a stranger could send it."""
    path, database = tmp_path / "sent.zip", tmp_path / "bench.sqlite"
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        database.write_bytes(old.read("bench.sqlite"))
        connection = sqlite3.connect(database)
        for statement in statements:
            connection.executescript(statement)
        connection.commit()
        connection.close()
        for entry in old.infolist():
            data = old.read(entry)
            new.writestr(
                entry.filename, database.read_bytes() if entry.filename == database.name else data
            )
    return path


@pytest.mark.parametrize(
    "statement",
    [
        "update evidence set kept = '../secret.png'",
        "update evidence set kept = '/etc/passwd'",
        "update evidence set kept = 'evidence/ab/' || sha256",
        "update evidence set kept = kept || '/../../../secret.png'",
        "update evidence set kept = kept || char(10)",
        "create trigger t after insert on camera begin delete from claim; end",
        "create view v as select * from camera",
        "create virtual table ft using fts5(a)",
        "pragma writable_schema = on; insert into sqlite_master values ('table', 'ft', 'ft', 0, "
        "'CREATE/**/VIRTUAL TABLE ft USING fts5(a)')",
    ],
)
def test_a_database_made_to_harm_is_refused(packed, tmp_path, statement):
    (tmp_path / "secret.png").write_bytes(b"\x89PNG secret")
    with pytest.raises(BenchError, match=r"tampered|outside|never makes"):
        unpack_bench(doctored(packed, tmp_path, statement), tmp_path / "again")
    assert not (tmp_path / "again").exists()
    # Nor is such a bench opened that came as a folder.
    folder = tmp_path / "folder"
    folder.mkdir()
    with zipfile.ZipFile(doctored(packed, tmp_path, statement)) as archive:
        archive.extractall(folder)
    with pytest.raises(BenchError):
        open_bench(folder)


def test_a_restored_bench_reads_no_file_whose_content_it_does_not_know(packed, tmp_path):
    secret = tmp_path / "secret.png"
    secret.write_bytes(b"\x89PNG secret")
    sent = doctored(packed, tmp_path, f"update evidence set kept = null, place = '{secret}'")
    unpack_bench(sent, tmp_path / "again")
    with open_bench(tmp_path / "again") as bench, bench.reading() as session:
        row = session.scalars(select(EvidenceRow)).one()
        assert row.place is None
        with pytest.raises(BenchError):
            picture_path(bench, row)


def test_a_damaged_stream_is_said(packed, tmp_path):
    data = bytearray(packed.read_bytes())
    with zipfile.ZipFile(packed) as archive:
        entry = archive.getinfo("bench.sqlite")
    for at in range(entry.header_offset + 60, entry.header_offset + 200):
        data[at] ^= 0xFF
    (tmp_path / "bad.zip").write_bytes(data)
    with pytest.raises(UnreadableInput, match="damaged"):
        unpack_bench(tmp_path / "bad.zip", tmp_path / "again")
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith((".", "again"))) == []


def test_an_empty_folder_stays_the_folder_that_it_is(packed, tmp_path):
    (tmp_path / "again").mkdir()
    number = (tmp_path / "again").stat().st_ino  # somebody may stand in it
    assert unpack_bench(packed, tmp_path / "again").troubles == ()
    assert (tmp_path / "again").stat().st_ino == number


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04 no", b"text"])
def test_what_is_no_archive(tmp_path, data):
    (tmp_path / "x.zip").write_bytes(data)
    with pytest.raises(UnreadableInput):
        unpack_bench(tmp_path / "x.zip", tmp_path / "again")


def test_a_folder_is_named_beside_the_bench(empty_bench):
    place = free_folder(empty_bench.folder, "../../etc")
    assert place.parent == empty_bench.folder.parent
    with pytest.raises(WrongCall):
        free_folder(empty_bench.folder, "///")
