"""Stamp: is a date, a time or a mark burned into the picture?"""

from __future__ import annotations

from seeworthy.procedures.declare import Files, Finding, Procedure, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="stamp",
    title="Date stamp",
    question="Is a date, a time or a mark burned into the picture?",
    version=3,
    yields=(),
    order=40,
    findings=(
        Finding("stamp_present", "", "Something is burned into the picture.",
                title="date stamp in the picture", better="none", claimed=True),
        Finding("stamp_box", "px", "Where: left, top, width and height in px, of the largest."),
        Finding("stamp_area_share", "", "Share of the frame that it covers, all boxes together."),
        Finding("stamp_position", "", "Where, in words."),
        Finding("stamp_changes", "",
                "Part of it was seen to change, as the digits of a clock do; in a short clip "
                "they may not."),
        Finding("stamp_count", "", "How many separate ones."),
        Finding("stamp_boxes", "", "All of them, when there are several."),
        Finding("caption_present", "",
                "Words come and go low in the picture, as subtitles do: they are no stamp."),
        Finding("caption_box", "px", "Where: left, top, width and height in px."),
        Finding("held_in_view", "",
                "Something that stands still with the camera is in view: nose, strut, guard. It "
                "is not a stamp."),
        Finding("black_bars", "px", "Black bars at the top, bottom, left and right, px."),
        Finding("views", "", "Views of the moving scene that were compared."),
    ),
    files=(Files("", ("clip",), "A clip in which the whole scene moves."),),
    steps=(
        Step("Switch the camera's date stamp off in its menu, if it has one."),
        Step("Film ten seconds while walking or turning, over ground with detail."),
        Step("See that nothing of the aircraft is in view, if it can be helped."),
    ),
    kit=("the camera",),
    whole_pictures=True,
    setup="any clip",
    minutes=2.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
    look=True,
)
# fmt: on
