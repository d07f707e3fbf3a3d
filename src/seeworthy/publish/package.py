"""Read a data package that somebody else made: checked whole before anything is used.

A package comes as a folder or a ZIP file. Names in it are never used as paths outside it,
sizes are limited, every table must have the columns and types of its sheet and the hash of
the descriptor, and rows must belong to rows that are there.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import os
import re
import stat
import uuid
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from seeworthy.bench.lookup import checked_label, seen
from seeworthy.ground.closing import Closing
from seeworthy.ground.errors import UnreadableInput, WrongCall
from seeworthy.publish.cells import from_cell
from seeworthy.publish.describe import FORMAT, UNTITLED
from seeworthy.publish.sheets import Sheet, sheets

MOST_ROWS = 1_000_000
"""Per table. A judgement: a thousand times the demo bench, and read in well under a minute."""
LARGEST = 512 * 1024**2
"""Bytes of one table or of the details; a million rows of results are about 350 MB."""
_RATIO = 200
"""A ZIP entry that grows more than this is a bomb (as in `seeworthy.bench.vault`)."""
_DAMAGE = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, UnicodeDecodeError)
"""What `zipfile` says of a damaged archive; a name that is no text among it."""
_SHA256 = re.compile(r"[0-9a-f]{64}")
_ASK = "Ask whoever made the package for a whole one; nothing was taken in."

Row = dict[str, Any]
Tables = dict[str, list[Row]]


@dataclass(frozen=True, slots=True)
class Head:
    """What a package says of itself; `title` is empty where its makers gave none."""

    id: str
    title: str
    licence: str
    contributors: tuple[str, ...]
    version: str
    created: dt.datetime
    seeworthy: str
    methods: Mapping[str, int]


class Package(Closing):
    """An opened package.

    Args:
        path: Folder, its ``datapackage.json``, or ZIP file.

    Raises:
        UnreadableInput: Not a package, damaged, of a newer form, or made to do harm.
    """

    def __init__(self, path: str | Path) -> None:
        place = Path(path)
        self.path = place.parent if place.name == "datapackage.json" else place
        self._zip: zipfile.ZipFile | None = None
        if not self.path.exists():
            raise UnreadableInput(f"There is no '{path}'.", "Check the spelling and the folder.")
        if not self.path.is_dir():
            try:
                self._zip = zipfile.ZipFile(self.path)
            except (zipfile.BadZipFile, OSError, NotImplementedError, UnicodeDecodeError):
                raise UnreadableInput(
                    f"'{self.path.name}' is no data package: neither a folder nor a ZIP file.",
                    "Name what 'seeworthy export' has written.",
                ) from None
        try:
            self.names = self._names()
            self.descriptor = self._descriptor()
            self.head = _head(self.descriptor, self.path.name)
            self.resources = self._resources()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Let go of the file."""
        if self._zip is not None:
            self._zip.close()

    def _names(self) -> set[str]:
        """Return the names of the files; refuse those that lead elsewhere."""
        if self._zip is None:
            return set(self._walk(self.path, ""))
        entries = [e for e in self._zip.infolist() if not e.filename.endswith("/")]
        names = [e.filename for e in entries]
        for entry in entries:
            checked_name(entry.filename, self.path.name)
            if stat.S_ISLNK(entry.external_attr >> 16):
                raise self.bad(f"'{entry.filename}' is a link to another place")
            if entry.file_size > max(1, entry.compress_size) * _RATIO:
                raise self.bad(f"'{entry.filename}' unpacks to more than it can be")
        if len(set(names)) != len(names):
            raise self.bad("it holds a name twice")
        return set(names)

    def _walk(self, folder: Path, before: str) -> Iterator[str]:
        with os.scandir(folder) as entries:
            for entry in entries:
                name = before + entry.name
                if entry.is_symlink():
                    raise self.bad(f"'{name}' is a link to another place")
                if entry.is_dir():
                    yield from self._walk(Path(entry.path), f"{name}/")
                elif entry.is_file():
                    yield name

    def bad(self, what: str) -> UnreadableInput:
        """Return the error that says what is wrong with this package."""
        return UnreadableInput(f"The package '{self.path.name}' cannot be used: {what}.", _ASK)

    @contextmanager
    def open(self, name: str) -> Iterator[Any]:
        """Open a file of the package for reading bytes; damage met on the way is said in words."""
        if name not in self.names:
            raise self.bad(f"'{name}' is missing")
        try:
            with (self.path / name).open("rb") if self._zip is None else self._zip.open(name) as f:
                yield f
        except _DAMAGE as error:
            raise self.bad(f"'{name}' is damaged ({error})") from None

    def read(self, name: str) -> bytes:
        """Return the content of a small file (a table, the details)."""
        try:
            with self.open(name) as handle:
                data: bytes = handle.read(LARGEST + 1)
        except OSError as error:
            raise self.bad(f"'{name}' cannot be read ({error})") from None
        if len(data) > LARGEST:
            raise self.bad(f"'{name}' is larger than {LARGEST >> 20} MB")
        return data

    def _descriptor(self) -> dict[str, Any]:
        if "datapackage.json" not in self.names:
            raise self.bad("it has no 'datapackage.json'")
        try:
            found = json.loads(self.read("datapackage.json"))
        except (ValueError, RecursionError):
            raise self.bad("its 'datapackage.json' is no JSON") from None
        if not isinstance(found, dict) or not isinstance(found.get("resources"), list):
            raise self.bad("its 'datapackage.json' describes no resources")
        return found

    def _resources(self) -> dict[str, Mapping[str, Any]]:
        found: dict[str, Mapping[str, Any]] = {}
        for entry in self.descriptor["resources"]:
            path = entry.get("path") if isinstance(entry, dict) else None
            if not isinstance(path, str):
                raise self.bad("a resource has no path")
            found[checked_name(path, self.path.name)] = entry
        return found

    def wrong_files(self) -> Iterator[str]:
        """Say of every file of the descriptor that is gone or changed, which and how.

        Evidence that is gone is no fault: it may be left out.
        """
        for name, entry in self.resources.items():
            if name not in self.names:
                if not name.startswith("evidence/"):
                    yield f"'{name}' is missing"
                continue
            said = str(entry.get("hash", ""))
            with self.open(name) as handle:
                digest = hashlib.file_digest(handle, "sha256").hexdigest()
            if f"sha256:{digest}" != said:
                yield f"'{name}' is not what its maker wrote (its SHA-256 differs)"

    def table(self, of: Sheet) -> list[Row]:
        """Return the rows of a table, every cell of its column's type."""
        text = io.TextIOWrapper(io.BytesIO(self.read(f"{of.name}.csv")), "utf-8", newline="")
        try:
            return list(self._rows(of, csv.reader(text, strict=True)))
        except UnicodeDecodeError:
            raise self.bad(f"'{of.name}.csv' is not UTF-8") from None
        except csv.Error as error:
            raise self.bad(f"'{of.name}.csv' is no CSV table ({error})") from None

    def _rows(self, of: Sheet, reader: Iterator[list[str]]) -> Iterator[Row]:
        heads = next(reader, [])
        if heads != of.names:
            odd = sorted(set(heads) ^ set(of.names))
            raise self.bad(f"'{of.name}.csv' has other columns than its form: {', '.join(odd)}")
        for number, cells in enumerate(reader, 2):
            if number > MOST_ROWS + 1:
                raise self.bad(f"'{of.name}.csv' has more than {MOST_ROWS:,} rows")
            where = f"'{of.name}.csv' of '{self.path.name}', line {number}"
            if len(cells) != len(heads):
                raise self.bad(f"{where} has {len(cells)} cells instead of {len(heads)}")
            yield {
                c.name: from_cell(cell, c, where) for c, cell in zip(of.columns, cells, strict=True)
            }

    def tables(self) -> Tables:
        """Return all tables, with every reference checked."""
        found = {of.name: self.table(of) for of in sheets()}
        for of in sheets():
            self._keys(of, found)
        for row in found["cameras"]:
            self._label(row["camera"], "camera")
        for row in found["units"]:
            self._label(row["unit"], "unit")
        return found

    def _label(self, name: str, what: str) -> None:
        """Refuse a name that this bench would not take from its own people either."""
        try:
            checked_label(name, what)
        except WrongCall as error:
            raise self.bad(f"{error.message[0].lower()}{error.message[1:].rstrip('.')}") from None

    def _keys(self, of: Sheet, found: Tables) -> None:
        keys = [tuple(row[k] for k in of.key) for row in found[of.name]]
        if len(set(keys)) != len(keys):
            raise self.bad(f"'{of.name}.csv' has an identity twice")
        if of.key == ("id",):
            for (key,) in keys:
                if not is_uuid(key):
                    raise self.bad(f"'{of.name}.csv' has an identity that is no UUID: '{key[:40]}'")
        for own, other in of.refers.items():
            sheet_name, column = other.split(".")
            known = {row[column] for row in found[sheet_name]}
            for row in found[of.name]:
                if row[own] and row[own] not in known:
                    raise self.bad(
                        f"'{of.name}.csv' names a '{own}' that '{sheet_name}.csv' lacks: "
                        f"'{row[own][:40]}'"
                    )

    def details(self) -> dict[str, Any]:
        """Return what does not fit into tables, per identity of the take."""
        try:
            found = json.loads(self.read("details.json"))
        except (ValueError, RecursionError):
            raise self.bad("its 'details.json' is no JSON") from None
        if not isinstance(found, dict) or not all(isinstance(v, dict) for v in found.values()):
            raise self.bad("its 'details.json' is not one object per take")
        return found

    def evidence(self, sha256: str) -> str | None:
        """Return the name of a content inside the package, None where it was left out."""
        name = f"evidence/{sha256[:2]}/{sha256}"
        return name if _SHA256.fullmatch(sha256) and name in self.names else None


def checked_name(name: str, package: str) -> str:
    """Return the name of a file in a package; refuse one that leads out of it.

    Raises:
        UnreadableInput
    """
    if not name or name[0] == "/" or "\\" in name or ":" in name or ".." in name.split("/"):
        raise UnreadableInput(
            f"The package '{package}' names a file outside itself: '{name[:80]}'.",
            "Nothing was unpacked. Do not use it; it was made by mistake or to do harm.",
        )
    return name


def is_uuid(text: Any) -> bool:
    """Tell whether a text is a UUID in its usual writing."""
    try:
        return bool(str(uuid.UUID(text)) == text)
    except (ValueError, AttributeError, TypeError):
        return False


def _head(descriptor: Mapping[str, Any], name: str) -> Head:
    """Read what a package says of itself.

    Raises:
        UnreadableInput: No identity, or of a newer form.
    """
    made = descriptor.get("seeworthy")
    form = made.get("format") if isinstance(made, dict) else None
    if not isinstance(made, dict) or not isinstance(form, int) or form < FORMAT:
        raise UnreadableInput(
            f"The package '{name}' has no identities: it was not made by Seeworthy, or by an old "
            "one.",
            "Export it again with this version.",
        )
    if form > FORMAT:
        raise UnreadableInput(
            f"The package '{name}' was made by a newer Seeworthy ({made.get('version')}, form "
            f"{form}); this one reads form {FORMAT}.",
            "Install the newer version; nothing was taken in.",
        )
    try:
        created = dt.datetime.fromisoformat(descriptor["created"]).astimezone(dt.UTC)
        methods = {str(k): int(v) for k, v in made["methods"].items()}
        licences = descriptor.get("licenses") or [{}]
        people = tuple(_shown(c["title"]) for c in descriptor.get("contributors", ()))
        head = Head(
            descriptor["id"],
            _shown(descriptor.get("title", "")).replace(UNTITLED, ""),
            _shown(licences[0].get("title") or licences[0].get("name") or ""),
            people,
            str(descriptor.get("version", "")),
            created,
            str(made.get("version", "")),
            methods,
        )
    except (KeyError, TypeError, ValueError, AttributeError, IndexError):
        head = None
    if head is None or not is_uuid(head.id):
        raise UnreadableInput(
            f"The package '{name}' does not say properly what it is (id, created, methods).", _ASK
        )
    return head


def _shown(text: Any) -> str:
    """Return a text on one line without what cannot be seen or turns its letters around."""
    return "".join(c for c in " ".join(str(text).split()) if seen(c))


def looks_like_package(path: Path) -> bool:
    """Tell whether a path is a data package by its outside: a folder with a descriptor, a ZIP."""
    if path.is_dir():
        return (path / "datapackage.json").is_file()
    return path.name == "datapackage.json" or path.suffix.lower() == ".zip"


def split_address(text: str) -> tuple[str, str]:
    """Return package and take of ``PACKAGE#TAKE``.

    Raises:
        WrongCall: No take is named.
    """
    path, mark, take = text.rpartition("#")
    if not mark or not path or not take:
        raise WrongCall(
            f"'{text}' names no take of a package.", "Write PACKAGE#TAKE, such as dunes.zip#12."
        )
    return path, take
