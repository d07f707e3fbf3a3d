"""What a bench knows of a unit already, for readings that nobody needs to type again.

A reading that a declaration ties to a measurand (the angle of view in `motion`) is answered by
the newest result of the same unit under the firmware of that day. It is entered as a typed
reading with its uncertainty, so that the take stands for itself and can be changed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from seeworthy.bench.lookup import find_unit, firmware_on
from seeworthy.bench.result_columns import read_results

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from seeworthy.bench.records import StoredResult
    from seeworthy.procedures.declare import Procedure


def known_readings(
    session: Session,
    chosen: Procedure,
    camera: str,
    unit: str | None,
    day: dt.date,
    typed: Mapping[str, Sequence[str]],
) -> dict[str, tuple[str, int]]:
    """Return text and number of the take for each reading that the bench can answer.

    Args:
        typed: What was read; that is never replaced.

    Raises:
        NotFound, WrongCall: No such unit, or several to choose from.
    """
    wanted = {r.name: r for r in chosen.readings if r.measurand and not typed.get(r.name)}
    if not wanted:
        return {}
    owner = find_unit(session, camera, unit)
    firmware = firmware_on(owner, day)
    newest: dict[str, StoredResult] = {}
    for one in read_results(session, owner.camera_id, None, {r.measurand for r in wanted.values()}):
        same = (one.unit, one.firmware, one.stale) == (owner.serial, firmware, False)
        if not same or "bound" in one.result.conditions:
            continue
        before = newest.get(one.result.measurand)
        if before is None or (one.taken, one.take_id) > (before.taken, before.take_id):
            newest[one.result.measurand] = one
    found = {}
    for name, reading in wanted.items():
        answer = newest.get(reading.measurand)
        if answer is not None:
            r = answer.result
            text = f"{r.value:.8g} {r.unit} ± {r.u:.3g} {r.unit}"
            found[name] = text, answer.take_id
    return found
