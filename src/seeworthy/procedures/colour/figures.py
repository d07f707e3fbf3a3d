"""Pictures and figures of `colour`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from seeworthy.ground.results import Axis, Figure, Mark, Picture

if TYPE_CHECKING:
    from seeworthy.procedures.colour.measure import Colour
    from seeworthy.procedures.colour.plates import Compared, ShownPlate

_WIDEST = 1280  # px of the picture of evidence
_LETTERS = 0.6  # of the library's letters: about 13 px high
_OUTLINED = (((0, 0, 0), 5), ((255, 255, 255), 2))  # a dark line behind a bright one
TEST_PICTURE, REFERENCE_PICTURE = "cells_clip.png", "cells_reference.png"


def plain_pictures(test: ShownPlate, reference: ShownPlate | None) -> tuple[Picture, ...]:
    """Return the pictures as they were read, for a refusal."""
    from seeworthy.observe.evidence import encode

    made = [encode("clip.png", "What was filmed.", _paper(test.plate.linear)[0])]
    if reference is not None:
        made.append(encode("reference.png", "The reference.", _paper(reference.plate.linear)[0]))
    return tuple(made)


def pictures(found: Compared) -> tuple[Picture, ...]:
    """Return both pictures with the cells drawn in."""
    from seeworthy.observe.evidence import encode

    cells = found.cells
    test, scale = _paper(found.test.plate.linear)
    for name, disc in zip(found.names, cells.discs, strict=True):
        _ring(test, (disc.x, disc.y), disc.radius, scale, name)
    for x, y, reason in cells.lost:
        _lost(test, (x, y), scale, reason)
    said = "Cells compared (rings); crosses mark what was left out."
    made = [encode(TEST_PICTURE, f"The picture under test. {said}", test)]
    if found.reference is not None:
        other, scale = _paper(found.reference.plate.linear)
        for name, disc in zip(found.names, cells.discs, strict=True):
            _ring(other, disc.reference, disc.reference_radius, scale, name)
        made.append(encode(REFERENCE_PICTURE, "The reference with the same cells.", other))
    return tuple(made)


def _paper(linear: Any) -> tuple[Any, float]:
    """Return a picture to draw on (BGR, 8 bit sRGB, not too large), and its scale."""
    import cv2
    import numpy as np

    scale = min(1.0, _WIDEST / linear.shape[1])
    if scale < 1:
        linear = cv2.resize(linear, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray((coded_srgb(linear) * 255 + 0.5).astype(np.uint8)[..., ::-1]), scale


def coded_srgb(linear: Any) -> Any:
    """Return linear RGB coded as sRGB, clipped to 0..1."""
    import numpy as np

    from seeworthy.media.transfer import transfer_of

    return transfer_of(13).encode(np.clip(np.asarray(linear, float), 0, 1))


def _ring(drawn: Any, at: tuple[float, float], radius: float, scale: float, name: str) -> None:
    import cv2

    # Pixel centres at integers: the middle of a shrunk pixel moves by half the difference.
    x, y = ((v + 0.5) * scale - 0.5 for v in at)
    place, size = (round(x * 16), round(y * 16)), round(radius * scale * 16)
    (wide, high), _ = cv2.getTextSize(name, cv2.FONT_HERSHEY_SIMPLEX, _LETTERS, 2)
    room = radius * scale > wide  # else beside the ring
    corner = (round(x - wide / 2 if room else x + radius * scale + 4), round(y + high / 2))
    for colour, width in _OUTLINED:
        cv2.circle(drawn, place, size, colour, width, cv2.LINE_AA, 4)
        cv2.putText(
            drawn, name, corner, cv2.FONT_HERSHEY_SIMPLEX, _LETTERS, colour, width, cv2.LINE_AA
        )


def _lost(drawn: Any, at: tuple[float, float], scale: float, reason: str) -> None:
    import cv2

    from seeworthy.observe.evidence import ORANGE

    x, y = (round((v + 0.5) * scale - 0.5) for v in at)
    corner = (x + 13, y + 6)
    for colour, width in (_OUTLINED[0], (ORANGE, _OUTLINED[1][1])):
        cv2.line(drawn, (x - 9, y - 9), (x + 9, y + 9), colour, width, cv2.LINE_AA)
        cv2.line(drawn, (x - 9, y + 9), (x + 9, y - 9), colour, width, cv2.LINE_AA)
        cv2.putText(
            drawn, reason, corner, cv2.FONT_HERSHEY_SIMPLEX, _LETTERS, colour, width, cv2.LINE_AA
        )


def figures(found: Compared, colour: Colour) -> tuple[Figure, ...]:
    """Return the swatches and the chroma diagram."""
    return (_swatches(found, colour), _diagram(found, colour))


def _versions(found: Compared, colour: Colour) -> list[tuple[str, Any, Any]]:
    """Return (words, linear RGB, ΔE00 or None) of what is shown of each cell."""
    cells = found.cells
    shown = [
        ("reference", cells.reference, None),
        ("as recorded", cells.test, colour.per_cell["recorded"]),
        ("exposure matched", colour.gain * cells.test, colour.per_cell["matched"]),
    ]
    if colour.left_out is not None and colour.worth:
        shown.append(("corrected", colour.left_out, colour.per_cell["corrected"]))
    return shown


def _swatches(found: Compared, colour: Colour) -> Figure:
    columns: dict[str, list[Any]] = {
        "cell": [], "shown": [], "colour": [], "de00": [], "x_px": [], "y_px": [],
    }  # fmt: skip
    for words, linear, error in _versions(found, colour):
        codes = (coded_srgb(linear) * 255 + 0.5).astype(int)
        for i, name in enumerate(found.names):
            columns["cell"].append(name)
            columns["shown"].append(words)
            columns["colour"].append("#{:02x}{:02x}{:02x}".format(*codes[i]))
            columns["de00"].append(None if error is None else round(float(error[i]), 2))
            columns["x_px"].append(round(found.cells.discs[i].x, 1))
            columns["y_px"].append(round(found.cells.discs[i].y, 1))
    return Figure(
        "swatches",
        "Cells: reference and camera",
        "Each row is one object: the reference beside what the camera makes of it, with ΔE00.",
        columns,
        Axis("shown", ""),
        Axis("cell", "cell"),
        (Mark("swatches", y="de00", shade="colour", label="ΔE00"),),
    )


def _diagram(found: Compared, colour: Colour) -> Figure:
    from seeworthy.optics.colour import lab_of

    versions = [v for v in _versions(found, colour) if v[0] != "as recorded"]
    reference = lab_of(found.cells.reference)
    columns: dict[str, list[Any]] = {
        "a": [], "b": [], "from_a": [], "from_b": [], "shown": [], "cell": [],
    }  # fmt: skip
    for words, linear, _ in versions:
        lab = lab_of(linear)
        for i, name in enumerate(found.names):
            columns["a"].append(round(float(lab[i, 1]), 2))
            columns["b"].append(round(float(lab[i, 2]), 2))
            # One line per cell: from the reference to the camera.
            mine = words == "exposure matched"
            columns["from_a"].append(round(float(reference[i, 1]), 2) if mine else None)
            columns["from_b"].append(round(float(reference[i, 2]), 2) if mine else None)
            columns["shown"].append(words)
            columns["cell"].append(name)
    return Figure(
        "chroma",
        "Chroma diagram",
        "Points nearer to the middle than their reference are washed out; a common shift is white.",
        columns,
        Axis("a", "a* (green to red)", zero=True),
        Axis("b", "b* (blue to yellow)", zero=True),
        (Mark("links", y="b", low="from_a", high="from_b"), Mark("points", y="b", series="shown")),
        equal=True,
    )
