"""From kept frames to noise per grey level: shared by `noise` and `low-light`."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.light import Light
from seeworthy.observe.grey_patches import GreyPatch
from seeworthy.observe.marked import Box
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.procedures.noise.coding import CODED, REPEATED, least_loss
from seeworthy.procedures.noise.measure import LEAST_FRAMES, NoiseLevel, measure_level
from seeworthy.procedures.noise.scene import choose_tiles, motion_between, pool

LUMINANCE = "luminance"
CHANNELS = ("red", "green", "blue")
_SHIFT = 0.5  # px: half a pixel already turns edges into noise (a judgement)
_CHANGED = 0.5  # of the tiles (a judgement)


@dataclass(frozen=True)
class Levels:
    """What was measured on every patch.

    Attributes:
        by_channel: ``luminance`` first; red, green and blue where the file has colour.
        boxes: list of (x, y, w, h). Where the levels of luminance are, for the evidence picture.
        refused: Patches that were left out, and why.
    """

    by_channel: dict[str, list[NoiseLevel]] = field(default_factory=dict)
    boxes: list[Box] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)

    @property
    def luminance(self) -> list[NoiseLevel]:
        """Levels of the luma plane."""
        return self.by_channel[LUMINANCE]


def check_frames(watcher: NoiseFrames) -> None:
    """Refuse a clip that is too short.

    Raises:
        CannotMeasure: With how many frames there are.
    """
    if watcher.repeated and watcher.all_alike():
        raise CannotMeasure(
            "The clip repeats the same picture to the last bit: it carries no noise over time.",
            "Use the camera's own file, not a converted copy, with denoising off if it can be.",
        )
    if watcher.count >= LEAST_FRAMES:
        return
    raise CannotMeasure(
        f"Noise needs {LEAST_FRAMES} frames at least; the clip has {watcher.count} that can be "
        "used.",
        "Record ten seconds of the still scene.",
    )


def check_still(watcher: NoiseFrames) -> None:
    """Refuse a moving scene.

    Raises:
        CannotMeasure: With how far it moved.
    """
    half = watcher.count // 2
    moved = motion_between(watcher.mean(0, half), watcher.mean(half))
    if moved.shift > _SHIFT or moved.changed > _CHANGED:
        what = (
            f"the picture shifts by {moved.shift:.1f} px"
            if moved.shift > _SHIFT
            else f"{100 * moved.changed:.0f} % of it changes"
        )
        raise CannotMeasure(
            f"The scene does not stand still: {what} from the first frames to the last.",
            "Put the camera on a tripod, touch nothing, and film something that does not move.",
        )


def limits_of(watcher: NoiseFrames, light: Light) -> tuple[float, float]:
    """Return the light at and beyond which noise is cut off.

    A camera that lets noise swing below black cuts at the lowest code, others at black.
    """
    lowest = min(int(frame.luma[::2, ::2].min()) for frame in watcher.kept[::4])
    floor = light.black if lowest >= light.black - 1 else 0
    return float(light.linear([floor])[0]), float(light.linear([light.white - 1])[0])


def step_at(light: Light, signal: float) -> float:
    """Return how much linear light one code value spans at a level."""
    code = float(light.encode([signal])[0])
    ends = light.linear([code + 0.5, code - 0.5])
    return float(ends[0] - ends[1])


def of_patches(watcher: NoiseFrames, light: Light, patches: Sequence[GreyPatch]) -> Levels:
    """Measure every patch, in luminance and in each colour channel.

    Raises:
        CannotMeasure: None of them can be measured.
    """
    limits = limits_of(watcher, light)
    found = Levels({LUMINANCE: []})
    coloured = _coloured(watcher)
    reason = ""
    for patch in patches:
        try:
            level = _luminance(patch.name, patch.box, watcher, light, limits)
        except CannotMeasure as error:
            found.refused[patch.name] = error.message
            reason = reason or error.reason
            continue
        found.luminance.append(_known(level, patch))
        found.boxes.append(patch.box)
        if not coloured:
            continue
        rgb = watcher.rgb(patch.box, light)
        for i, channel in enumerate(CHANNELS):
            try:
                one = measure_level(patch.name, rgb[..., i], None, watcher.numbers, step=level.step)
            except CannotMeasure:  # a channel that is clipped where luminance is not
                continue
            found.by_channel.setdefault(channel, []).append(_known(one, patch))
    if not found.luminance:
        why = next(iter(found.refused.values()), "There is no patch in the picture.")
        raise CannotMeasure(
            f"None of the patches can be used. {why}",
            "Expose so that the middle greys are mid-grey, and fill the frame with the scale.",
            reason=reason,
        )
    return found


def _luminance(
    name: str, box: Box, watcher: NoiseFrames, light: Light, limits: tuple[float, float]
) -> NoiseLevel:
    codes = watcher.luma(box)
    linear = light.linear(codes)
    step = step_at(light, float(linear.mean()))
    return measure_level(
        name, linear, codes, watcher.numbers, limits=limits, step=step, corner=box[:2]
    )


def _known(level: NoiseLevel, patch: GreyPatch) -> NoiseLevel:
    return replace(level, reflectance=patch.reflectance, u_reflectance=patch.u_reflectance)


def of_scene(watcher: NoiseFrames, light: Light) -> Levels:
    """Measure a still scene without known patches, by tiles of like brightness.

    Raises:
        CannotMeasure: Nothing in it is flat, still and unclipped.
    """
    limits = limits_of(watcher, light)
    found = Levels({LUMINANCE: []})
    mean = light.linear(watcher.mean())
    for boxes in choose_tiles(mean, limits):
        tiles = []
        for box in boxes:
            try:
                tiles.append(_luminance("tile", box, watcher, light, limits))
            except CannotMeasure as error:
                found.refused.setdefault("some tiles", error.message)
        level = pool(tiles, f"{len(found.luminance) + 1}")
        if level is not None:
            found.luminance.append(level)
            found.boxes.extend(boxes)
    if not found.luminance:
        raise CannotMeasure(
            "Nothing in the picture is flat, still and between black and white.",
            "Film a grey step scale (seeworthy target greys), or an evenly lit grey surface.",
        )
    return found


def is_even(levels: Levels) -> bool:
    """Tell whether the scene is one even surface: only then its pattern is the camera's."""
    signals = [level.signal for level in levels.luminance]
    return max(signals) < 2.5 * min(signals)


def _coloured(watcher: NoiseFrames) -> bool:
    first: Any = watcher.kept[0]
    if first.chroma is None:
        return False
    return any(bool((plane != plane.flat[0]).any()) for plane in first.chroma)


@dataclass(frozen=True, slots=True)
class NoiseTrouble:
    """What stands between the sensor's noise and the figures.

    Attributes:
        neighbours, repeated, frozen, smear, flicker, bands, sparse: Median over the levels; see
            `NoiseLevel`.
    """

    neighbours: float
    repeated: float
    frozen: float
    smear: float
    flicker: float
    bands: float
    sparse: float

    @property
    def coded(self) -> bool:
        """Whether an encoder took noise away."""
        return self.sparse > CODED or self.repeated > REPEATED

    @property
    def filtered(self) -> bool:
        """Whether noise is tied over time or space beyond what an encoder would explain."""
        return self.neighbours < 0.95 or self.smear > 0.1

    @property
    def loss(self) -> float:
        """Decibels that coding took at least."""
        return least_loss(self.sparse)


def trouble_of(levels: Sequence[NoiseLevel]) -> NoiseTrouble:
    """Return the median over all levels."""

    def middle(name: str) -> float:
        return float(statistics.median(getattr(level, name) for level in levels))

    return NoiseTrouble(*(middle(name) for name in NoiseTrouble.__slots__))


def doubts(trouble: NoiseTrouble, keys: int, frames: int) -> list[str]:
    """Say in sentences what was found between sensor and file."""
    said = []
    if trouble.coded:
        said.append(
            f"The encoder took noise away, {trouble.loss:.1f} dB at least: the figures are noise "
            "as delivered in the file (from frames far apart, so that repeated blocks do not "
            "hide it), and the sensor's own SNR is lower by that much or more."
        )
    if trouble.filtered:
        said.append(
            f"Between neighbouring frames there is {100 * trouble.neighbours:.0f} % of the noise "
            f"of frames far apart, and neighbouring pixels share it by {trouble.smear:.2f}: the "
            "camera denoises, or its encoder repeats blocks."
        )
    if keys < 2 and trouble.repeated > REPEATED:
        said.append(
            "The clip has one key frame only, so that still areas were never coded anew: record "
            "ten seconds or more."
        )
    if trouble.flicker > 0.003:
        said.append(
            f"The light flickers by {100 * trouble.flicker:.1f} % (rms) from frame to frame; "
            "that is the lamp, or the exposure, and is not counted as noise."
        )
    if trouble.bands > 0.003:
        said.append(
            f"Rows brighten and darken together by {100 * trouble.bands:.1f} % (rms), as under a "
            "flickering lamp; not counted as noise."
        )
    if frames < 16:
        said.append(f"Only {frames} frames could be used; ten seconds make it more certain.")
    return said
