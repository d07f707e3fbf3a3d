"""Which correction is meant: from files a person names, or from a camera's takes."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from seeworthy.bench.outcomes import list_outcomes
from seeworthy.ground.errors import NotFound, WrongCall
from seeworthy.judge.correct.data import KINDS, Corrections, Kind, Origin, parse, read_file

if TYPE_CHECKING:
    from seeworthy.bench.records import StoredOutcome
    from seeworthy.bench.store import Bench


def from_files(files: Mapping[Kind, Path]) -> Corrections:
    """Read corrections from what ``measure --json`` printed.

    Raises:
        UnreadableInput, WrongCall: See `seeworthy.judge.correct.data.read_file`.
    """
    return Corrections.of(*(read_file(path, kind) for kind, path in files.items()))


def newest_of(bench: Bench, camera: str, unit: str | None = None) -> dict[Kind, StoredOutcome]:
    """Return the newest good lens, shading and colour outcome of a camera, by kind.

    Args:
        unit: Serial of the specimen; all of the camera when left out.

    Raises:
        NotFound: No such camera.
    """
    newest: dict[Kind, StoredOutcome] = {}
    for stored in list_outcomes(bench, camera=camera):
        kind = stored.outcome.correction.get("kind")
        if kind not in KINDS or stored.take.state != "measured":
            continue
        if unit is not None and stored.take.unit != unit:
            continue
        before = newest.get(kind)
        if before is None or _when(stored) > _when(before):
            newest[kind] = stored
    return {kind: newest[kind] for kind in KINDS if kind in newest}


def from_bench(
    bench: Bench, camera: str, *, unit: str | None = None, without: Collection[Kind] = ()
) -> Corrections:
    """Take the newest good lens, shading and colour result of a camera.

    Args:
        unit: Serial of the specimen; all of the camera when left out.
        without: Not wanted.

    Raises:
        NotFound: No such camera, or nothing of it that corrects.
    """
    newest = newest_of(bench, camera, unit)
    if not newest:
        raise NotFound(
            f"The bench holds no lens, shading or colour result of {camera} that is up to date.",
            "Add a take of `lens`, `shading` or `colour` and run the bench, or name a result with "
            "--lens, --shading or --colour.",
        )
    wanted = [stored for kind, stored in newest.items() if kind not in without]
    return Corrections.of(*(parse(s.outcome.correction, _origin(s)) for s in wanted))


def _when(stored: StoredOutcome) -> tuple[str, int]:
    return stored.take.taken.isoformat(), stored.take.id


def _origin(stored: StoredOutcome) -> Origin:
    take = stored.take
    which = take.camera if take.unit == "1" else f"{take.camera} ({take.unit})"
    hashes = tuple(str(f["sha256"]) for f in stored.inputs["files"])
    return Origin(f"take {take.id} of {which}, {take.taken.isoformat()}", hashes)


def kinds_of(names: Collection[str], flag: str) -> tuple[Kind, ...]:
    """Read kinds as typed.

    Raises:
        WrongCall
    """
    for name in names:
        if name not in KINDS:
            raise WrongCall(
                f"'{flag} {name}' is not a correction.", f"There are {', '.join(KINDS)}."
            )
    return tuple(k for k in KINDS if k in names)
