"""Procedures: one folder each, found by name; third parties add theirs.

A module or folder in this package with a ``PROCEDURE`` is a procedure, and so is every
entry point of the group ``seeworthy.procedures`` that loads one. What is declared is
all that other floors know of it.
"""

from __future__ import annotations

import difflib
import importlib
import pkgutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import EntryPoint, distributions
from pathlib import Path

from seeworthy.ground.errors import SeeworthyError, WrongCall
from seeworthy.ground.measurands import register
from seeworthy.procedures.declare import Finding, Procedure

GROUP = "seeworthy.procedures"
# What every procedure stands on; the harness of studies brings SciPy, lists need none.
_HOUSE = {"cautions", "declare", "given", "studies", "study", "study_tables"}
_DRAWINGS = Path(__file__).parent / "drawings"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An add-on that could not be used.

    Attributes:
        name, value: Of its entry point.
        why: One sentence.
    """

    name: str
    value: str
    why: str

    def __str__(self) -> str:
        return f"The add-on '{self.name}' ({self.value}) is left out. {self.why}"


@dataclass(frozen=True, slots=True)
class _Loaded:
    found: dict[str, Procedure]
    homes: dict[str, str]  # id to the name of the module that declares it
    findings: dict[str, Finding]
    left_out: tuple[LeftOut, ...]


def all_procedures() -> dict[str, Procedure]:
    """Return every procedure by id, in the order that the declarations ask for."""
    return _loaded().found


def left_out() -> tuple[LeftOut, ...]:
    """Return the add-ons that raise when they load or do not fit, and why: they stop nothing."""
    return _loaded().left_out


def noticed() -> tuple[LeftOut, ...]:
    """Return the same without looking for add-ons where nobody has looked yet."""
    return _loaded().left_out if _loaded.cache_info().currsize else ()


def home(name: str) -> str:
    """Return the name of the module that declares a procedure."""
    procedure(name)
    return _loaded().homes[name]


def set_up_drawing(name: str) -> str:
    """Return the SVG of a procedure's set-up; see `Procedure.drawing`."""
    item = procedure(name)
    if item.drawing.lstrip().startswith("<"):
        return item.drawing
    beside = Path(importlib.import_module(home(name)).__file__ or "").parent
    shared = _DRAWINGS / f"{item.drawing or item.setup.replace(' ', '-')}.svg"
    for place in (beside / item.drawing, shared):
        if place.is_file():
            return place.read_text(encoding="utf-8")
    return (_DRAWINGS / "any-clip.svg").read_text(encoding="utf-8")


def forget() -> None:
    """Look for add-ons anew at the next call."""
    _loaded.cache_clear()


@lru_cache(maxsize=1)
def _loaded() -> _Loaded:
    found: dict[str, Procedure] = {}
    homes: dict[str, str] = {}
    lost: list[LeftOut] = []
    for module, item in sorted(_ours(), key=lambda one: (one[1].order, one[1].id)):
        for entry in item.brings:
            register(entry)
        found[item.id], homes[item.id] = item, module
    for point in _add_ons():
        # An add-on is a stranger's code: whatever it raises, even an exit, costs itself alone.
        try:
            item = _checked(point.load(), found)
        except SeeworthyError as error:
            lost.append(LeftOut(point.name, point.value, error.message))
        except (Exception, SystemExit) as error:
            why = f"It raised {type(error).__name__} when it was loaded: {error}".rstrip(": ")
            lost.append(LeftOut(point.name, point.value, f"{why.rstrip('.')}."))
        else:
            found[item.id], homes[item.id] = item, point.module
    found = dict(sorted(found.items(), key=lambda kv: (kv[1].order, kv[0])))
    findings: dict[str, Finding] = {}
    for item in found.values():
        findings = {**item.finds, **findings}
    return _Loaded(found, homes, findings, tuple(lost))


def _ours() -> Iterator[tuple[str, Procedure]]:
    for module in pkgutil.iter_modules(__path__, f"{__name__}."):
        if module.name.rpartition(".")[2] in _HOUSE:
            continue
        item = getattr(importlib.import_module(module.name), "PROCEDURE", None)
        if isinstance(item, Procedure):
            yield module.name, item


def _add_ons() -> Iterator[EntryPoint]:
    """Find what add-ons there are; the first of a name on the path counts, as for an import.

    Only lists that name our group are parsed: those of all that is installed cost more than the
    declarations of every procedure.
    """
    seen = set()
    for place in distributions():
        if GROUP in (place.read_text("entry_points.txt") or "") and place.name not in seen:
            seen.add(place.name)
            yield from place.entry_points.select(group=GROUP)


def _checked(item: object, found: dict[str, Procedure]) -> Procedure:
    if not isinstance(item, Procedure):
        raise WrongCall("It is not a procedure: it must load a seeworthy Procedure.")
    if item.id in found:
        raise WrongCall(f"It brings a second procedure '{item.id}'.")
    for entry in item.brings:
        register(entry)
    return item


def all_findings() -> dict[str, Finding]:
    """Return every finding by name; where several procedures have one, that of the first."""
    return _loaded().findings


def finding(name: str, of: str = "") -> Finding:
    """Return a finding of a procedure (`of`), or of any; a bare one where nobody declares it."""
    item = all_procedures().get(of)
    found = None if item is None else item.finds.get(name)
    return found or all_findings().get(name) or Finding(name, "", "")


def procedure(name: str) -> Procedure:
    """Return a procedure by id.

    Raises:
        WrongCall: No procedure of that id.
    """
    found = all_procedures()
    if name in found:
        return found[name]
    near = difflib.get_close_matches(name, found, 1, 0.4)
    hint = f"Did you mean '{near[0]}'?" if near else "`seeworthy procedures` lists them."
    raise WrongCall(f"There is no procedure '{name}'.", hint)
