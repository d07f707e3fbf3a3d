"""Small drawings of set-ups, as the procedures declare them, in the page's ink."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from seeworthy.procedures import set_up_drawing
from seeworthy.procedures.declare import Procedure
from seeworthy.web.svg import tidy


@lru_cache(maxsize=256)
def _markup(procedure_id: str, drawing: str, setup: str) -> Any:
    return tidy(set_up_drawing(procedure_id))


def drawing(procedure: Procedure) -> Any:
    """Return the drawing of a procedure's set-up as markup."""
    return _markup(procedure.id, procedure.drawing, procedure.setup)
