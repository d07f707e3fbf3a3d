"""Colour as a table: three-dimensional LUTs in the text form ``.cube``.

A table maps coded R', G', B' to coded R', G', B'. Entries stand red fastest, then green,
then blue. Between entries the value is interpolated in the tetrahedron of four corners that
the point lies in, which keeps the grey axis grey.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import UnreadableInput, WrongCall
from seeworthy.judge.correct.data import ColourData

if TYPE_CHECKING:
    from seeworthy.media.light import Light

Floats = npt.NDArray[np.float32]

SIZE = 33
_LARGEST = 129


@dataclass(frozen=True, slots=True)
class Cube:
    """A table.

    Attributes:
        table: array (n, n, n, 3) float32. Indexed red, green, blue.
        low, high: (r, g, b). Coded values of the first and the last entry.
    """

    table: Floats
    low: tuple[float, float, float] = (0.0, 0.0, 0.0)
    high: tuple[float, float, float] = (1.0, 1.0, 1.0)
    title: str = ""
    comments: tuple[str, ...] = ()

    def apply(self, coded: npt.ArrayLike) -> Floats:
        """Return coded values (..., 3) through the table; what lies outside is held at its rim."""
        values = np.asarray(coded, np.float32)
        size = self.table.shape[0]
        low = np.array(self.low, np.float32)
        span = np.array(self.high, np.float32) - low
        place = np.clip((values.reshape(-1, 3) - low) / span, 0, 1) * np.float32(size - 1)
        cell = np.minimum(place.astype(np.int32), size - 2)
        share = place - cell
        steps = np.array([size * size, size, 1], np.int32)
        flat = self.table.reshape(-1, 3)
        at = cell @ steps
        # Walk from the low corner to the high one along the largest share first.
        order = np.argsort(-share, axis=1, kind="stable")
        sorted_share = np.take_along_axis(share, order, axis=1)
        out = flat[at] * (1 - sorted_share[:, :1])
        for i in range(3):
            at = at + steps[order[:, i]]
            rest = sorted_share[:, i + 1 : i + 2] if i < 2 else np.float32(0)
            out += flat[at] * (sorted_share[:, i : i + 1] - rest)
        return np.asarray(out.reshape(values.shape), np.float32)


def identity(size: int = SIZE) -> Floats:
    """Return the table that changes nothing, (n, n, n, 3)."""
    ramp = np.linspace(0, 1, size, dtype=np.float32)
    return np.stack(np.meshgrid(ramp, ramp, ramp, indexing="ij"), axis=-1)


def colour_cube(colour: ColourData, light: Light, title: str, size: int = SIZE) -> Cube:
    """Return the table of a colour correction.

    Args:
        light: Tone curve of the clip, both ways.
        size: Entries along an axis.
    """
    linear = light.decode_signal(identity(size)) @ colour.product.T
    coded = (light.encode(linear) - light.black) / (light.white - light.black)
    said = (
        f"From {colour.origin}.",
        f"Coded R'G'B' to coded R'G'B' with the tone curve {light.transfer}, BT.709 primaries.",
    )
    return Cube(np.clip(coded, 0, 1).astype(np.float32), title=title, comments=said)


def write_cube(cube: Cube, path: Path) -> None:
    """Write a table as text."""
    if path.suffix.lower() != ".cube":
        raise WrongCall(f"'{path.name}' is not the name of a LUT.", "End it with .cube.")
    lines = [f"# {' '.join(text.split())}" for text in cube.comments]
    lines.append(f'TITLE "{cube.title.replace(chr(34), chr(39))}"')
    lines.append(f"LUT_3D_SIZE {cube.table.shape[0]}")
    lines.append("DOMAIN_MIN " + " ".join(f"{v:.6f}" for v in cube.low))
    lines.append("DOMAIN_MAX " + " ".join(f"{v:.6f}" for v in cube.high))
    red_fastest = cube.table.transpose(2, 1, 0, 3).reshape(-1, 3)
    lines.extend("{:.6f} {:.6f} {:.6f}".format(*row) for row in red_fastest)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n", encoding="ascii", errors="replace")


def read_cube(path: Path) -> Cube:
    """Read a table.

    Raises:
        UnreadableInput: Not a three-dimensional table in this form, or not whole.
    """
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError as error:
        raise UnreadableInput(
            f"'{path}' cannot be read: {error.strerror}.", "Check the spelling and the folder."
        ) from None
    try:
        return _parse(lines)
    except (ValueError, IndexError) as error:
        raise UnreadableInput(
            f"'{path.name}' is not a three-dimensional LUT: {error}.",
            "Give a .cube file with LUT_3D_SIZE.",
        ) from None


def _parse(lines: list[str]) -> Cube:
    title, size = "", 0
    low, high = (0.0, 0.0, 0.0), (1.0, 1.0, 1.0)
    comments, rows = [], []
    for number, line in enumerate(lines, 1):
        words = line.split()
        if not words:
            continue
        if words[0].startswith("#"):
            comments.append(line.lstrip("# ").rstrip())
        elif words[0] == "TITLE":
            title = line.split(maxsplit=1)[1].strip().strip('"')
        elif words[0] == "LUT_3D_SIZE":
            size = int(words[1])
        elif words[0] == "DOMAIN_MIN":
            low = _three(words[1:], number)
        elif words[0] == "DOMAIN_MAX":
            high = _three(words[1:], number)
        elif words[0][0].isalpha():
            raise ValueError(f"line {number} says {words[0]}")
        else:
            rows.append(_three(words, number))
    if not 2 <= size <= _LARGEST:
        raise ValueError("its LUT_3D_SIZE is missing or out of range")
    if len(rows) != size**3:
        raise ValueError(f"it holds {len(rows)} entries where {size**3} are announced")
    if any(b <= a for a, b in zip(low, high, strict=True)):
        raise ValueError("its domain is empty")
    table = np.asarray(rows, np.float32).reshape(size, size, size, 3).transpose(2, 1, 0, 3)
    return Cube(np.ascontiguousarray(table), low, high, title, tuple(comments))


def _three(words: list[str], number: int) -> tuple[float, float, float]:
    values = [float(w) for w in itertools.islice(words, 4)]
    if len(values) != 3 or not np.isfinite(values).all():
        raise ValueError(f"line {number} does not hold three numbers")
    return values[0], values[1], values[2]
