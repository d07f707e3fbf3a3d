"""What the seller claims of a camera."""

from __future__ import annotations

from typing import Any

from seeworthy.bench.lookup import check_version, claim_record, find_camera
from seeworthy.bench.models import ClaimRow
from seeworthy.bench.records import Claim
from seeworthy.bench.store import Bench
from seeworthy.ground.errors import BadQuantity, NotFound, WrongCall
from seeworthy.ground.measurands import MEASURANDS_LISTED, all_measurands, nearest
from seeworthy.ground.quantities import parse
from seeworthy.ground.seen import only_seen
from seeworthy.procedures import all_findings

SILENT = ("nothing", "none", "-")
"""What a person types when the seller claims nothing."""


def set_claim(
    bench: Bench,
    camera: str,
    subject: str,
    text: str,
    *,
    source: str = "",
    version: int | None = None,
) -> Claim:
    """Enter what the seller says of one thing, or change it.

    Args:
        subject: A measurand such as ``run_time``, or a finding such as ``width_px``.
        text: As the seller writes it, with its unit; ``nothing`` when he says nothing.
        source: Where you read it.
        version: Of the claim that the change was based on.

    Raises:
        WrongCall: No such measurand or finding.
        BadQuantity: The value has the wrong unit.
    """
    written = checked_claim(subject, text, source)
    with bench.changing() as session:
        row = find_camera(session, camera)
        claim = next((c for c in row.claims if c.subject == subject), None)
        if claim is None:
            claim = ClaimRow(subject=subject)
            row.claims.append(claim)
        else:
            check_version(claim, version, f"the claim '{subject}'")
        for name, value in written.items():
            setattr(claim, name, value)
        session.flush()
        return claim_record(claim)


def remove_claim(bench: Bench, camera: str, subject: str) -> None:
    """Remove a claim."""
    with bench.changing() as session:
        row = find_camera(session, camera)
        claim = next((c for c in row.claims if c.subject == subject), None)
        if claim is None:
            raise NotFound(
                f"'{row.name}' has no claim '{subject}'.", "`seeworthy camera show` lists them."
            )
        row.claims.remove(claim)


def checked_claim(subject: str, text: str, source: str = "") -> dict[str, Any]:
    """Return the columns of a claim; see `set_claim` for what is refused."""
    _check_subject(subject)
    silent = text.strip().casefold() in SILENT
    value = {} if silent else _claimed(subject, text)
    return {
        "subject": subject,
        "silent": silent,
        "text": "" if silent else " ".join(only_seen(text).split()),
        "value": value.get("value"),
        "unit": value.get("unit", ""),
        "u": value.get("u"),
        "source": only_seen(source).strip(),
    }


def _check_subject(subject: str) -> None:
    told = all_findings()
    if subject in all_measurands() or subject in told:
        return
    near = nearest(subject, {name: (name, one.words, *one.also) for name, one in told.items()})
    hint = f"Did you mean {' or '.join(near)}?" if near else MEASURANDS_LISTED
    raise WrongCall(f"There is no measurand or finding '{subject}'.", hint)


def _claimed(subject: str, text: str) -> dict[str, Any]:
    entry = all_measurands().get(subject)
    if entry is None:
        return {}
    found = parse(text, entry.pint_unit, bare=False)
    if entry.least is not None and found.value < entry.least:
        raise BadQuantity(
            f"'{text}': {entry.title} is {entry.least:g} {entry.unit}".rstrip() + " or more.",
            "Check the figure and its sign.",
        )
    return {"value": found.value, "unit": entry.unit, "u": found.u}
