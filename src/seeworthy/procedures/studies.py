"""Self-check: render, measure, compare. Known truth against stated intervals.

A study is a module-level ``STUDY`` in `study` beside a declaration (or in another
module of the folder whose name begins so), the only place where the virtual camera
and the measures meet; `FURTHER` names those of rooms that are no procedure.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator

import seeworthy.procedures as house
from seeworthy.procedures.study import Study

FURTHER = ("seeworthy.judge.correct.study",)


def all_studies() -> dict[str, Study]:
    """Return every study by id."""
    found = {}
    for module in sorted(_modules()):
        item = getattr(importlib.import_module(module), "STUDY", None)
        if isinstance(item, Study):
            found[item.id] = item
    return dict(sorted(found.items()))


def _modules() -> Iterator[str]:
    yield from FURTHER
    for folder in pkgutil.iter_modules(house.__path__, f"{house.__name__}."):
        if folder.ispkg:
            package = importlib.import_module(folder.name)
            for module in pkgutil.iter_modules(package.__path__, f"{folder.name}."):
                if module.name.rpartition(".")[2].startswith("study"):
                    yield module.name
