"""Which correction is meant: from files a person names, or from a camera's takes."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seeworthy.bench.outcomes import list_outcomes, list_results
from seeworthy.ground.errors import BadQuantity, NotFound, WrongCall
from seeworthy.ground.quantities import parse as quantity
from seeworthy.judge.correct.data import (
    KINDS,
    Corrections,
    DataOrigin,
    Kind,
    RollingData,
    how,
    kind_of,
    parse,
    read_file,
    read_json,
)

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
    """Return the newest good outcome of a camera that corrects, by kind.

    Args:
        unit: Serial of the specimen; all of the camera when left out.

    Raises:
        NotFound: No such camera.
    """
    newest: dict[Kind, StoredOutcome] = {}
    for stored in list_outcomes(bench, camera=camera):
        kind = kind_of(stored.outcome.correction)
        if kind is None or stored.take.state != "measured":
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
    """Take the newest good lens, shading, colour and dark result of a camera.

    Args:
        unit: Serial of the specimen; all of the camera when left out.
        without: Not wanted.

    Raises:
        NotFound: No such camera, or nothing of it that corrects.
    """
    newest = newest_of(bench, camera, unit)
    if not newest:
        raise NotFound(
            f"The bench holds nothing of {camera} that corrects and is up to date.",
            f"Add a take of {', '.join(KINDS)} and run the bench, or name a result: --lens FILE.",
        )
    wanted = [stored for kind, stored in newest.items() if kind not in without]
    return Corrections.of(*(parse(s.outcome.correction, _origin(s)) for s in wanted))


def rolling_of(
    readout: str | None,
    view: str | None,
    bench: Bench | None,
    camera: str | None,
    gyro: Path | None = None,
) -> RollingData:
    """Find when rows are read: as typed, from a file, or the newest result of a camera.

    Args:
        readout: A time ("21.4 ms"), or a file that `measure readout --json` wrote.
        view: Angle of view across, for clips without a lens result.
        gyro: The log of the camera's gyroscope, which may tell both.

    Raises:
        WrongCall: Nobody told.
        BadQuantity: A time or an angle that cannot be.
    """
    found = _read_out(readout, view, bench, camera, gyro is not None)
    return replace(found, gyro=gyro)


def _read_out(
    readout: str | None, view: str | None, bench: Bench | None, camera: str | None, logged: bool
) -> RollingData:
    angle = None if view is None else math.radians(quantity(view, "deg", bare=False).value)
    if angle is not None and not 0.05 < angle < 2.9:
        raise BadQuantity(f"A view of '{view}' cannot be.", "Give it across, 5 to 165 degrees.")
    if readout is not None and not Path(readout).is_file():
        seconds = quantity(readout, "s", bare=False).value
        if not 0 < seconds < 1:
            raise BadQuantity(f"A read-out of '{readout}' cannot be.", "Give it like '21.4 ms'.")
        return RollingData(seconds, angle, DataOrigin(f"the read-out time of {readout}"))
    if readout is not None:
        path = Path(readout)
        document = read_json(path, "readout")
        found = document.get("results", ()), document.get("findings", {}), DataOrigin(path.name)
        return _rolling(*found, angle)
    stored = [] if bench is None else list_outcomes(bench, camera=camera)
    for one in sorted(stored, key=_when, reverse=True):
        told = [r.to_json() for r in one.outcome.results]
        if one.take.procedure == "readout" and one.take.state == "measured" and _timed(told):
            angle = angle or _view_of(bench, camera)
            return _rolling(told, one.outcome.findings, _origin(one), angle)
    if logged:
        return RollingData(None, angle, DataOrigin("the log of its gyroscope"))
    raise WrongCall(
        "When the rows are read is not known.",
        'Add --readout "21.4 ms" or FILE.json, or a read-out test of the camera to the bench.',
    )


def _timed(results: Iterable[Mapping[str, Any]]) -> float | None:
    """Return the read-out time of results, ms; a bound is none."""
    for one in results:
        if one["measurand"] == "readout_time" and "bound" not in one.get("conditions", {}):
            return float(one["value"])
    return None


def _rolling(results: Any, findings: Any, origin: DataOrigin, view: float | None) -> RollingData:
    try:
        value = _timed(results)
        upwards = findings.get("rows_read") == "bottom to top"
    except (KeyError, TypeError, ValueError, AttributeError):
        value = None
    if value is None or not 0 < value < 1000:
        raise WrongCall(f"'{origin}' holds no read-out time.", how("readout"))
    return RollingData((-1 if upwards else 1) * value / 1e3, view, origin)


def _view_of(bench: Bench | None, camera: str | None) -> float | None:
    found = [] if bench is None else list_results(bench, camera=camera, measurand="hfov")
    return math.radians(found[-1].result.value) if found else None


def _when(stored: StoredOutcome) -> tuple[str, int]:
    return stored.take.taken.isoformat(), stored.take.id


def _origin(stored: StoredOutcome) -> DataOrigin:
    take = stored.take
    which = take.camera if take.unit == "1" else f"{take.camera} ({take.unit})"
    hashes = tuple(str(f["sha256"]) for f in stored.inputs["files"])
    return DataOrigin(f"take {take.id} of {which}, {take.taken.isoformat()}", hashes)


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
