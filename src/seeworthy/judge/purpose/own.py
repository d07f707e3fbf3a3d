"""The user's own purposes: TOML files in the bench's folder ``purposes/``."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path
from typing import TYPE_CHECKING

from seeworthy.ground.errors import NotFound, WrongCall
from seeworthy.ground.leftovers import beside
from seeworthy.judge.purpose.library import find_purpose, shipped, text_of
from seeworthy.judge.purpose.model import Purpose, read_purpose

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench

FOLDER = "purposes"
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
_LONGEST = 100_000  # bytes: a hundred times a purpose of ours


def own_purposes(bench: Path) -> dict[str, str]:
    """Return the text of the user's own purposes by name."""
    folder = bench / FOLDER
    if not folder.is_dir():
        return {}
    found = {}
    for path in sorted(folder.glob("*.toml")):
        if _NAME.fullmatch(path.stem) and path.stat().st_size <= _LONGEST:
            found[path.stem] = path.read_text(encoding="utf-8", errors="replace")
    return found


def asked_for(bench: Bench) -> frozenset[str]:
    """Return the measurands that matter here: what a purpose or a seller's claim is about."""
    from seeworthy.bench.cameras import claimed

    found = claimed(bench)
    purposes = dict(shipped())
    for name, text in own_purposes(bench.folder).items():
        with contextlib.suppress(WrongCall):  # a broken one is named where it is used
            purposes[name] = read_purpose(text, name)
    for one in purposes.values():
        found |= {item.measurand.id for item in one.limits}
        found |= {item.measurand.id for item in one.wishes}
    return frozenset(found)


def purpose_text(bench: Path, name: str) -> str:
    """Return the text of an own or shipped purpose, to change or to start from.

    Raises:
        NotFound
    """
    return own_purposes(bench).get(name) or text_of(name)


def check_name(name: str) -> str:
    """Return a name that may be a file's.

    Raises:
        WrongCall
    """
    if not _NAME.fullmatch(name):
        raise WrongCall(
            f"'{name}' cannot be the name of a purpose.",
            "Use small letters, digits and hyphens, such as dune-survey.",
        )
    return name


def save_purpose(bench: Path, name: str, text: str) -> Purpose:
    """Check a purpose and keep it.

    Raises:
        WrongCall: A bad name, or a wrong text, with line number and reason; nothing is written.
    """
    check_name(name)
    if len(text) > _LONGEST:
        raise WrongCall("That is longer than a purpose.", "A purpose is a page of text.")
    clean = text.replace("\r\n", "\n").rstrip() + "\n"
    found = read_purpose(clean, name)
    folder = bench / FOLDER
    folder.mkdir(exist_ok=True)
    with beside(folder / f"{name}.toml", "purpose") as part:
        part.write_text(clean, encoding="utf-8")
    return found


def remove_purpose(bench: Path, name: str) -> None:
    """Remove an own purpose.

    Raises:
        NotFound
    """
    path = bench / FOLDER / f"{check_name(name)}.toml"
    if not path.is_file():
        raise NotFound(f"There is no purpose '{name}' of your own.", "Shipped ones stay.")
    path.unlink()


__all__ = ["asked_for", "check_name", "find_purpose", "own_purposes", "purpose_text",
           "remove_purpose", "save_purpose"]  # fmt: skip
