"""Colour as a table: three-dimensional LUTs in the text form ``.cube``, written by colour-science.

A table maps coded R', G', B' to coded R', G', B'; it is indexed red, green, blue.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import WrongCall
from seeworthy.judge.correct.data import ColourData
from seeworthy.optics.colour import colour_science

if TYPE_CHECKING:
    from seeworthy.media.light import Light

Floats = npt.NDArray[np.float64]

SIZE = 33  # nodes an axis, as programs take it (common practice, no source)


def colour_table(colour: ColourData, light: Light, size: int = SIZE) -> Floats:
    """Return the table (n, n, n, 3) of a colour correction.

    Args:
        light: Tone curve of the clip, both ways.
        size: Entries along an axis.
    """
    ramp = np.linspace(0, 1, size)
    same = np.stack(np.meshgrid(ramp, ramp, ramp, indexing="ij"), axis=-1)
    linear = light.decode_signal(same) @ colour.product.T
    return np.clip((light.encode(linear) - light.black) / (light.white - light.black), 0, 1)


def write_cube(colour: ColourData, light: Light, title: str, path: Path) -> None:
    """Write a colour correction as a table of 33³ entries, in ASCII.

    Raises:
        WrongCall: The name does not end with ``.cube``.
    """
    if path.suffix.lower() != ".cube":
        raise WrongCall(f"'{path.name}' is not the name of a LUT.", "End it with .cube.")
    said = (
        f"From {colour.origin}.",
        f"Coded R'G'B' to coded R'G'B' with the tone curve {light.transfer}, BT.709 primaries.",
    )
    comments = [" ".join(text.split()).encode("ascii", "replace").decode() for text in said]
    path.parent.mkdir(parents=True, exist_ok=True)
    science = colour_science()
    table = science.LUT3D(colour_table(colour, light), title, comments=comments)
    science.io.write_LUT_IridasCube(table, str(path), decimals=6)
