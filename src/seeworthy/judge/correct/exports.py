"""Corrections as files that other programs read: LUT, gain map, description of the lens."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TypeVar

from seeworthy.ground.errors import Conflict, WrongCall
from seeworthy.judge.correct.data import ColourData, Corrections, LensData, ShadingData
from seeworthy.judge.correct.gain import gain_field, write_gain_png
from seeworthy.judge.correct.lut import write_cube
from seeworthy.judge.correct.undistort import plan_undistortion
from seeworthy.media.frames import ColourTags, FrameView, Observer, Stage, watch
from seeworthy.media.light import light, light_of
from seeworthy.media.source import Source

_VIDEO = ColourTags("full", 1, 1, 1)
Data = TypeVar("Data", LensData, ShadingData, ColourData)


def write_lut(given: Corrections, path: Path, clip: Path | None, *, force: bool = False) -> str:
    """Write the colour correction as a ``.cube`` LUT of 33³ entries and say what for.

    Args:
        clip: A clip whose tone curve it is for; BT.709 when left out.
        force: Replace a file of that name.

    Raises:
        WrongCall: There is no colour correction.
        Conflict: The file exists.
    """
    colour, stage = _ready(given.colour, "colour", "make a LUT of", path, clip, force)
    how = light(_VIDEO, 8) if stage is None else light_of(stage)
    write_cube(colour, how, "Colour correction", path)
    return f"LUT of 33³ entries for clips with the tone curve {how.transfer}, {colour.origin}."


def write_gain(given: Corrections, path: Path, clip: Path | None, *, force: bool = False) -> str:
    """Write the gain map as a 16-bit PNG and say its scale.

    The size is that of the clip, or of the frame that was measured.

    Raises:
        WrongCall, Conflict
    """
    shading, stage = _ready(given.shading, "shading", "make a gain map of", path, clip, force)
    size = shading.size if stage is None else (stage.width, stage.height)
    scale = write_gain_png(gain_field(shading, size), path)
    return (
        f"Gain map of {size[0]}×{size[1]}, gain = count / {scale:g} in linear light, "
        f"{shading.origin}."
    )


def write_lens_map(
    given: Corrections,
    path: Path,
    clip: Path | None,
    *,
    keep_all: bool = False,
    force: bool = False,
) -> str:
    """Write how the picture is straightened, as JSON.

    Raises:
        WrongCall, Conflict
    """
    lens, stage = _ready(given.lens, "lens", "straighten with", path, clip, force)
    size = lens.size if stage is None else (stage.width, stage.height)
    plan = plan_undistortion(lens, size, keep_all)
    told = {**plan.to_json(), "from": str(lens.origin)}
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(told, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return f"How the picture is straightened, {plan.hfov:.1f}° from side to side."


def _ready(
    found: Data | None, kind: str, use: str, path: Path, clip: Path | None, force: bool
) -> tuple[Data, Stage | None]:
    """Return the correction, and the geometry of the clip that it is written for."""
    if found is None:
        raise WrongCall(
            f"There is no {kind} result to {use}.",
            f"Measure `{kind}` first, or name a result with --{kind} FILE.json.",
        )
    if path.exists() and not force:
        raise Conflict(
            f"'{path}' exists already.", "Name another file, or replace it with --force."
        )
    if clip is None:
        return found, None
    seen = _FirstStage()
    watch(Source.of(clip), [seen])
    return found, seen.stage


class _FirstStage(Observer):
    """Observer that wants the geometry only."""

    stage: Stage | None = None

    def begin(self, stage: Stage) -> None:
        """Keep it."""
        self.stage = stage

    def frame(self, view: FrameView) -> bool:
        """Leave."""
        return False
