"""Regions that a user marks: ``x,y,w,h`` in px of the file's own picture."""

from __future__ import annotations

from seeworthy.ground.errors import WrongCall

Box = tuple[int, int, int, int]

LEAST_SIDE = 10
"""Least width and height of a patch, px."""


def marked_box(
    text: str, shape: tuple[int, int] | None = None, name: str = "region", least: int = LEAST_SIDE
) -> Box:
    """Read ``x,y,w,h`` as typed.

    Args:
        shape: (height, width). Of the picture that must hold it.
        name: Of the option.
        least: Least width and height, px.

    Raises:
        WrongCall: Not four whole numbers, too small, or outside the frame.
    """
    try:
        x, y, w, h = (int(part) for part in text.split(","))
    except ValueError:
        x = y = w = h = -1
    if min(x, y) < 0 or min(w, h) < least:
        raise WrongCall(
            f"'{text}' is not a {name}.", f"Write --option {name}=x,y,width,height in whole px."
        )
    if shape is not None and (x + w > shape[1] or y + h > shape[0]):
        raise WrongCall(
            f"The {name} {text} leaves the picture of {shape[1]}×{shape[0]} px.",
            "Give it in px of the file's own picture.",
        )
    return x, y, w, h
