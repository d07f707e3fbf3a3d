"""Tables of known patch colours: CSV, or CGATS.17 text as measuring instruments write it.

Columns: a name (``name``, ``SAMPLE_NAME``, ``SAMPLE_ID`` ...), the colour as L*a*b* (``L,a,b`` or
``LAB_L`` ...), XYZ (``X,Y,Z`` or ``XYZ_X`` ..., 100 at white) or sRGB (``R,G,B``, 0 to 255), and
where it is on the picture (``px,py,pw,ph`` or ``left,top,width, height`` in px), if it is known.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.tables import read_table

if TYPE_CHECKING:
    from seeworthy.media.source import Source

Space = Literal["Lab", "XYZ", "sRGB"]

_COLOURS: tuple[tuple[Space, tuple[str, ...], tuple[str, ...]], ...] = (
    ("Lab", ("lab_l", "lab_a", "lab_b"), ("l", "a", "b")),
    ("XYZ", ("xyz_x", "xyz_y", "xyz_z"), ("x", "y", "z")),
    ("sRGB", ("rgb_r", "rgb_g", "rgb_b"), ("r", "g", "b")),
)
_NAMES = ("sample_name", "name", "patch", "sample_id", "sampleid", "sample", "id", "colour")
_PLACES = (("px", "py", "pw", "ph"), ("left", "top", "width", "height"))
_HINT = (
    "Give a CSV with the columns name,L,a,b (or X,Y,Z or R,G,B) and, if you know them, "
    "left,top,width,height of each patch in px; or a CGATS text file."
)


@dataclass(frozen=True)
class Patches:
    """Known colours.

    Attributes:
        space: ``Lab``, ``XYZ`` (Y 1 at white) or ``sRGB`` (0 to 1, coded).
        values: array, (n, 3)
        boxes: tuple of (x, y, w, h) or None. Where they are on the picture, px.
        cgats: From a CGATS file.
    """

    names: tuple[str, ...]
    space: Space
    values: npt.NDArray[np.float64]
    boxes: tuple[tuple[int, int, int, int], ...] | None
    cgats: bool = False


def read_patches(source: Source) -> Patches:
    """Read a table of patches.

    Raises:
        UnreadableInput: No table, no colour columns, or numbers out of range.
    """
    raw = source.path.read_bytes()
    if b"BEGIN_DATA" in raw[:200_000].upper():
        heads, rows = _cgats(raw.decode("utf-8", "replace"), source.name)
        return _patches(source.name, heads, rows, ".", cgats=True)
    try:
        table = read_table(source)
    except UnreadableInput as error:
        raise UnreadableInput(error.message, _HINT) from None
    return _patches(source.name, table.headers, table.rows, table.decimal, cgats=False)


def _cgats(text: str, name: str) -> tuple[list[str], list[list[str]]]:
    """Cut CGATS text into heads and rows of cells."""

    def block(what: str) -> str:
        found = re.search(rf"^\s*BEGIN_{what}\s*$(.*?)^\s*END_{what}\s*$", text, re.S | re.M | re.I)
        if found is None:
            raise UnreadableInput(f"'{name}' lacks BEGIN_{what} … END_{what}.", _HINT)
        return found.group(1)

    heads = block("DATA_FORMAT").split()
    rows = [
        [cell.strip('"') for cell in re.findall(r'"[^"]*"|\S+', line)]
        for line in block("DATA").splitlines()
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if any(len(row) != len(heads) for row in rows):
        raise UnreadableInput(
            f"A line of '{name}' has another number of cells than its {len(heads)} fields.", _HINT
        )
    return heads, rows


def _patches(
    name: str, heads: Sequence[str], rows: Sequence[Sequence[str]], decimal: str, *, cgats: bool
) -> Patches:
    places = {h.strip().strip("*").replace("*", "").lower(): i for i, h in enumerate(heads)}
    space, columns = _columns(name, places)
    values = np.array([[_number(row[i], decimal, name) for i in columns] for row in rows])
    if not len(values):
        raise UnreadableInput(f"'{name}' holds no patches.", _HINT)
    if space == "XYZ":
        values = values / 100
    elif space == "sRGB":
        values = values / 255
    _check(name, space, values)
    label = next((places[n] for n in _NAMES if n in places), None)
    names = tuple(f"{i + 1}" if label is None else row[label] for i, row in enumerate(rows))
    where = next((p for p in _PLACES if all(c in places for c in p)), None)
    boxes = None
    if where is not None:
        boxes = tuple(
            tuple(round(_number(row[places[c]], decimal, name)) for c in where) for row in rows
        )
    return Patches(names, space, values, boxes, cgats)  # type: ignore[arg-type]


def _columns(name: str, places: dict[str, int]) -> tuple[Space, list[int]]:
    for space, *ways in _COLOURS:
        for way in ways:
            if all(c in places for c in way):
                return space, [places[c] for c in way]
    raise UnreadableInput(f"'{name}' has no columns of L*a*b*, XYZ or RGB.", _HINT)


def _number(cell: str, decimal: str, name: str) -> float:
    try:
        return float(cell.replace(decimal, "."))
    except ValueError:
        raise UnreadableInput(f"'{cell}' in '{name}' is not a number.", _HINT) from None


def _check(name: str, space: Space, values: npt.NDArray[np.float64]) -> None:
    low, high = {"Lab": (-160.0, 160.0), "XYZ": (0.0, 1.5), "sRGB": (0.0, 1.0)}[space]
    wrong = (values < low) | (values > high) | ~np.isfinite(values)
    if space == "Lab":
        wrong[:, 0] |= (values[:, 0] < 0) | (values[:, 0] > 100.5)
    if wrong.any():
        row = int(np.argmax(wrong.any(axis=1))) + 1
        unit = {"Lab": "L* 0 to 100", "XYZ": "0 to 100", "sRGB": "0 to 255"}[space]
        raise UnreadableInput(
            f"Patch {row} of '{name}' is out of range for {space} ({unit}).", _HINT
        )
