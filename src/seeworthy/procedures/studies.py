"""Self-check: render, measure, compare. Known truth against stated intervals.

A study is a module-level ``STUDY`` in `study` beside a declaration (or in another module of the
folder whose name begins so), or what the declaration's own `study` gives: the only places where the
virtual camera and the measures meet. `FURTHER` names those of rooms that are no procedure.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator

from seeworthy.procedures import LeftOut, all_procedures, home
from seeworthy.procedures.study import Study

FURTHER = ("seeworthy.judge.correct.study",)


def find_studies() -> tuple[dict[str, Study], list[LeftOut]]:
    """Return every study by id, and those of add-ons that raise when they are loaded."""
    found = {}
    lost = []
    for module in FURTHER:
        found.update(_of(module))
    for name in all_procedures():
        try:
            found.update(_beside(name))
        except (Exception, SystemExit) as error:  # a stranger's study costs itself alone
            if home(name).startswith("seeworthy."):
                raise
            why = f"Its study raised {type(error).__name__}: {error}"
            lost.append(LeftOut(name, home(name), why))
    return dict(sorted(found.items())), lost


def _beside(name: str) -> dict[str, Study]:
    brings = all_procedures()[name].study
    found = {one.id: one for one in ([brings()] if brings else [])}
    package = importlib.import_module(home(name))
    for module in _modules(package.__name__, getattr(package, "__path__", ())):
        found.update(_of(module))
    return found


def _modules(package: str, path: object) -> Iterator[str]:
    for module in pkgutil.iter_modules(list(path), f"{package}."):  # type: ignore[call-overload]
        if module.name.rpartition(".")[2].startswith("study"):
            yield module.name


def _of(module: str) -> dict[str, Study]:
    item = getattr(importlib.import_module(module), "STUDY", None)
    return {item.id: item} if isinstance(item, Study) else {}
