"""Put the packages of many benches together into one corpus of Parquet tables.

The schema is the sheets', never guessed. A package enters whole or not at all; one that is
damaged is named and left out. Of a bench that comes twice the newest package counts, and a
result that comes in two packages counts once.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from seeworthy.ground.errors import Conflict, NotFound, SeeworthyError, UnreadableInput, WrongCall
from seeworthy.ground.leftovers import beside
from seeworthy.ground.measurands import all_measurands
from seeworthy.publish.package import LARGEST, MOST_ROWS, Package
from seeworthy.publish.sheets import arrow_schema, sheet

_T = TypeVar("_T")
_U = TypeVar("_U")
TABLES = ("results", "claims")
MARK = "corpus.json"
_UTC = pa.timestamp("us")
"""Moments without a zone, in UTC: DuckDB wants a package more for zones."""
_AT_ONCE = 500
"""Packages whose rows are held in memory together: about 100,000 results, 50 MB."""
_SHARE = 50
"""Packages that a worker reads at a time: half a second of work."""
_MANY = 2000
"""Packages from which on the workers are processes. To start two takes 4 to 6 s of processor
(measured), to read this many packages 13 s; with 500 packages threads are faster. A judgement.
"""


@cache
def corpus_schema(name: str) -> pa.Schema:
    """Return the columns of a corpus table: the sheet's, and which package a row came with."""
    if name == "packages":
        texts = ("package", "title", "licence", "version", "seeworthy", "contributors", "path")
        return pa.schema([pa.field(t, pa.string()) for t in texts] + [pa.field("created", _UTC)])
    when = pa.field("created", _UTC)
    return pa.schema([pa.field("package", pa.string()), when, *arrow_schema(sheet(name))])


@dataclass
class Pooled:
    """What came of pooling.

    Attributes:
        folder: ``results.parquet``, ``claims.parquet``, ``packages.parquet``.
        older: Packages left out because a newer one of their bench came too.
        refused: Packages that cannot be used, and why.
    """

    folder: Path
    packages: int = 0
    results: int = 0
    claims: int = 0
    older: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)


@dataclass(slots=True)
class _Read:
    package: Package
    contents: dict[str, bytes]
    tables: dict[str, pa.Table] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Share:
    """What a share of the packages holds, their tables put together; and which are refused."""

    about: dict[str, list[Any]]
    tables: dict[str, pa.Table]
    refused: list[tuple[str, str]]


def pool(
    sources: Sequence[str | Path],
    folder: str | Path,
    *,
    workers: int = 2,
    tell: Callable[[int, int], None] | None = None,
) -> Pooled:
    """Put packages together into a corpus.

    Args:
        sources: Packages (folders, ZIP files), folders of them at any depth, or addresses
            (``https://…``, with ``#sha256=…`` behind it where the content is to be checked).
        folder: Of the corpus; new, or a corpus, which is replaced.
        workers: Threads that read; processes where there are thousands of packages.
        tell: Called with how many packages are read, of how many.

    Raises:
        NotFound: No package at all.
        Conflict: The folder holds something else.
    """
    target = Path(folder)
    if target.exists() and any(target.iterdir()) and not (target / MARK).is_file():
        raise Conflict(f"'{target}' exists and holds something else.", "Name a new folder.")
    target.parent.mkdir(parents=True, exist_ok=True)
    with beside(target, "pool", folder=True) as part:
        found = [p for source in sources for p in _packages(str(source), part / "fetched")]
        if not found:
            raise NotFound("There is no data package in these places.", "See 'seeworthy export'.")
        made = _write(found, part, workers, tell)
        shutil.rmtree(part / "fetched", ignore_errors=True)
        _once(made, part)
        (part / MARK).write_text(json.dumps({"form": 1, "packages": made.packages}) + "\n")
    made.folder = target
    return made


def _packages(source: str, fetched: Path) -> Iterator[Path]:
    if source.startswith(("https://", "http://")):
        yield _fetch(source, fetched)
        return
    path = Path(source)
    if not path.exists():
        raise NotFound(f"There is no '{source}'.", "Check the spelling and the folder.")
    if path.is_file() or (path / "datapackage.json").is_file():
        yield path
        return
    for at, folders, files in os.walk(path):
        if "datapackage.json" in files:
            yield Path(at)
            folders.clear()  # what lies in a package is its own
            continue
        yield from (Path(at, name) for name in sorted(files) if name.endswith(".zip"))
        folders.sort()


def _fetch(address: str, folder: Path) -> Path:
    """Fetch a package; its hash is checked where the address gives one.

    Raises:
        UnreadableInput: It cannot be had, or is another content.
    """
    import pooch

    place, _, known = address.partition("#")
    digest = known.removeprefix("sha256=") if known else None
    if digest is not None and (len(digest) != 64 or not known.startswith("sha256=")):
        raise WrongCall(f"'#{known}' is no hash.", "Write ADDRESS#sha256=… with 64 digits.")
    name = hashlib.sha256(place.encode()).hexdigest()[:16] + ".zip"
    quiet = pooch.get_logger()
    quiet.setLevel("ERROR")
    try:
        got = pooch.retrieve(
            place, known_hash=digest and f"sha256:{digest}", fname=name, path=folder
        )
    except Exception as error:  # whatever the net says, in its many classes
        raise UnreadableInput(
            f"'{place}' cannot be fetched: {str(error).splitlines()[0][:120]}",
            "Check address and hash; nothing was pooled.",
        ) from None
    return Path(got)


def _write(
    found: Sequence[Path], part: Path, workers: int, tell: Callable[[int, int], None] | None
) -> Pooled:
    made = Pooled(part)
    count = 0
    about: dict[str, list[Any]] = {n: [] for n in corpus_schema("packages").names}
    writers = {
        n: pq.ParquetWriter(part / f"{n}.part", corpus_schema(n), compression="zstd")
        for n in TABLES
    }
    shares = [found[i : i + _SHARE] for i in range(0, len(found), _SHARE)]
    together = _AT_ONCE // _SHARE
    held: list[_Share] = []
    try:
        with _executor(workers, len(found)) as executor:
            for number, share in enumerate(executor.map(_read_share, shares), 1):
                held.append(share)
                for column, values in share.about.items():
                    about[column] += values
                made.refused += share.refused
                count += len(shares[number - 1])
                if number % together and number < len(shares):
                    continue
                for name in TABLES:
                    # Written in one row group each; small ones cost more to ask than to read.
                    whole = pa.concat_tables([h.tables[name] for h in held])
                    writers[name].write_table(whole.combine_chunks())
                held.clear()
                if tell is not None:
                    tell(count, len(found))
    finally:
        for writer in writers.values():
            writer.close()
    pq.write_table(pa.table(about, corpus_schema("packages")), part / "packages.part")
    made.packages = len(about["package"])
    made.refused.sort()
    return made


def _executor(workers: int, packages: int) -> Executor:
    """Return what reads: threads hold each other up (nine tenths of the work is Python's)."""
    if packages < _MANY or workers < 2:
        return ThreadPoolExecutor(workers)
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


def _read_share(paths: Sequence[Path]) -> _Share:
    """Read packages table by table, not package by package: a third of the processor's time less.

    Many small Parquet files one after the other find the reader's code in the cache.
    """
    refused: list[tuple[str, str]] = []

    def each(of: Iterable[_T], use: Callable[[_T], _U], path: Callable[[_T], Path]) -> list[_U]:
        done = []
        for one in of:
            try:
                done.append(use(one))
            except SeeworthyError as error:
                refused.append((str(path(one)), error.message))
        return done

    read = each(paths, _open, lambda path: path)
    for name in TABLES:
        read = each(read, partial(_take_in, name=name), lambda r: r.package.path)
    read = _sensible(read, refused)
    about: dict[str, list[Any]] = {n: [] for n in corpus_schema("packages").names}
    for r in read:
        _note(about, r.package)
    return _Share(about, {n: _together(n, read) for n in TABLES}, refused)


def _open(path: Path) -> _Read:
    with Package(path) as package:
        return _Read(package, {name: _content(package, name) for name in TABLES})


def _note(about: dict[str, list[Any]], package: Package) -> None:
    head = package.head
    values = {
        "package": head.id,
        "title": head.title,
        "licence": head.licence,
        "version": head.version,
        "seeworthy": head.seeworthy,
        "contributors": "; ".join(head.contributors),
        "path": str(package.path),
        "created": head.created.replace(tzinfo=None),
    }
    for name, value in values.items():
        about[name].append(value)


def _content(package: Package, name: str) -> bytes:
    """Return one table as it was written; refuse what its maker did not write."""
    place = f"parquet/{name}.parquet"
    data = package.read(place)
    said = package.resources.get(place, {}).get("hash")
    if said != f"sha256:{hashlib.sha256(data).hexdigest()}":
        raise package.bad(f"'{place}' is not what its maker wrote (its SHA-256 differs)")
    return data


def _take_in(read: _Read, name: str) -> _Read:
    """Read one table of a package, its columns and types exactly those of its sheet."""
    package, place = read.package, f"parquet/{name}.parquet"
    try:
        file = pq.ParquetFile(pa.BufferReader(read.contents.pop(name)))
        if file.metadata.num_rows > MOST_ROWS or _size(file.metadata) > LARGEST:
            raise package.bad(f"'{place}' has more than {MOST_ROWS:,} rows, or swells")
        if not file.schema_arrow.equals(arrow_schema(sheet(name)), check_metadata=False):
            raise package.bad(f"'{place}' has other columns or types than its form")
        read.tables[name] = file.read(use_threads=False)
    except (pa.ArrowException, OSError) as error:
        raise package.bad(f"'{place}' is no Parquet table ({str(error)[:80]})") from None
    return read


def _together(name: str, read: Sequence[_Read]) -> pa.Table:
    """Put one table of many packages together, with the package that each row came with."""
    if not read:
        return corpus_schema(name).empty_table()
    heads, tables = [r.package.head for r in read], [r.tables[name] for r in read]
    which = np.repeat(np.arange(len(read)), [t.num_rows for t in tables])
    ids = pa.array([h.id for h in heads], pa.string())
    moments = pa.array([h.created.replace(tzinfo=None) for h in heads], _UTC)
    whole = pa.concat_tables(tables).combine_chunks()
    columns = [ids.take(which), moments.take(which), *whole.columns]
    return pa.Table.from_arrays(columns, schema=corpus_schema(name))


def _size(metadata: Any) -> int:
    groups = range(metadata.num_row_groups)
    return sum(metadata.row_group(i).total_byte_size for i in groups)


def _sensible(read: list[_Read], refused: list[tuple[str, str]]) -> list[_Read]:
    """Return the packages whose results are measured values in our units; note the others."""
    if not read:
        return []
    if not _nonsense(pa.concat_tables([r.tables["results"] for r in read])):
        return read  # all together: a hundred times as fast as one by one
    fine = []
    for r in read:
        wrong = _nonsense(r.tables["results"])
        if wrong:
            refused.append((str(r.package.path), wrong))
        else:
            fine.append(r)
    return fine


def _nonsense(table: pa.Table) -> str:
    """Say what is wrong with results; nothing where nothing is."""
    value, u = table["value"], table["u"]
    tests = (
        pc.less_equal(table["low"], value),
        pc.less_equal(value, table["high"]),
        pc.greater_equal(u, 0),
        pc.is_finite(value),
        pc.is_finite(u),
    )
    if not all(pc.all(pc.fill_null(t, False)).as_py() is not False for t in tests):
        return "A result lies outside its interval, or is no number."
    units = _units()
    for row in table.group_by(["measurand", "unit"]).aggregate([]).to_pylist():
        measurand, unit = row["measurand"], row["unit"]
        if units.get(measurand, unit) != unit:
            return (
                f"'{measurand}' is given in '{unit}'; Seeworthy keeps it in '{units[measurand]}'."
            )
    return ""


@cache
def _units() -> dict[str, str]:
    return {name: entry.unit for name, entry in all_measurands().items()}


def _once(made: Pooled, folder: Path) -> None:
    """Let every bench stand with its newest package, and every result and claim once."""
    from seeworthy.publish.corpus import connect

    keys = {"packages": "package", "results": "id", "claims": "camera, subject"}
    parts = {n: _quoted(folder / f"{n}.part") for n in keys}
    with connect(temp=folder / "spill") as db:
        for name, key in keys.items():
            target = _quoted(folder / f"{name}.parquet")
            # Only what comes twice has to be sorted by age: rarely anything.
            if not db.execute(
                f"select 1 from read_parquet('{parts[name]}') group by {key} having count(*) > 1 "
                "limit 1"
            ).fetchone():
                (folder / f"{name}.part").rename(folder / f"{name}.parquet")
                continue
            packages = _quoted(folder / "packages.parquet")
            newest = f"select (package, created) from read_parquet('{packages}')"
            only = "" if name == "packages" else f"where (package, created) in ({newest})"
            db.execute(
                f"copy (select * from read_parquet('{parts[name]}') {only} qualify row_number() "
                f"over (partition by {key} order by created desc) = 1) to '{target}' "
                "(format parquet, compression zstd)"
            )
            (folder / f"{name}.part").unlink()
    shutil.rmtree(folder / "spill", ignore_errors=True)
    rows = {n: pq.read_metadata(folder / f"{n}.parquet").num_rows for n in keys}
    made.older = made.packages - rows["packages"]
    made.packages, made.results, made.claims = (
        rows["packages"], rows["results"], rows["claims"],
    )  # fmt: skip


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")
