"""A card folder on its way into the bench: looked at, sorted, corrected, taken in.

What was found and what the user said of it is kept in ``imports/`` of the bench, so that a
closed browser or a restarted server loses nothing. The card itself is only read.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from seeworthy.bench.card_scan import Scanned, scan_files, scan_folder
from seeworthy.bench.card_sort import Guess, PlannedTake, planned, sort_card
from seeworthy.bench.records import Take
from seeworthy.bench.slates import unit_name
from seeworthy.bench.store import Bench
from seeworthy.bench.takes import add_take, remove_take
from seeworthy.bench.trouble import said_in_words
from seeworthy.ground.errors import NotFound, SeeworthyError, UnreadableInput, WrongCall
from seeworthy.procedures import procedure

FOLDER = "imports"
_TICKET = re.compile(r"[A-Za-z0-9_-]{12}")
_KEEP_SECONDS = 30 * 24 * 3600.0
"""Seconds of a month: a card that nobody sorted until then was left (a judgement)."""


@dataclass(frozen=True)
class Import:
    """One card folder that is being taken in.

    Attributes:
        source: The folder, or how the files came.
        files: Their pictures are kept as files, see `picture_of`.
        guesses: One per file.
    """

    ticket: str
    source: str
    files: tuple[Scanned, ...]
    guesses: tuple[Guess, ...]

    @property
    def takes(self) -> list[PlannedTake]:
        """The takes that the files make as they are sorted now."""
        return planned(self.files, self.guesses)

    @property
    def unsure(self) -> list[int]:
        """Files that the user has to look at."""
        return [i for i, g in enumerate(self.guesses) if not g.sure and not g.skip and not g.take]


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What came of taking a card in.

    Attributes:
        troubles: tuple of (key, message). Takes that could not be entered, and why; they can be
            corrected and tried again.
    """

    takes: tuple[Take, ...]
    troubles: tuple[tuple[str, str], ...]


def begin_import(
    bench: Bench,
    folder: str | Path,
    executor: Executor,
    tell: Callable[[int, int], None] = lambda done, total: None,
) -> Import:
    """Look at a card folder and sort it.

    Args:
        executor: Where media are opened; worker processes with limits.
        tell: Called with how many files are done, and of how many.
    """
    bench.require_writable()
    place = Path(folder).expanduser()
    if place.resolve() == bench.folder or place.resolve() in bench.folder.parents:
        raise WrongCall("That folder is, or holds, the bench itself.", "Name the card's folder.")
    return _begun(bench, str(place), scan_folder(place, executor, tell))


def begin_import_of(
    bench: Bench,
    files: Sequence[tuple[Path, str]],
    executor: Executor,
    tell: Callable[[int, int], None] = lambda done, total: None,
) -> Import:
    """Look at files that were uploaded and sort them."""
    bench.require_writable()
    return _begun(bench, "uploaded files", scan_files(files, executor, tell))


def _begun(bench: Bench, source: str, files: Sequence[Scanned]) -> Import:
    sweep_imports(bench)
    ticket = secrets.token_urlsafe(9)
    place = bench.folder / FOLDER / ticket
    with said_in_words(bench.folder):
        place.mkdir(parents=True)
        for i, file in enumerate(files):
            if file.picture:
                (place / f"{i}.jpg").write_bytes(file.picture)
    bare = tuple(replace(f, picture=b"") for f in files)
    # Guessed from the bare records: the pictures say nothing that counts here.
    return _keep(bench, Import(ticket, source, bare, tuple(sort_card(bench, bare))))


def _keep(bench: Bench, one: Import) -> Import:
    place = bench.folder / FOLDER / one.ticket
    text = json.dumps(asdict(one), ensure_ascii=False, default=str)
    with said_in_words(bench.folder):
        part = place / "state.part"
        part.write_text(text, encoding="utf-8")
        part.replace(place / "state.json")
    return one


def get_import(bench: Bench, ticket: str) -> Import:
    """Return an import by its ticket.

    Raises:
        NotFound
    """
    path = _place(bench, ticket) / "state.json"
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        raise NotFound("There is no such import.", "Name the card's folder again.") from None
    files = tuple(
        Scanned(**{**f, "slates": tuple(f["slates"]), "picture": b""}) for f in found["files"]
    )
    return Import(
        found["ticket"], found["source"], files, tuple(Guess(**g) for g in found["guesses"])
    )


def _place(bench: Bench, ticket: str) -> Path:
    if not _TICKET.fullmatch(ticket):
        raise NotFound("There is no such import.", "Name the card's folder again.")
    return bench.folder / FOLDER / ticket


def list_imports(bench: Bench) -> list[Import]:
    """Return the imports that are not done yet, newest first."""
    folder = bench.folder / FOLDER
    paths = sorted(folder.glob("*/state.json"), key=lambda p: -p.stat().st_mtime)
    return [get_import(bench, p.parent.name) for p in paths[:20]]


def picture_of(bench: Bench, ticket: str, index: int) -> Path:
    """Return the small picture of a file.

    Raises:
        NotFound
    """
    path = _place(bench, ticket) / f"{int(index)}.jpg"
    if not path.is_file():
        raise NotFound("There is no picture of that file.")
    return path


def correct(
    bench: Bench, ticket: str, index: int, *, unit: int, procedure_id: str, role: str, skip: bool
) -> Import:
    """Say where a file belongs; what a person says is sure.

    Raises:
        NotFound, WrongCall: No such file, unit, test or role.
    """
    return place_files(
        bench, ticket, [index], unit=unit, procedure_id=procedure_id, role=role, skip=skip
    )


def place_files(
    bench: Bench,
    ticket: str,
    indices: Sequence[int],
    *,
    unit: int = 0,
    procedure_id: str = "",
    role: str = "",
    skip: bool = False,
) -> Import:
    """Say where many files belong; all are placed, or none.

    Args:
        unit: 0 takes what is suggested for each file.
        procedure_id: ``""`` takes what is suggested, with its role.
        skip: Leave them out instead.

    Raises:
        NotFound, WrongCall: No such file, unit, test or role, or nothing is suggested.
    """
    one = get_import(bench, ticket)
    guesses = list(one.guesses)
    for index in indices:
        if not 0 <= index < len(one.files):
            raise NotFound("There is no such file in this import.")
        old, name = guesses[index], one.files[index].name
        if old.take:
            raise WrongCall(f"'{name}' is in the bench already.", "Change its take instead.")
        if skip:
            guesses[index] = replace(old, skip=True, sure=True, how="Left out by you.")
            continue
        to = (procedure_id, role) if procedure_id else (old.procedure, old.role)
        if not (unit or old.unit) or not to[0]:
            raise WrongCall(
                f"Camera and test of '{name}' are not both known.", "Choose both, or leave it out."
            )
        guesses[index] = _said(bench, unit or old.unit, *to)
    return _keep(bench, replace(one, guesses=tuple(guesses)))


def _said(bench: Bench, unit: int, name: str, role: str) -> Guess:
    unit_name(bench, unit)
    chosen = procedure(name)
    if role not in {f.role for f in chosen.files}:
        raise WrongCall(f"'{name}' has no files '{role or 'without a role'}'.", "Choose another.")
    return Guess(unit, chosen.id, role, True, "Said by you.")


def take_in(
    bench: Bench,
    ticket: str,
    readings: Mapping[str, Mapping[str, Sequence[str]]] | None = None,
    *,
    only_sure: bool = True,
) -> TakenIn:
    """Enter the takes of an import; files are copied and compared with what was looked at.

    Args:
        readings: mapping of take key to mapping of reading to typed values
        only_sure: Leave out takes with a file that is unsure.
    """
    one = get_import(bench, ticket)
    entered: list[Take] = []
    troubles: list[tuple[str, str]] = []
    guesses = list(one.guesses)
    for plan in one.takes:
        if only_sure and not all(one.guesses[i].sure for i, _ in plan.files):
            continue
        try:
            take = _enter(bench, one, plan, (readings or {}).get(plan.key, {}))
        except SeeworthyError as error:
            troubles.append((plan.key, f"{error.message} {error.hint}".strip()))
            continue
        entered.append(take)
        for i, _ in plan.files:
            how = f"Taken in as take {take.id}."
            guesses[i] = replace(guesses[i], take=take.id, how=how)
        # Kept after each take: a crash between two of them enters nothing twice.
        one = _keep(bench, replace(one, guesses=tuple(guesses)))
    return TakenIn(tuple(entered), tuple(troubles))


def _enter(
    bench: Bench, one: Import, plan: PlannedTake, readings: Mapping[str, Sequence[str]]
) -> Take:
    camera, serial = unit_name(bench, plan.unit)
    files: dict[str, list[Path]] = {}
    for i, role in plan.files:
        path = Path(one.files[i].path)
        if not path.is_file() or path.stat().st_size != one.files[i].size:
            raise UnreadableInput(
                f"'{one.files[i].name}' is not there any more, or it has changed.",
                "Put the card back in, or look at it again.",
            )
        files.setdefault(role, []).append(path)
    take = add_take(
        bench, plan.procedure, camera, files, readings=readings, unit=serial, taken=plan.day
    )
    looked_at = {one.files[i].sha256 for i, _ in plan.files}
    if {f.sha256 for f in take.files} != looked_at:
        remove_take(bench, take.id)
        raise UnreadableInput(
            "A file is another one than when the card was looked at.", "Look at the card again."
        )
    return take


def drop_import(bench: Bench, ticket: str) -> None:
    """Forget an import; takes that were entered stay, and so does the card."""
    shutil.rmtree(_place(bench, ticket), ignore_errors=True)


def sweep_imports(bench: Bench) -> None:
    """Forget imports that nobody went on with for a month."""
    for path in (bench.folder / FOLDER).glob("*/state.json"):
        if time.time() - path.stat().st_mtime > _KEEP_SECONDS:
            shutil.rmtree(path.parent, ignore_errors=True)
