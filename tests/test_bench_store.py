"""A bench folder: made, opened, moved on, backed up; and what stands in the way."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import tempfile
import threading
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import text

from seeworthy.bench import schema, store
from seeworthy.bench.cameras import add_camera, get_camera, list_cameras
from seeworthy.bench.columns import Base
from seeworthy.bench.store import create_bench, find_bench, open_bench
from seeworthy.bench.upkeep import backup_bench, check_bench, show_bench
from seeworthy.ground.errors import (
    BenchBusy,
    BenchError,
    BenchReadOnly,
    BenchTooNew,
    Conflict,
    NoSpace,
    NotFound,
    WrongCall,
)


@pytest.fixture
def bench(empty_bench):
    return empty_bench


def test_a_bench_is_a_folder_of_three(tmp_path):
    create_bench(tmp_path / "dunes").close()
    found = sorted(p.name for p in (tmp_path / "dunes").iterdir())
    assert found == ["bench.sqlite", "evidence", "exports"]


def test_any_sqlite_tool_can_read_it(bench):
    add_camera(bench, "Dunlin")
    with sqlite3.connect(bench.database) as plain:
        assert plain.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert plain.execute("SELECT name FROM camera").fetchall() == [("Dunlin",)]
    plain.close()


def test_every_connection_keeps_foreign_keys(bench):
    with bench.changing() as session, bench.reading() as other:
        for one in (session, other):
            assert one.execute(text("PRAGMA foreign_keys")).scalar() == 1
            assert one.execute(text("PRAGMA busy_timeout")).scalar() == 30_000


def test_migrations_make_what_the_models_say(bench):
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext

    with bench.reading() as session:
        context = MigrationContext.configure(session.connection(), opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_a_change_that_fails_leaves_nothing(bench):
    def change():
        with bench.changing() as session:
            session.execute(text("INSERT INTO about (name, value) VALUES ('tide', 'high')"))
            raise RuntimeError

    with pytest.raises(RuntimeError):
        change()
    with bench.reading() as session:
        assert session.execute(text("SELECT value FROM about WHERE name = 'tide'")).all() == []


def test_a_second_bench_in_the_same_place_is_refused(bench):
    with pytest.raises(Conflict, match="holds a bench already"):
        create_bench(bench.folder)


def test_a_file_is_no_place_for_a_bench(tmp_path):
    (tmp_path / "note").write_text("hello")
    with pytest.raises(WrongCall, match="is a file"):
        create_bench(tmp_path / "note")


def test_a_bench_that_fails_to_be_made_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(schema, "_migrate", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        create_bench(tmp_path / "dunes")
    assert not (tmp_path / "dunes").exists()


def test_files_that_were_there_stay_when_making_a_bench_fails(tmp_path, monkeypatch):
    monkeypatch.setattr(schema, "_migrate", lambda *_: 1 / 0)
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(ZeroDivisionError):
        create_bench(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def test_no_bench_says_how_to_make_one(tmp_path):
    with pytest.raises(NotFound, match="no bench") as caught:
        open_bench(tmp_path)
    assert "bench new" in caught.value.hint


def test_the_bench_stood_in_is_found_from_below(bench, monkeypatch):
    monkeypatch.delenv("SEEWORTHY_BENCH", raising=False)
    assert find_bench(bench.folder / "evidence") == bench.folder
    with pytest.raises(NotFound):
        find_bench(bench.folder.parent)
    monkeypatch.setenv("SEEWORTHY_BENCH", str(bench.folder))
    assert find_bench(bench.folder.parent) == bench.folder


def test_a_newer_bench_is_refused_and_left_alone(bench):
    bench.close()
    with sqlite3.connect(bench.database) as plain:
        plain.execute("UPDATE alembic_version SET version_num = '9999'")
    plain.close()
    before = bench.database.read_bytes()
    with pytest.raises(BenchTooNew, match="newer Seeworthy"):
        open_bench(bench.folder)
    assert bench.database.read_bytes() == before


FUTURE = """
from alembic import op
import sqlalchemy as sa
revision = "0000future"
down_revision = "HEAD"
branch_labels = depends_on = None
def upgrade():
    # Rebuilds the table, as SQLite needs it; rows that point to it must survive.
    with op.batch_alter_table("camera", recreate="always") as table:
        table.add_column(sa.Column("colour", sa.Text(), nullable=True))
    op.add_column("unit", sa.Column("FAIL", sa.Text(), nullable=True))
"""


@pytest.fixture
def future(tmp_path, monkeypatch):
    """Give a function that lets the program know one more migration step."""

    def grow(body=FUTURE):
        folder = tmp_path / "versions"
        folder.mkdir()
        (folder / "future.py").write_text(body.replace("HEAD", schema.wanted_revision()))
        monkeypatch.setattr(schema, "VERSIONS", [*schema.VERSIONS, folder])

    return grow


def test_an_older_bench_is_backed_up_and_moved_on(bench, future):
    add_camera(bench, "Dunlin", claims={"run_time": "90 min"})
    bench.close()
    old = schema.wanted_revision()
    future()
    with open_bench(bench.folder) as newer:
        assert get_camera(newer, "Dunlin").units[0].serial == "1"
        with newer.reading() as session:
            assert session.execute(text("SELECT colour FROM camera")).all() == [(None,)]
    [backup] = bench.folder.glob(f"bench.sqlite.{old}-*")
    with sqlite3.connect(backup) as plain:
        assert plain.execute("SELECT version_num FROM alembic_version").fetchone() == (old,)
        assert plain.execute("SELECT count(*) FROM unit").fetchone() == (1,)
    plain.close()


def test_a_migration_that_fails_changes_nothing(bench, future):
    add_camera(bench, "Dunlin")
    bench.close()
    old = schema.wanted_revision()
    future(FUTURE + "    raise RuntimeError('half way')\n")
    with pytest.raises(RuntimeError, match="half way"):
        open_bench(bench.folder)
    with sqlite3.connect(bench.database) as plain:
        assert plain.execute("SELECT version_num FROM alembic_version").fetchone() == (old,)
        columns = [row[1] for row in plain.execute("PRAGMA table_info(camera)")]
    plain.close()
    assert "colour" not in columns


def test_an_older_bench_that_is_read_only_says_so(bench, future):
    bench.close()
    future()
    with pytest.raises(BenchReadOnly, match="cannot be brought up to date"):
        open_bench(bench.folder, read_only=True)


def test_a_bench_opened_for_reading_refuses_changes(bench):
    add_camera(bench, "Dunlin")
    with open_bench(bench.folder, read_only=True) as reader:
        assert [c.name for c in list_cameras(reader)] == ["Dunlin"]
        with pytest.raises(BenchReadOnly, match="nothing was changed"):
            add_camera(reader, "Sanderling")
    assert len(list_cameras(bench)) == 1


@contextmanager
def somebody_without_rights(folder):
    """Take the right to write away, also from the one who may do everything."""
    paths = [folder, *folder.rglob("*")]
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        for path in paths:
            path.chmod(0o755 if path.is_dir() else 0o644)


@pytest.fixture
def open_folder():
    """Give a folder that everybody may enter; pytest's own is private."""
    place = Path(tempfile.mkdtemp())
    place.chmod(0o755)
    yield place
    shutil.rmtree(place)


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="no such rights on this system")
def test_a_folder_without_write_permission_is_read_only(open_folder):
    with create_bench(open_folder / "dunes") as made:
        add_camera(made, "Dunlin")
    with somebody_without_rights(open_folder / "dunes"):
        with open_bench(open_folder / "dunes") as reader:
            assert reader.read_only
            assert [c.name for c in list_cameras(reader)] == ["Dunlin"]
            assert check_bench(reader) == []
            with tempfile.TemporaryDirectory() as other:
                copy = backup_bench(reader, Path(other) / "copy.sqlite")
                with closing(sqlite3.connect(copy)) as plain:
                    assert plain.execute("SELECT name FROM camera").fetchall() == [("Dunlin",)]
            with pytest.raises(BenchReadOnly):
                add_camera(reader, "Sanderling")
        with pytest.raises(BenchReadOnly):
            create_bench(open_folder / "dunes" / "more")


def test_rights_that_go_away_while_open_are_told(bench):
    bench.close()
    with open_bench(bench.folder) as writer:
        with writer.changing() as session:
            session.execute(text("PRAGMA query_only = ON"))
        with pytest.raises(BenchReadOnly):
            add_camera(writer, "Sanderling")


def test_a_bench_held_by_another_program_is_busy(bench, monkeypatch):
    monkeypatch.setattr(store, "BUSY_SECONDS", 0.1)
    holder = sqlite3.connect(bench.database, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with open_bench(bench.folder) as second:
        assert list_cameras(second) == []  # reading goes on
        with pytest.raises(BenchBusy, match="too long"):
            add_camera(second, "Dunlin")
    holder.execute("ROLLBACK")
    holder.close()
    add_camera(bench, "Dunlin")


def test_two_writers_queue_up(bench):
    with open_bench(bench.folder) as other:
        second = threading.Thread(target=add_camera, args=(other, "Dunlin"))
        with bench.changing() as session:
            # Reads first: had it not the lock yet, the other would get in between.
            session.execute(text("SELECT count(*) FROM camera")).scalar()
            second.start()
            second.join(0.3)
            assert second.is_alive()
            session.execute(text("INSERT INTO about (name, value) VALUES ('tide', 'high')"))
        second.join()
    assert [c.name for c in list_cameras(bench)] == ["Dunlin"]


def test_a_damaged_database_is_told(bench):
    bench.close()
    bench.database.write_bytes(b"this is no database at all, only some text " * 50)
    with pytest.raises(BenchError, match="damaged") as caught:
        open_bench(bench.folder)
    assert "backup" in caught.value.hint


def test_another_programs_database_is_no_bench(tmp_path):
    with sqlite3.connect(tmp_path / "bench.sqlite") as plain:
        plain.execute("CREATE TABLE birds (name TEXT)")
    plain.close()
    with pytest.raises(BenchError, match="not a bench"):
        open_bench(tmp_path)


@contextmanager
def full_disk(bytes_per_file):
    """Let no file grow past a size: what a full disk does to a write."""
    resource = pytest.importorskip("resource")
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_per_file, old[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)


def test_a_full_disk_leaves_the_database_whole(bench):
    add_camera(bench, "Dunlin")

    def fill():
        for number in range(100):
            add_camera(bench, f"Camera {number}", note="sand " * 4000)

    with full_disk(400_000), pytest.raises(NoSpace, match="nothing was written half"):
        fill()
    names = [c.name for c in list_cameras(bench)]
    assert names[-1] == "Dunlin"
    assert check_bench(bench) == []
    bench.close()
    with open_bench(bench.folder) as again:
        assert [c.name for c in list_cameras(again)] == names
        add_camera(again, "Whimbrel")


def test_a_bench_on_a_full_disk_is_not_made_half(tmp_path):
    with full_disk(10_000), pytest.raises(NoSpace):
        create_bench(tmp_path / "dunes")
    assert not (tmp_path / "dunes").exists()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_every_kind_of_full_is_no_space(bench, number):
    with pytest.raises(NoSpace), bench.reading():
        raise OSError(number, os.strerror(number))


def test_a_backup_is_one_whole_file(bench, tmp_path):
    add_camera(bench, "Dunlin")
    target = backup_bench(bench, tmp_path / "copy.sqlite")
    assert sorted(p.name for p in tmp_path.glob("*copy*")) == ["copy.sqlite"]
    with sqlite3.connect(target) as plain:
        assert plain.execute("SELECT name FROM camera").fetchall() == [("Dunlin",)]
        assert plain.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    plain.close()
    with pytest.raises(Conflict, match="there already"):
        backup_bench(bench, target)
    with pytest.raises(WrongCall, match="no folder"):
        backup_bench(bench, tmp_path / "nowhere" / "copy.sqlite")


def test_a_backup_on_a_full_disk_leaves_nothing(bench, tmp_path):
    with full_disk(50_000), pytest.raises(NoSpace):
        backup_bench(bench, tmp_path / "copy.sqlite")
    assert list(tmp_path.glob("*copy*")) == []


def test_an_overview_counts(bench):
    add_camera(bench, "Dunlin", claims={"run_time": "90 min", "mass": "nothing"})
    seen = show_bench(bench)
    assert (seen.cameras, seen.units, seen.claims, seen.results) == (1, 1, 2, 0)
    assert seen.takes == {}


@pytest.mark.parametrize("address", ["mysql://x/y", "not an address", "sqlite:///x"])
def test_only_postgresql_takes_the_place_of_the_file(tmp_path, address):
    with pytest.raises(WrongCall, match="PostgreSQL"):
        create_bench(tmp_path / "dunes", database=address)
    assert not (tmp_path / "dunes").exists()


def test_tables_can_be_made_on_postgresql():
    """No server is needed to see that the models compile for it."""
    from sqlalchemy.dialects import postgresql
    from sqlalchemy.schema import CreateTable

    for table in Base.metadata.sorted_tables:
        made = str(CreateTable(table).compile(dialect=postgresql.dialect()))
        assert made.strip().startswith(f"CREATE TABLE {table.name}")
