"""What is checked of a package before it is taken in: its results, its evidence."""

from __future__ import annotations

import hashlib
import math
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seeworthy.bench import evidence
from seeworthy.bench.state import version_now
from seeworthy.ground.errors import UnreadableInput
from seeworthy.ground.leftovers import scratch
from seeworthy.ground.measurands import all_measurands
from seeworthy.ground.results import Result
from seeworthy.publish.package import Package, Row, Tables

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench


@dataclass(frozen=True, slots=True)
class PackageTaken:
    """What came of it.

    Attributes:
        title, licence: Of the package.
        cameras: Names in this bench.
        left: Cameras that were left out because they are ours, or here already.
        newer: Tests whose version in the package is newer than the one installed here.
    """

    title: str
    licence: str
    cameras: tuple[str, ...]
    left: tuple[str, ...]
    takes: int
    results: int
    newer: tuple[str, ...] = ()


def newer_tests(methods: Mapping[str, int]) -> tuple[str, ...]:
    """Return the tests that a package measured with a newer version than is installed here."""
    here = {name: version_now(name) for name in methods}
    return tuple(n for n, version in methods.items() if version > (here[n] or 0))


def check_package(path: str | Path) -> PackageTaken:
    """Check a package whole and say what it would bring; nothing is entered."""
    with Package(path) as package:
        for fault in package.wrong_files():
            raise package.bad(fault)
        tables, head = package.tables(), package.head
        check_results(package, tables["results"])
        names = tuple(row["camera"] for row in tables["cameras"])
        return PackageTaken(
            head.title, head.licence, names, (), len(tables["takes"]), len(tables["results"]),
            newer_tests(head.methods),
        )  # fmt: skip


def check_results(package: Package, rows: Sequence[Row]) -> None:
    """Refuse results that are no measured values, or in another unit than ours.

    Raises:
        UnreadableInput
    """
    known = all_measurands()
    for row in rows:
        entry = known.get(row["measurand"])
        if entry is None:
            raise UnreadableInput(
                f"The package '{package.path.name}' has '{row['measurand']}', which this Seeworthy "
                "does not know.",
                "Install the add-on or the newer version that measures it; nothing was taken in.",
            )
        if entry.unit != row["unit"]:
            raise package.bad(
                f"'{row['measurand']}' is given in '{row['unit']}', and Seeworthy keeps it in "
                f"'{entry.unit}'"
            )
        try:
            Result(
                row["measurand"], row["value"], row["unit"], row["u"],
                (row["low"], row["high"]), row["n"],
            )  # fmt: skip
        except ValueError as error:
            raise package.bad(f"a result makes no sense ({error})") from None
        if not row["dof"] > 0 or row["n"] < 0 or math.isinf(row["value"]):
            raise package.bad(f"a result of '{row['measurand']}' makes no sense")


def keep_evidence(
    bench: Bench, package: Package, tables: Tables, details: Mapping[str, Any]
) -> dict[str, evidence.Kept]:
    """Copy the evidence that the package brings into the bench, checked by its hash."""
    named = {row["sha256"]: row["file"] for row in tables["files"]}
    for one in details.values():
        named.update({str(p["sha256"]): str(p["name"]) for p in one.get("pictures", ())})
    kept: dict[str, evidence.Kept] = {}
    with scratch() as place:
        for sha256, name in named.items():
            inside = package.evidence(sha256)
            if inside is None:
                continue
            copy = place / f"content{_ending(name)}"
            with package.open(inside) as source, copy.open("wb") as target:
                shutil.copyfileobj(source, target, 1 << 20)
            with copy.open("rb") as handle:
                if hashlib.file_digest(handle, "sha256").hexdigest() != sha256:
                    raise package.bad(f"the evidence '{name}' was changed")
            kept[sha256] = evidence.keep_copy(bench, copy)
    return kept


def _ending(name: str) -> str:
    ending = Path(name).suffix.lower()
    return ending if ending[1:].isalnum() and len(ending) < 9 else ""
