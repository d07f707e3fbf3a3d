"""Run of `native`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import expanded, number, spread_of
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Outcome, Picture, Result, result
from seeworthy.observe.evidence import canvas, encode
from seeworthy.observe.key_frames import KeyFrames
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.native.figures import figures
from seeworthy.procedures.native.measure import AxisAnswer, Native, measure_native


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Keep key frames of the clip."""
    return [Watch(inputs.file(), KeyFrames())]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return the native size along each axis that tells it."""
    watcher: KeyFrames = seen.watches[0].observer  # type: ignore[assignment]
    pictures, steps = _eight_bits(watcher)
    try:
        found = measure_native(pictures, steps)
    except CannotMeasure as error:
        shown = tuple(_picture(p) for p in pictures[:1])
        raise CannotMeasure(error.message, error.hint, shown) from None
    return Outcome(
        tuple(_results(found)),
        _findings(found),
        _warnings(found, coarse=steps[0] is None),
        (_picture(pictures[0]),),
        figures(found),
        sentence=_sentence(found),
    )


def _eight_bits(watcher: KeyFrames) -> tuple[list[Any], list[Any]]:
    """Return luma in 8-bit code values; the quantiser's steps are in these already."""
    deep = watcher.stage.bits - 8 if watcher.stage is not None else 0
    pictures = [k.luma if deep <= 0 else k.luma.astype("float32") / 2**deep for k in watcher.kept]
    # Only 8-bit H.264 has its quantiser on the scale that `media.quantiser` states.
    return pictures, [k.steps if deep <= 0 else None for k in watcher.kept]


def _axes(found: Native) -> tuple[tuple[str, str, AxisAnswer], ...]:
    return ("native_width", "across", found.across), ("native_height", "down", found.down)


def _results(found: Native) -> list[Result]:
    return [
        result(
            name, axis.native, n=found.pictures, interval=axis.interval, budget=_budget(axis),
            conditions={"enlarged": axis.answer}, evidence=["picture.png"],
        )
        for name, _, axis in _axes(found)
        if axis.native is not None
    ]  # fmt: skip


def _budget(axis: AxisAnswer) -> tuple[Component, ...]:
    enlarged = axis.answer == "yes"
    name = "whole pixels, and raster corners that may coincide"
    return (
        Component(
            name if enlarged else "from what the detail needs up to the frame's own size",
            axis.u or 0.0, "px", distribution="rectangular",
            source="judgement: ± 1 px" if enlarged else "the finest detail that is seen",
        ),
    )  # fmt: skip


def _findings(found: Native) -> dict[str, Any]:
    said: dict[str, Any] = {"upscaled": found.upscaled}
    for _, word, axis in _axes(found):
        said[f"upscaled_{word}"] = axis.answer
        said[f"marks_{word}"] = [
            {
                "size_px": c.size,
                "strength": round(c.strength, 1),
                "coherence": round(c.tie.coherence, 3),
                "like_blocks": c.blocks,
            }
            for c in axis.candidates
        ]
    said["key_frames"] = found.pictures
    return said


def _warnings(found: Native, *, coarse: bool) -> tuple[str, ...]:
    said = [f"Pixels {word}: {axis.why}" for _, word, axis in _axes(found) if axis.why]
    if coarse and said:
        said.append(
            "This kind of file does not tell how coarsely it was coded, so sizes at sixteenths "
            "of the frame cannot be told from the marks of the coder's blocks."
        )
    return tuple(said)


def _wide(axis: AxisAnswer) -> float:
    """Return the half width of the interval; where there is none a digit of a pixel is enough."""
    return spread_of(*axis.interval, axis.u or 0.0) if axis.interval else expanded(axis.u or 0.0)


def _sentence(found: Native) -> str:
    across, down = found.across, found.down
    if found.upscaled == "no" and across.interval and down.interval:
        least = f"{across.interval[0]:.0f}×{down.interval[0]:.0f}"
        return (
            f"The {across.delivered}×{down.delivered} picture is not enlarged: its detail needs at "
            f"least {least} pixels."
        )
    if found.upscaled == "undecided":
        return (
            "Whether the picture was enlarged cannot be told from this clip; film fine detail in "
            "good light, in focus, at the highest bit rate."
        )
    told = [
        f"{number(axis.native, max(_wide(axis), 10.0))} of {axis.delivered} pixels {word}"
        for _, word, axis in _axes(found)
        if axis.answer == "yes" and axis.native is not None
    ]
    rest = [
        f"{word} it is {'not enlarged' if axis.answer == 'no' else 'undecided'}"
        for _, word, axis in _axes(found)
        if axis.answer != "yes"
    ]
    also = f"; {rest[0]}" if rest else ""
    return f"The picture is enlarged: the camera took {' and '.join(told)}{also}."


def _picture(luma: Any) -> Picture:
    return encode("picture.png", "One of the key frames that were looked at.", canvas(luma))
