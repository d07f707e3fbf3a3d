"""Run of `stamp`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome, Picture
from seeworthy.observe.evidence import BLUE, VERMILION, canvas, draw_outline, encode
from seeworthy.observe.stamp_sums import StampSums
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.stamp.lines import Box
from seeworthy.procedures.stamp.measure import StampFound, find_stamp


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Sum signed gradients over a few dozen frames."""
    return [Watch(inputs.file(), StampSums())]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Say whether something is burned in, where, and whether it changes."""
    sums: StampSums = seen.watches[0].observer  # type: ignore[assignment]
    try:
        found = find_stamp(sums)
    except CannotMeasure as error:
        pictures = () if sums.picture is None else (_picture(sums, None),)
        raise CannotMeasure(error.message, error.hint, pictures) from None
    if not found.stamps and found.painted and found.caption is None:
        raise CannotMeasure(
            "Cannot tell whether there is a stamp: there is lettering, but it stands on something "
            "that is in view all the time and may be painted on it.",
            "Film again with nothing of the aircraft in view.",
            (_picture(sums, found),),
        )
    return Outcome(
        findings=_findings(found, sums),
        warnings=_doubts(found),
        pictures=(_picture(sums, found),),
        sentence=_sentence(found, sums),
    )


def _findings(found: StampFound, sums: StampSums) -> dict[str, Any]:
    main = found.stamps[0] if found.stamps else None
    findings: dict[str, Any] = {
        "stamp_present": main is not None,
        "stamp_box": None if main is None else [v * sums.shrink for v in main.box],
        "stamp_area_share": round(found.share, 5),
        "stamp_position": None if main is None else _position(main.box, sums),
        "stamp_changes": None if main is None else main.changes,
        "stamp_count": len(found.stamps),
        "caption_present": found.caption is not None,
        "caption_box": None
        if found.caption is None
        else [v * sums.shrink for v in found.caption.box],
        "held_in_view": found.held,
        "black_bars": None if not any(found.bars) else [v * sums.shrink for v in found.bars],
        "views": found.views,
    }
    if len(found.stamps) > 1:
        findings["stamp_boxes"] = [[v * sums.shrink for v in s.box] for s in found.stamps]
    return findings


def _position(box: Box, sums: StampSums) -> str:
    h, w = sums.x.shape
    x, y = (box[0] + box[2] / 2) / w, (box[1] + box[3] / 2) / h
    across = "left" if x < 0.4 else "right" if x > 0.6 else ""
    down = "top" if y < 1 / 3 else "bottom" if y > 2 / 3 else ""
    return f"{down} {across}".strip() or "centre"


def _doubts(found: StampFound) -> tuple[str, ...]:
    if found.stamps and found.painted:
        return (
            "More lettering stands on something that is in view all the time; it may be paint.",
        )
    return ()


def _sentence(found: StampFound, sums: StampSums) -> str:
    bars = " Black bars take part of the frame." if any(found.bars) else ""
    if found.caption is not None:
        bars = f" Captions come and go low in the picture; they are no stamp.{bars}"
    if not found.stamps:
        what = "No stamp is" if found.caption is not None else "Nothing is"
        return f"{what} burned into the picture.{bars}"
    main = found.stamps[0]
    what = {"lettering": "Lettering", "mark": "A mark"}[main.kind]
    moving = ", and it changes as a clock does" if main.changes else ""
    return (
        f"{what} is burned into the picture at the {_position(main.box, sums)}{moving}; "
        f"it covers {100 * found.share:.1f} % of the frame.{bars}"
    )


def _picture(sums: StampSums, found: StampFound | None) -> Picture:
    assert sums.picture is not None
    drawn = canvas(sums.picture)
    if found is None:
        return encode("stamp.png", "A frame of the clip; what moves in it was not enough.", drawn)
    for stamp in found.stamps:
        _draw(drawn, stamp.box, VERMILION)
    for stamp in found.painted:
        _draw(drawn, stamp.box, BLUE)
    if found.caption is not None:
        _draw(drawn, found.caption.box, BLUE)
    if found.stamps:
        caption = "The box holds what is burned in; it was the same in every view."
    elif found.caption is not None:
        caption = "The box holds captions: words that come and go, no stamp."
    elif found.painted:
        caption = "The lettering, on something that is in view all the time."
    else:
        caption = f"A frame of the clip; over {found.views} views nothing that is burned in showed."
    return encode("stamp.png", caption, drawn)


def _draw(drawn: Any, box: Box, colour: tuple[int, int, int]) -> None:
    x, y, w, h = box
    a, b, c, d = x - 4, y - 4, x + w + 3, y + h + 3
    draw_outline(drawn, [(a, b), (c, b), (c, d), (a, d)], colour)
