"""Open a bench folder and change it in whole transactions.

A bench is one folder: ``bench.sqlite`` (or a PostgreSQL database that
``bench.toml`` names), ``evidence/`` and ``exports/``. Everything that a database
can complain about is turned here into an error that says what to do.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, event
from sqlalchemy.engine import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError
from sqlalchemy.orm import Session

from seeworthy import __version__
from seeworthy.bench import schema
from seeworthy.bench.models import AboutRow
from seeworthy.bench.trouble import read_only_error, said_in_words
from seeworthy.ground.closing import Closing
from seeworthy.ground.errors import BenchError, Conflict, NotFound, WrongCall

DATABASE = "bench.sqlite"
SETTINGS = "bench.toml"
EVIDENCE = "evidence"
EXPORTS = "exports"
BUSY_SECONDS = 30.0
"""Seconds to wait for another writer (a judgement)."""
FORM = "1"


class _Session(Session):
    """A session whose rows stay alive until it is closed, however it ends.

    Our rows point at each other (a take and its outcome), so one that nobody asks for any
    more waits in a cycle for the garbage collector, while the session still writes into
    its state: when it closes, rolls back, commits a removal. On Python 3.11 the collector
    may run inside such a write; it then frees the row, whose weak-reference callback
    writes into the same state, and the state's values are freed twice: a crash.
    Here no row is garbage as long as the session can write into its state.
    """

    def __init__(self, engine: Engine, **options: Any) -> None:
        super().__init__(engine, **options)
        self._rows: list[object] = []

    def close(self) -> None:
        """Let go of the database, then of the rows."""
        super().close()
        self._rows.clear()


@event.listens_for(_Session, "loaded_as_persistent")
@event.listens_for(_Session, "after_attach")
def _keep(session: _Session, row: object) -> None:
    session._rows.append(row)


class Bench(Closing):
    """An open bench.

    Attributes:
        read_only: Reading works, every change is refused with `BenchReadOnly`.
        database: The SQLite file; None when a database server holds the bench.
    """

    def __init__(
        self, folder: Path, engine: Engine, *, database: Path | None, read_only: bool
    ) -> None:
        self.folder = folder
        self.read_only = read_only
        self.database = database
        self._engine = engine

    @property
    def evidence_folder(self) -> Path:
        """Where kept files are."""
        return self.folder / EVIDENCE

    @property
    def exports_folder(self) -> Path:
        """Where reports and open data go."""
        return self.folder / EXPORTS

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that sees one state of the bench throughout."""
        with said_in_words(self.folder), _Session(self._engine) as session:
            yield session

    @contextmanager
    def changing(self) -> Iterator[Session]:
        """Give a session whose changes are made together at its end, or not at all."""
        self.require_writable()
        # The write lock is taken at the start: two writers queue up instead of failing.
        engine = self._engine.execution_options(seeworthy_write=True)
        with (
            said_in_words(self.folder),
            _Session(engine, expire_on_commit=False) as session,
            session.begin(),
        ):
            yield session

    def require_writable(self) -> None:
        """Refuse with `BenchReadOnly` before any work is done for a change."""
        if self.read_only:
            raise read_only_error(self.folder)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()


def create_bench(folder: str | Path, *, database: str = "") -> Bench:
    """Make a bench in a new or empty place and open it.

    Args:
        folder: Made if it is not there. It may hold other files, but no bench.
        database: URL of a PostgreSQL database to keep the tables in, instead of a file.

    Raises:
        Conflict: There is a bench already.
        BenchReadOnly, NoSpace: The folder cannot be written to.
    """
    place = Path(folder)
    if place.exists() and not place.is_dir():
        raise WrongCall(f"'{place}' is a file, not a folder.", "Name a new folder.")
    if is_bench(place):
        raise Conflict(f"'{place}' holds a bench already.", "Choose another folder, or use it.")
    url = _url(database) if database else None
    made = not place.exists()
    try:
        with said_in_words(place):
            for part in (EVIDENCE, EXPORTS):
                (place / part).mkdir(parents=True, exist_ok=True)
            if url is not None:
                text = f'database = "{url.render_as_string(hide_password=False)}"\n'
                (place / SETTINGS).write_text(text, encoding="utf-8")
        bench = _open(place.resolve(), url, read_only=False, fresh=True)
        with bench.changing() as session:
            if session.get(AboutRow, "form") is None:
                session.add(AboutRow(name="form", value=FORM))
                session.add(AboutRow(name="made_by", value=f"Seeworthy {__version__}"))
    except BaseException:
        _unmake(place, made)
        raise
    return bench


def open_bench(folder: str | Path, *, read_only: bool = False) -> Bench:
    """Open a bench.

    Args:
        read_only: Refuse changes even where they would be possible. A folder that cannot be written
            to is opened like this by itself.

    Raises:
        NotFound: No bench there.
        BenchTooNew: Written by a newer program.
        BenchError: Damaged.
    """
    place = Path(folder)
    if not is_bench(place):
        raise NotFound(
            f"There is no bench in '{place}'.",
            f"Make one with `seeworthy bench new {place}`, or name another with --bench.",
        )
    settings = place / SETTINGS
    url = _url(_setting(settings)) if settings.exists() else None
    return _open(place.resolve(), url, read_only=read_only or not _may_write(place))


def find_bench(start: str | Path | None = None) -> Path:
    """Find the bench that a person means who names none.

    The folder stood in or one of its parents, else the one that the environment
    variable ``SEEWORTHY_BENCH`` names.

    Raises:
        NotFound: None of them is a bench.
    """
    here = Path(start or Path.cwd()).resolve()
    for place in (here, *here.parents):
        if is_bench(place):
            return place
    named = os.environ.get("SEEWORTHY_BENCH", "")
    if named:
        return Path(named)
    raise NotFound(
        "There is no bench here or in a folder above.",
        "Stand in a bench folder, name one with --bench DIR, or make one: "
        "`seeworthy bench new DIR`.",
    )


def is_bench(folder: Path) -> bool:
    """Tell whether a folder holds a bench."""
    try:
        return (folder / DATABASE).is_file() or (folder / SETTINGS).is_file()
    except OSError:
        return False


def _may_write(folder: Path) -> bool:
    paths = [folder, folder / EVIDENCE, folder / DATABASE]
    return all(schema.writable(p) for p in paths if p.exists())


def _setting(path: Path) -> str:
    try:
        value = tomllib.loads(path.read_text(encoding="utf-8")).get("database", "")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise BenchError(f"'{path}' cannot be read: {error}.", "Mend it by hand.") from None
    if not isinstance(value, str) or not value:
        raise BenchError(f"'{path}' names no database.", 'Write: database = "postgresql+psycopg:…"')
    return value


def _url(text: str) -> URL:
    try:
        url = make_url(text)
    except ArgumentError:
        url = None
    if url is None or url.get_backend_name() != "postgresql":
        raise WrongCall(
            "A bench is kept in its own file or in PostgreSQL; this is neither.",
            "Write an address such as postgresql+psycopg://user@host/dunewatch.",
        )
    return url


def _open(folder: Path, url: URL | None, *, read_only: bool, fresh: bool = False) -> Bench:
    database = None if url is not None else folder / DATABASE
    try:
        engine = create_engine(url) if url is not None else _sqlite(folder / DATABASE, read_only)
    except (NoSuchModuleError, ModuleNotFoundError):
        raise BenchError(
            "The driver for this bench's database is not installed.",
            "Install Seeworthy with PostgreSQL: pip install 'seeworthy[postgres]'.",
        ) from None
    bench = Bench(folder, engine, database=database, read_only=read_only)
    try:
        with said_in_words(folder):
            if database is not None and not fresh:
                schema.refuse_foreign_parts(engine, database)
            schema.bring_up_to_date(engine, database, may_write=not read_only, fresh=fresh)
    except BaseException:
        bench.close()
        raise
    return bench


def _sqlite(path: Path, read_only: bool) -> Engine:
    if read_only:
        url = f"sqlite:///{schema.reading_address(path)}&uri=true"
    else:
        url = f"sqlite:///{path}"
    engine = create_engine(url, connect_args={"timeout": BUSY_SECONDS})

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, record: Any) -> None:
        # SQLAlchemy says BEGIN itself, see below; the driver must not.
        connection.isolation_level = None
        connection.execute("PRAGMA foreign_keys = ON")
        # What stands in the file's own schema may call no function with side effects.
        connection.execute("PRAGMA trusted_schema = OFF")
        if not read_only:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        write = connection.get_execution_options().get("seeworthy_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


def _unmake(place: Path, made: bool) -> None:
    """Take back what a failed `create_bench` left; never anything that was there before."""
    for name in (DATABASE, f"{DATABASE}-wal", f"{DATABASE}-shm", SETTINGS):
        _quietly((place / name).unlink)
    for folder in (place / EVIDENCE, place / EXPORTS, *([place] if made else [])):
        _quietly(folder.rmdir)


def _quietly(act: Any) -> None:
    with suppress(OSError):
        act()
