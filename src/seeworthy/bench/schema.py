"""Move the tables of a bench to where this program wants them."""

from __future__ import annotations

import datetime as dt
import os
import re
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import inspect

from seeworthy.ground.errors import BenchError, BenchReadOnly, BenchTooNew
from seeworthy.ground.leftovers import beside

if TYPE_CHECKING:
    from alembic.config import Config
    from sqlalchemy.engine import Connection, Engine

MIGRATIONS = Path(__file__).with_name("migrations")

VERSIONS = [MIGRATIONS / "versions"]
"""Folders of migration steps; a list so that a test can add a step of the future."""


def _config() -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", "\n".join(str(v) for v in VERSIONS))
    return config


def _steps() -> dict[str, str]:
    """Return the migration steps: revision, and the one before it.

    Read from the files, because a bench is nearly always up to date, and to load what migrates
    takes longer than most commands need for their answer.
    """
    found = {}
    for file in (f for folder in VERSIONS for f in folder.glob("*.py")):
        said = dict(re.findall(r'^(revision|down_revision) = "(.*)"$', file.read_text(), re.M))
        found[said["revision"]] = said.get("down_revision", "")
    return found


def wanted_revision() -> str:
    """Return the revision that this program works with."""
    steps = _steps()
    (head,) = steps.keys() - set(steps.values())
    return head


def found_revision(connection: Connection) -> str | None:
    """Return the revision of a database, None when it has no tables yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    return None if found is None else str(found)


def known(revision: str) -> bool:
    """Tell whether this program knows a revision at all."""
    return revision in _steps()


def bring_up_to_date(
    engine: Engine, database: Path | None, *, may_write: bool, fresh: bool = False
) -> None:
    """Check the revision of a database and migrate it where it is behind.

    Args:
        database: The SQLite file, which is copied beside itself before a migration.
        fresh: The bench is just being made; only then may there be no tables.

    Raises:
        BenchTooNew: A newer program has been here.
        BenchReadOnly: A migration is needed and must not be made.
        BenchError: The database is empty or another program's.
    """
    wanted = wanted_revision()
    with engine.connect() as connection:
        found = found_revision(connection)
    if found == wanted:
        return
    if found is None and not fresh:
        raise BenchError(
            f"'{database or engine.url.database}' is a database, but not a bench.",
            "Put a backup in its place, or remove it and make the bench anew.",
        )
    if found is not None and not known(found):
        raise BenchTooNew(
            f"This bench was written by a newer Seeworthy (its tables are at {found}).",
            "Install the newer version of Seeworthy; nothing was changed.",
        )
    if not may_write:
        raise BenchReadOnly(
            "This bench is of an older form and cannot be brought up to date: it is read-only.",
            "Open it once where it can be written to, or copy the folder.",
        )
    if found is not None and database is not None:
        stamp = dt.datetime.now(dt.UTC).strftime("%Y%m%dT%H%M%S")
        copy_database(database, database.with_name(f"{database.name}.{found}-{stamp}"))
    _migrate(engine, wanted)


# A kept path other than evidence/AA/SHA256[.ending] leads out of the bench.
_WRONG_KEPT = """
    SELECT count(*) FROM evidence WHERE kept IS NOT NULL AND NOT (
        length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*'
        AND substr(kept, 1, 77) IN (
            'evidence/' || substr(sha256, 1, 2) || '/' || sha256,
            'evidence/' || substr(sha256, 1, 2) || '/' || sha256 || '.')
        AND length(kept) <= 85 AND substr(kept, 78) NOT GLOB '*[^a-z0-9]*')
"""


def refuse_foreign_parts(engine: Engine, database: Path) -> None:
    """Refuse a database that acts by itself or names evidence outside the bench.

    A bench may come from somebody else (a restored backup). Seeworthy makes no triggers, no
    views and no virtual tables, so none of them is ours: they would change or hide rows.

    Raises:
        BenchError
    """
    with engine.connect() as connection:
        foreign = connection.exec_driver_sql(
            "SELECT type || ' ' || name FROM sqlite_master WHERE sql IS NOT NULL AND sql NOT LIKE "
            "'CREATE TABLE %' AND sql NOT LIKE 'CREATE INDEX %' AND sql NOT LIKE "
            "'CREATE UNIQUE INDEX %' LIMIT 1"
        ).scalar()
        if foreign is not None:
            raise BenchError(
                f"'{database}' holds a part that Seeworthy never makes ({foreign[:60]}).",
                "It was tampered with: use a backup that you made yourself.",
            )
        has_evidence = connection.exec_driver_sql(
            "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'evidence'"
        ).scalar()
        if has_evidence and connection.exec_driver_sql(_WRONG_KEPT).scalar():
            raise BenchError(
                f"'{database}' names evidence outside the bench.",
                "It was tampered with: use a backup that you made yourself.",
            )


def _migrate(engine: Engine, wanted: str) -> None:
    from alembic import command

    with engine.connect() as connection:
        sqlite = connection.dialect.name == "sqlite"
        if sqlite:
            # A table that Alembic rebuilds is dropped; that must not cascade.
            connection.connection.execute("PRAGMA foreign_keys = OFF")
        try:
            with connection.begin():
                # The other process may have been faster; ask again under the lock.
                if found_revision(connection) != wanted:
                    config = _config()
                    config.attributes["connection"] = connection
                    command.upgrade(config, "head")
                    if sqlite:
                        _check_references(connection)
        finally:
            if sqlite:
                connection.connection.execute("PRAGMA foreign_keys = ON")


def _check_references(connection: Connection) -> None:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if broken:
        tables = ", ".join(sorted({row[0] for row in broken}))
        raise RuntimeError(f"the migration would leave rows without their owner in: {tables}")


def writable(path: Path) -> bool:
    """Tell whether this process may write to a file or folder."""
    # By default the system answers for who started the program, not for who it runs as.
    return os.access(path, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def reading_address(path: Path) -> str:
    """Return the SQLite URI that opens a database for reading only."""
    wal = path.with_name(f"{path.name}-wal")
    if not writable(path.parent) and not wal.exists():
        # A log needs a helper file beside the database, which cannot be made here.
        # Nobody can be writing, or there would be a log; so read the file as it is.
        return f"{path.as_uri()}?immutable=1"
    return f"{path.as_uri()}?mode=ro"


def copy_database(source: Path, target: Path) -> None:
    """Copy a SQLite database that may be in use, whole or not at all."""
    with beside(target, "copy") as part:
        old = sqlite3.connect(reading_address(source.resolve()), uri=True)
        new = sqlite3.connect(part)
        try:
            old.backup(new)
            # The copy is one file: no log beside it.
            new.execute("PRAGMA journal_mode = DELETE")
        finally:
            new.close()
            old.close()
