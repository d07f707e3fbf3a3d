"""Sorting the files of a card into takes: by slate; else by what is in view, by name and time.

Only a slate is sure. All else is a suggestion that says what it rests on.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from sqlalchemy import select
from sqlalchemy.orm import selectinload

from seeworthy.bench.card_scan import Scanned
from seeworthy.bench.models import TakeFileRow, TakeRow, UnitRow
from seeworthy.bench.slates import Slate, bench_key, read_payload
from seeworthy.bench.store import Bench
from seeworthy.media.glimpse import exif_moment
from seeworthy.procedures import all_procedures
from seeworthy.procedures.declare import Files, Procedure, Reading

_TEST_OF = {
    "board": "lens", "edges": "sharpness", "edges-high": "sharpness", "rings": "pixel-aspect",
    "greys": "noise",
}  # fmt: skip
"""The test that each target is printed for first; others use it too, so this is never sure."""

_LETTERS = re.compile(r"[A-Za-z]{3,}")
_COMMON = {
    "DSC",
    "DSCF",
    "DSCN",
    "IMG",
    "MOV",
    "MVI",
    "PICT",
    "VID",
    "VIDEO",
    "CLIP",
    "REC",
    "FILE",
}
"""Beginnings that cameras of every make give (common practice, no source)."""
_WITH_CAMERA = select(UnitRow).options(selectinload(UnitRow.camera))

NEAR_SECONDS = 900.0
"""How long after a slated clip one without a slate may still belong to it (common practice)."""


@dataclass(frozen=True, slots=True)
class Guess:
    """Where a file belongs.

    Attributes:
        unit: Number of the unit, 0 for not known.
        sure: Read off a slate of this bench, or said by the user.
        how: In words: by what it was sorted.
        skip: Not to be taken in.
        take: The take that holds it already, 0 for none.
    """

    unit: int = 0
    procedure: str = ""
    role: str = ""
    sure: bool = False
    how: str = ""
    skip: bool = False
    take: int = 0


@dataclass(frozen=True, slots=True)
class PlannedTake:
    """A take that the sorted files make.

    Attributes:
        key: Unit, test and running number.
        files: tuple of (index, role)
        needs: Readings that must be given first.
        lacks: Which file is still missing, in words.
    """

    key: str
    unit: int
    procedure: str
    files: tuple[tuple[int, str], ...]
    needs: tuple[Reading, ...] = ()
    lacks: str = ""
    day: dt.date | None = None


@dataclass
class _Knowledge:
    """What the bench knows: its units, its key, the files that it holds."""

    units: set[int]
    key: str
    held: Mapping[str, int] = field(default_factory=dict)
    cameras: Mapping[int, str] = field(default_factory=dict)
    prefixes: Mapping[str, int] = field(default_factory=dict)


def sort_card(bench: Bench, files: Sequence[Scanned]) -> list[Guess]:
    """Guess where every file of a card belongs.

    A slate decides. Without one, a target in view suggests the test; the camera is suggested
    by what the file calls it, by the beginning of its name, or because the bench has no other;
    and a clip that was begun within `NEAR_SECONDS` after a slated one may go on with it. None
    of these is called sure.
    """
    known = _knowledge(bench, [f.sha256 for f in files])
    guesses = [_by_slate(f, known) for f in files]
    _duplicates(files, guesses, known)
    _by_target(files, guesses)
    _by_time(files, guesses)
    _by_camera(files, guesses, known)
    return guesses


def _knowledge(bench: Bench, digests: Sequence[str]) -> _Knowledge:
    with bench.reading() as session:
        units = set(session.scalars(select(UnitRow.id)))
        held: dict[str, int] = {}
        for start in range(0, len(digests), 500):
            part = digests[start : start + 500]
            query = select(TakeFileRow.sha256, TakeFileRow.take_id)
            rows = session.execute(query.where(TakeFileRow.sha256.in_(part)))
            held.update((digest, take) for digest, take in rows)
        cameras = {u.id: u.camera.name for u in session.scalars(_WITH_CAMERA)}
        names = session.execute(
            select(TakeFileRow.name, TakeRow.unit_id).join(
                TakeRow, TakeFileRow.take_id == TakeRow.id
            )
        )
        seen: dict[str, set[int]] = {}
        for name, unit in names:
            seen.setdefault(_prefix(name), set()).add(unit)
    prefixes = {p: next(iter(found)) for p, found in seen.items() if p and len(found) == 1}
    key = "" if bench.read_only else bench_key(bench)
    return _Knowledge(units, key, held, cameras, prefixes)


def _prefix(name: str) -> str:
    """Return the letters that a file's name begins with, ``""`` where they say little."""
    found = _LETTERS.match(name.rpartition("/")[2])
    letters = found[0].upper() if found else ""
    return letters if letters not in _COMMON else ""


def _by_target(files: Sequence[Scanned], guesses: list[Guess]) -> None:
    """Suggest the test by the target that is in view."""
    for i, file in enumerate(files):
        chosen = all_procedures().get(_TEST_OF.get(file.target, ""))
        if chosen is None or guesses[i].procedure or guesses[i].skip:
            continue
        need = next((f for f in chosen.files if file.kind in f.kinds), None)
        if need is not None:
            how = f"No slate; the printed target “{file.target}” is in view."
            guesses[i] = Guess(procedure=chosen.id, role=need.role, how=how)


def _by_camera(files: Sequence[Scanned], guesses: list[Guess], known: _Knowledge) -> None:
    """Suggest the camera where neither a slate nor the clip before tells it."""
    for i, file in enumerate(files):
        if guesses[i].unit or guesses[i].skip or guesses[i].take:
            continue
        unit, why = _camera_of(file, known)
        if unit:
            guesses[i] = replace(guesses[i], unit=unit, how=f"{guesses[i].how} {why}")


def _camera_of(file: Scanned, known: _Knowledge) -> tuple[int, str]:
    model = file.model.casefold()
    called = [u for u, name in known.cameras.items() if model and name.casefold() in model]
    if len(called) == 1:
        return called[0], f"The file calls its camera “{file.model}”."
    unit = known.prefixes.get(_prefix(file.name), 0)
    if unit in known.units:
        return unit, f"Files named {_prefix(file.name)}… came from this one before."
    if len(known.units) == 1:
        return next(iter(known.units)), "The bench has one camera."
    return 0, ""


def _by_slate(file: Scanned, known: _Knowledge) -> Guess:
    if file.trouble:
        return Guess(how=file.trouble, skip=True)
    cards = [c for c in (read_payload(text) for text in file.slates) if c is not None]
    if not cards:
        other = " There is a code in view, but it is no slate." if file.slates else ""
        return Guess(how=f"No slate.{other}")
    if len(set(cards)) > 1:
        return _of(cards[0], False, "Two different slates are in view; the first is guessed.")
    card = cards[0]
    if card.bench != known.key:
        return Guess(how="The slate belongs to another bench.")
    chosen = all_procedures().get(card.procedure)
    if card.unit not in known.units or chosen is None:
        return Guess(how="The slate names a unit or test that is not here.")
    need = next((f for f in chosen.files if f.role == card.role), None)
    if need is None or file.kind not in need.kinds:
        return _of(card, False, "The slate says so, but the test takes no such file.")
    return _of(card, True, "By its slate.")


def _of(card: Slate, sure: bool, how: str) -> Guess:
    return Guess(card.unit, card.procedure, card.role, sure, how)


def _duplicates(files: Sequence[Scanned], guesses: list[Guess], known: _Knowledge) -> None:
    seen: dict[str, str] = {}
    for i, file in enumerate(files):
        if not file.sha256 or guesses[i].skip:
            continue
        if file.sha256 in known.held:
            take = known.held[file.sha256]
            how = f"The bench holds this very file already (take {take})."
            guesses[i] = replace(guesses[i], skip=True, take=take, how=how)
        elif file.sha256 in seen:
            how = f"The same as '{seen[file.sha256]}'."
            guesses[i] = replace(guesses[i], skip=True, how=how)
        seen.setdefault(file.sha256, file.name)


def when(file: Scanned) -> float:
    """Return when a recording began, seconds since 1970: as the file says, else by the system."""
    moment = exif_moment(file.made)
    try:
        moment = moment or dt.datetime.fromisoformat(file.made.strip())
    except ValueError:
        return file.modified
    return moment.replace(tzinfo=moment.tzinfo or dt.UTC).timestamp()


def order(files: Sequence[Scanned]) -> list[int]:
    """Return the places of the files in the order of recording."""
    return sorted(range(len(files)), key=lambda i: (when(files[i]), files[i].name))


def _by_time(files: Sequence[Scanned], guesses: list[Guess]) -> None:
    """Guess that a clip without slate goes on with the slated one before it; never sure."""
    before: tuple[float, float, Guess] | None = None
    for i in order(files):
        file, guess = files[i], guesses[i]
        start = when(file)
        if guess.sure and not guess.skip:
            before = (start, start + file.seconds, guess)
        elif not guess.procedure and not guess.skip and file.kind in ("clip", "still"):
            # A card may note the end of a recording instead of its beginning.
            if before and before[0] <= start <= before[1] + NEAR_SECONDS:
                how = "No slate; filmed soon after a slated clip, so it may go on with it."
                guesses[i] = replace(before[2], sure=False, how=how)
        elif file.kind == "table" and not guess.procedure and not guess.skip:
            guesses[i] = Guess(procedure="load", how="A table of numbers; perhaps a flight's log.")


def planned(files: Sequence[Scanned], guesses: Sequence[Guess]) -> list[PlannedTake]:
    """Put the files that are to be taken in together into takes."""
    made: list[PlannedTake] = []
    open_at: dict[tuple[int, str], int] = {}
    for i in order(files):
        guess = guesses[i]
        chosen = all_procedures().get(guess.procedure)
        if guess.skip or guess.take or not guess.unit or chosen is None:
            continue
        place = open_at.get((guess.unit, guess.procedure))
        if place is None or not _room(made[place], guess.role, chosen):
            open_at[guess.unit, guess.procedure] = place = len(made)
            count = sum(t.unit == guess.unit and t.procedure == chosen.id for t in made) + 1
            day = dt.datetime.fromtimestamp(when(files[i]), dt.UTC).date()
            key = f"{guess.unit}-{chosen.id}-{count}"
            made.append(PlannedTake(key, guess.unit, chosen.id, (), _needs(chosen), "", day))
        made[place] = replace(made[place], files=(*made[place].files, (i, guess.role)))
    return [replace(t, lacks=_lacks(t)) for t in made]


def _needs(chosen: Procedure) -> tuple[Reading, ...]:
    return tuple(r for r in chosen.readings if r.required)


def _room(take: PlannedTake, role: str, chosen: Procedure) -> bool:
    need = _declared(chosen.files, role)
    have = sum(r == role for _, r in take.files)
    return need is not None and (need.most == 0 or have < need.most)


def _declared(files: Iterable[Files], role: str) -> Files | None:
    return next((f for f in files if f.role == role), None)


def _lacks(take: PlannedTake) -> str:
    chosen = all_procedures()[take.procedure]
    missing = [
        f.what for f in chosen.files if sum(role == f.role for _, role in take.files) < f.least
    ]
    return " ".join(missing)
