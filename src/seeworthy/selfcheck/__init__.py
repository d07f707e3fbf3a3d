"""Self-check: render, measure, compare. Known truth against stated intervals.

One module per procedure with a module-level ``STUDY``. This is the only place
where the virtual camera and the measures meet.
"""

from __future__ import annotations

import importlib
import pkgutil

from seeworthy.selfcheck.study import Study


def all_studies() -> dict[str, Study]:
    """Return every study by id."""
    found = {}
    for module in sorted(m.name for m in pkgutil.iter_modules(__path__)):
        item = getattr(importlib.import_module(f"{__name__}.{module}"), "STUDY", None)
        if isinstance(item, Study):
            found[item.id] = item
    return found
