"""Corrections as files that other programs read: LUT, gain map, description of the lens."""

from __future__ import annotations

import json
from pathlib import Path

from seeworthy.ground.errors import Conflict, WrongCall
from seeworthy.judge.correct.data import Corrections
from seeworthy.judge.correct.gain import gain_field, write_gain_png
from seeworthy.judge.correct.lut import write_cube
from seeworthy.judge.correct.undistort import plan_undistortion
from seeworthy.media.frames import ColourTags, FrameView, Observer, Stage, watch
from seeworthy.media.light import light, light_of
from seeworthy.media.source import Source

_VIDEO = ColourTags("full", 1, 1, 1)


def write_lut(given: Corrections, path: Path, clip: Path | None, *, force: bool = False) -> str:
    """Write the colour correction as a ``.cube`` LUT of 33³ entries and say what for.

    Args:
        clip: A clip whose tone curve it is for; BT.709 when left out.
        force: Replace a file of that name.

    Raises:
        WrongCall: There is no colour correction.
        Conflict: The file exists.
    """
    if given.colour is None:
        raise WrongCall(
            "There is no colour result to make a LUT of.",
            "Measure `colour` first, or name a result with --colour FILE.json.",
        )
    _free(path, force)
    stage = _stage(clip)
    how = light(_VIDEO, 8) if stage is None else light_of(stage)
    write_cube(given.colour, how, "Colour correction", path)
    return (
        f"LUT of 33³ entries for clips with the tone curve {how.transfer}, {given.colour.origin}."
    )


def write_gain(given: Corrections, path: Path, clip: Path | None, *, force: bool = False) -> str:
    """Write the gain map as a 16-bit PNG and say its scale.

    The size is that of the clip, or of the frame that was measured.

    Raises:
        WrongCall, Conflict
    """
    if given.shading is None:
        raise WrongCall(
            "There is no shading result to make a gain map of.",
            "Measure `shading` first, or name a result with --shading FILE.json.",
        )
    _free(path, force)
    stage = _stage(clip)
    size = given.shading.size if stage is None else (stage.width, stage.height)
    scale = write_gain_png(gain_field(given.shading, size), path)
    return (
        f"Gain map of {size[0]}×{size[1]}, gain = count / {scale:g} in linear light, "
        f"{given.shading.origin}."
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
    if given.lens is None:
        raise WrongCall(
            "There is no lens result to straighten with.",
            "Measure `lens` first, or name a result with --lens FILE.json.",
        )
    _free(path, force)
    stage = _stage(clip)
    size = given.lens.size if stage is None else (stage.width, stage.height)
    plan = plan_undistortion(given.lens, size, keep_all)
    told = {**plan.to_json(), "from": str(given.lens.origin)}
    text = json.dumps(told, indent=2, ensure_ascii=False)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text + "\n", encoding="utf-8")
    return f"How the picture is straightened, {plan.hfov:.1f}° from side to side."


def _free(path: Path, force: bool) -> None:
    if path.exists() and not force:
        raise Conflict(
            f"'{path}' exists already.", "Name another file, or replace it with --force."
        )


class _FirstStage(Observer):
    """Observer that wants the geometry only."""

    stage: Stage | None = None

    def begin(self, stage: Stage) -> None:
        """Keep it."""
        self.stage = stage

    def frame(self, view: FrameView) -> bool:
        """Leave."""
        return False


def _stage(clip: Path | None) -> Stage | None:
    if clip is None:
        return None
    seen = _FirstStage()
    watch(Source.of(clip), [seen])
    return seen.stage
