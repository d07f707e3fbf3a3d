"""Who publishes a bench, and under which licence: asked once, kept in the bench."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from seeworthy.bench.columns import new_uuid
from seeworthy.bench.models import AboutRow
from seeworthy.bench.store import Bench
from seeworthy.ground.errors import WrongCall

_LONGEST = 300  # characters: three lines of a terminal (a judgement)


@dataclass(frozen=True, slots=True)
class Identity:
    """What a package says of the bench that it comes from.

    Attributes:
        id: UUID of the bench.
        title, licence: As typed; ``""`` where nothing was said.
        contributors: As typed; none unless somebody typed them.
    """

    id: str
    title: str = ""
    licence: str = ""
    contributors: tuple[str, ...] = ()


def read_identity(bench: Bench) -> Identity:
    """Return what the bench says of itself."""
    with bench.reading() as session:
        return identity_in(session)


def identity_in(session: Session) -> Identity:
    """Return what the bench says of itself, in a session that is open."""

    def said(name: str) -> str:
        row = session.get(AboutRow, name)
        return row.value if row else ""

    people = said("package.contributors")
    return Identity(
        said("id") or new_uuid(),
        said("package.title"),
        said("package.licence"),
        tuple(json.loads(people)) if people else (),
    )


def save_identity(
    bench: Bench,
    *,
    title: str | None = None,
    licence: str | None = None,
    contributors: Sequence[str] | None = None,
) -> Identity:
    """Keep what packages are to say from now on; None leaves a part as it is.

    Raises:
        WrongCall: A text is endless or has line breaks.
    """
    new = {"package.title": title, "package.licence": licence}
    if contributors is not None:
        people = [_line(c, "contributor") for c in contributors if c.strip()]
        new["package.contributors"] = json.dumps(people, ensure_ascii=False)
    with bench.changing() as session:
        for name, text in new.items():
            if text is not None:
                kept = text if name == "package.contributors" else _line(text, name[8:])
                session.merge(AboutRow(name=name, value=kept))
    return read_identity(bench)


def _line(text: str, what: str) -> str:
    shown = text.strip()
    if len(shown) > _LONGEST or not shown.isprintable():
        raise WrongCall(f"The {what} is too long or has line breaks.", "Write one short line.")
    return shown
