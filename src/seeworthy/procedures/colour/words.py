"""Sentences of `colour`: what to doubt, and what it means for a flyer."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from seeworthy.ground.digits import number, spread_of
from seeworthy.procedures.declare import Finding

if TYPE_CHECKING:
    from seeworthy.procedures.colour.measure import Colour, ColourValue
    from seeworthy.procedures.colour.plates import Compared

_SHIFTED = 0.008  # Δu'v' of a white that is plainly tinted
_TONE = 0.15  # of a slope of 1 (a judgement)
_FEW = 12  # as `measure.LEAST_FOR_MATRIX`


def findings(found: Compared, colour: Colour) -> dict[str, Any]:
    """Return what has no uncertainty of its own."""
    place = found.registration
    return {
        "cells": len(found.cells.discs),
        "left_out": dict(found.cells.left_out),
        "frames": found.test.frames,
        "registered_by": None if place is None else place.method,
        "registration_px": None if place is None or not place.matched else round(place.residual, 2),
        "parallax_px": None if place is None else round(found.cells.shift, 2),
        "reference_profile": None if found.reference is None else found.reference.profile,
        "exposure_gain_stops": round(_stops(colour.gain), 3),
        "matrix": None if colour.matrix is None else [[round(float(v), 4) for v in row]
                                                      for row in colour.matrix],
        "grey_cells": colour.neutrals,
        "de00_mean_white_balanced": round(colour.balanced, 2),
        "de00_mean_other_colours": [round(v, 2) for v in colour.other_colours],
        "tone_slope": round(colour.tone_slope, 3),
    }  # fmt: skip


def _stops(gain: float) -> float:
    return math.log2(gain)


# fmt: off
MEANINGS = (
    Finding("cells", "", "Evenly coloured places that were compared."),
    Finding("left_out", "", "Cells that were left out, by reason."),
    Finding("frames", "", "Frames that were averaged."),
    Finding("tone", "", "Where the tone curve comes from that was undone."),
    Finding("registered_by", "", "How the reference was laid on the clip."),
    Finding("registration_px", "px", "How well the features agree, rms."),
    Finding("parallax_px", "px",
            "How far cells were from where a flat scene would have them, typically."),
    Finding("reference_profile", "", "Colour profile of the reference."),
    Finding("exposure_gain_stops", "stops", "Exposure that matches the clip to the reference."),
    Finding("matrix", "", "Best 3×3 in linear light, after the exposure match."),
    Finding("grey_cells", "", "Grey cells that the white shift comes from; 0: from the matrix."),
    Finding("de00_mean_white_balanced", "", "Mean ΔE00 with one gain per channel."),
    Finding("de00_mean_other_colours", "",
            "95 % interval of the mean ΔE00 for other colours like these."),
    Finding("tone_slope", "",
            "Power of the camera's light over the reference's; 1 is as the file says."),
)
# fmt: on


def doubts(found: Compared, colour: Colour) -> list[str]:
    """Return what a reader must know before using the figures."""
    said = [*found.said, *found.test.said, *(found.reference.said if found.reference else ())]
    said.extend(_left_out(found))
    n = len(found.cells.discs)
    if n < _FEW:
        said.append(
            f"Only {n} cells were compared: no matrix is fitted under {_FEW}. Use more objects."
        )
    said.extend(_light(colour))
    if colour.matrix is not None and not colour.worth:
        said.append(
            "A 3×3 matrix would not bring colours it has not seen nearer to the reference; "
            "no correction is given."
        )
    if abs(colour.tone_slope - 1) > max(_TONE, 2 * colour.u_tone_slope):
        said.append(
            f"Light goes with the power {colour.tone_slope:.2f} of the reference's: the camera's "
            "tone curve is not the one its file names, or stray light lifts the darks. A matrix "
            "cannot mend that."
        )
    if colour.matrix is not None and colour.neutrals == 0:
        said.append("No grey object was seen: the white shift comes from the matrix.")
    return said


def _left_out(found: Compared) -> list[str]:
    words = {
        "clipped": "were clipped (too bright or too strongly coloured)",
        "moved": "were not found again: moved, taken away or covered",
        "uneven": "were not even on both pictures",
        "out of the picture": "leave the picture",
    }
    return [
        f"{count} cell{'s' if count > 1 else ''} {words.get(reason, reason)} and left out."
        for reason, count in found.cells.left_out.items()
        if count
    ]


def _light(colour: Colour) -> list[str]:
    """Say when white is plainly tinted."""
    white = colour.figures.get("white_shift")
    matched = float(colour.per_cell["matched"].mean())
    if white is None or white.low < _SHIFTED:
        return []
    if colour.balanced >= matched:  # a gain that mends nothing is no ground to blame one
        return [
            f"White is shifted by Δu'v' {_said(white)}, but a gain per channel does not mend "
            f"the colours (mean ΔE00 {matched:.1f} before, {colour.balanced:.1f} after): neither "
            "the light nor the white balance explains them."
        ]
    return [
        f"White is shifted by Δu'v' {_said(white)}, in all cells alike (a gain per channel "
        f"brings the mean ΔE00 from {matched:.1f} to {colour.balanced:.1f}): the light was another "
        "one for the reference, or the camera's white balance is off. One take cannot tell which; "
        "film both in the same light."
    ]


def sentence(colour: Colour) -> str:
    """Say in one sentence what it means for a flyer."""
    recorded = colour.figures["de00_mean"].value
    how = (
        "hard to tell from the reference" if recorded < 2
        else "near the reference" if recorded < 5
        else "plainly off" if recorded < 10
        else "far off"
    )  # fmt: skip
    parts = [f"Colours are {how} (mean ΔE00 {_said(colour.figures['de00_mean'])})"]
    ratio = colour.figures["chroma_ratio"].value
    strength = _said(colour.figures["chroma_ratio"], 100)
    if ratio < 0.9:
        parts.append(f"washed out to {strength} % of their strength")
    elif ratio > 1.1:
        parts.append(f"oversaturated to {strength} %")
    corrected = colour.figures.get("de00_mean_corrected")
    if colour.worth and corrected is not None:
        parts.append(f"and correction in post leaves {_said(corrected)}")
    return ", ".join(parts) + "."


def _said(found: ColourValue, scale: float = 1.0) -> str:
    """Write a value to the digits that its interval earns."""
    return number(scale * found.value, scale * spread_of(found.low, found.high, found.u))
