"""From the files of a `colour` take to pictures in linear light and to cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from seeworthy.ground.errors import CannotMeasure, UnreadableInput, WrongCall
from seeworthy.media.glimpse import sniff
from seeworthy.media.icc import through_profile
from seeworthy.media.patches import Patches, read_patches
from seeworthy.media.source import Source
from seeworthy.media.stills import Still, read_still
from seeworthy.media.transfer import transfer_of
from seeworthy.observe.colour_mean import BLOCK, SteadyColour
from seeworthy.observe.marked import marked_box
from seeworthy.optics.colour import WHITE_D50, WHITE_D65, adapt, rgb_of, xyz_of_lab
from seeworthy.procedures.colour.cells import Cells, Plate, find_cells
from seeworthy.procedures.colour.figures import plain_pictures
from seeworthy.procedures.colour.marked import marked_cells, patch_cells
from seeworthy.procedures.colour.measure import ColourPairs, coding, combine
from seeworthy.procedures.colour.register import Registration, coded, register
from seeworthy.procedures.declare import Inputs

# Standard uncertainties in the coded signal, 0 to 1, of red, green and blue. An encoder moves
# whole cells by parts of a step of its two chroma planes, and all cells together by less
# (found in rendered clips, `docs/accuracy/colour.md`); a still's noise evens out its steps.
Steps = tuple[float, float, float]
CODED: Steps = (0.37 / 255, 0.15 / 255, 0.44 / 255)
CODED_TOGETHER: Steps = (0.12 / 255, 0.06 / 255, 0.16 / 255)
STEPPED: Steps = (0.1 / 255,) * 3
DEEP: Steps = (0.02 / 255,) * 3
COARSE: Steps = (1.0 / 255,) * 3  # a profile that had to be evaluated in 8 bits
_JPEG = b"\xff\xd8"
U_PLACE = 0.5  # px: how well a cell's place is known
U_PATCH = 0.01  # of a known value: patches differ, and are measured to about that


@dataclass
class ShownPlate:
    """One picture, how it came about, and what had to be assumed.

    Attributes:
        u_coded, u_together: (red, green, blue)
        blocks: array (frames, rows, columns, 3) or None
    """

    plate: Plate
    u_coded: Steps
    u_together: Steps = (0.0, 0.0, 0.0)
    said: list[str] = field(default_factory=list)
    blocks: Any = None
    frames: int = 1
    profile: str = ""


@dataclass(frozen=True)
class Compared:
    """Everything that the cells came from.

    Attributes:
        test, reference: No reference picture where patches were known.
        names: What the cells are called.
        method: ``scene``, ``marked cells`` or ``patches``.
    """

    test: ShownPlate
    reference: ShownPlate | None
    cells: Cells
    registration: Registration | None
    names: tuple[str, ...]
    method: str
    said: tuple[str, ...] = ()


def is_still(source: Source) -> bool:
    """Tell whether a file is a still, by its content."""
    return sniff(source.path) == "still"


def from_clip(watcher: SteadyColour) -> ShownPlate:
    """Return the mean picture of a clip.

    Raises:
        CannotMeasure: No whole frame, or no colour stored.
    """
    if watcher.linear is None or watcher.light is None or watcher.stage is None:
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    if watcher.grey:
        raise CannotMeasure(
            "The clip has no colour: it stores brightness only.",
            "Switch the camera from black-and-white or night mode to colour and film again.",
        )
    top, bottom = (float(watcher.light.decode_signal(v)) for v in (0.985, 0.004))
    clipped = (watcher.linear.max(axis=2) >= top) | (watcher.linear.min(axis=2) <= bottom)
    said = list(watcher.light.assumptions)
    if watcher.stage.tags.primaries not in (None, 1, 2):
        said.append("The clip is tagged with other primaries than BT.709; BT.709 was taken.")
    frames = 0 if watcher.blocks is None else len(watcher.blocks)
    plate = Plate(watcher.linear, clipped)
    return ShownPlate(plate, CODED, CODED_TOGETHER, said, watcher.blocks, frames)


def from_still(source: Source) -> ShownPlate:
    """Return a still through its profile, in linear light of the BT.709 primaries."""
    still = read_still(source)
    if still.grey:
        raise CannotMeasure(
            f"'{source.name}' has no colour: it stores brightness only.",
            "Take the picture in colour.",
        )
    u, together = (DEEP if still.bits == 16 else STEPPED), (0.0, 0.0, 0.0)
    if source.path.read_bytes()[:2] == _JPEG:
        u, together = CODED, CODED_TOGETHER
    said = []
    if still.profile is None or "srgb" in still.profile_name.lower():
        linear = still.linear_rgb()
        if still.light.assumptions:
            said.append(f"'{source.name}' has no colour profile; sRGB was assumed.")
    else:
        colours = through_profile(still)
        linear = rgb_of(adapt(colours.xyz, WHITE_D50, WHITE_D65)).astype(np.float32)
        if colours.coarse:
            u = COARSE
            said.append(f"The profile of '{source.name}' is made of tables; read in 8 bits.")
    profile = still.profile_name or "sRGB"
    return ShownPlate(Plate(linear, _ends(still)), u, together, said, profile=profile)


def _ends(still: Still) -> Any:
    """Return where a channel is at the end of its code range."""
    top = (1 << still.bits) - 1
    margin = top / 255
    pixels = still.pixels
    return (pixels.max(axis=2) >= top - 2 * margin) | (pixels.min(axis=2) <= 1 * margin)


def compare(inputs: Inputs, watcher: SteadyColour | None) -> Compared:
    """Read the files and find the cells.

    Raises:
        CannotMeasure, WrongCall, UnreadableInput
    """
    test = from_still(inputs.file()) if watcher is None else from_clip(watcher)
    source = inputs.file("reference")
    if sniff(source.path) == "clip":
        raise UnreadableInput(
            f"The reference '{source.name}' is a clip.",
            "Give a still of the same scene, or a table of known patch values.",
        )
    if is_still(source):
        return _with_picture(inputs, test, from_still(source))
    return _with_table(inputs, test, source)


def _boxes(inputs: Inputs, test: ShownPlate) -> list[tuple[int, int, int, int]]:
    shape = test.plate.linear.shape
    return [marked_box(text, shape[:2]) for text in inputs.options.get("region", ())]


def _with_picture(inputs: Inputs, test: ShownPlate, reference: ShownPlate) -> Compared:
    boxes = _boxes(inputs, test)
    try:
        place = register(coded(reference.plate.linear), coded(test.plate.linear))
    except CannotMeasure as error:
        pictures = plain_pictures(test, reference)
        raise CannotMeasure(error.message, error.hint, pictures) from None
    if boxes:
        cells = marked_cells(reference.plate, test.plate, place.matrix, boxes)
        return Compared(test, reference, cells, place, _numbers(cells), "marked cells")
    cells = find_cells(reference.plate, test.plate, place.matrix)
    return Compared(test, reference, cells, place, _numbers(cells), "scene")


def _numbers(cells: Cells) -> tuple[str, ...]:
    return tuple(str(i + 1) for i in range(len(cells.discs)))


def _with_table(inputs: Inputs, test: ShownPlate, source: Source) -> Compared:
    patches = read_patches(source)
    boxes: Sequence[tuple[int, int, int, int]] = _boxes(inputs, test)
    if not boxes and patches.boxes is not None:
        boxes = patches.boxes
    if not boxes:
        raise WrongCall(
            f"'{source.name}' does not say where its patches are on the picture.",
            "Add the columns left,top,width,height (px), or --option region=x,y,w,h once for "
            "each patch, in the table's order.",
        )
    if len(boxes) != len(patches.names):
        raise WrongCall(
            f"{len(boxes)} regions were marked for {len(patches.names)} patches.",
            "Mark one for each patch, in the table's order.",
        )
    known, said = _known(patches, inputs.option("white"))
    cells = patch_cells(test.plate, boxes, known, U_PATCH)
    lost = {(round(x), round(y)) for x, y, _ in cells.lost}
    names = tuple(
        name
        for name, (x, y, w, h) in zip(patches.names, boxes, strict=True)
        if (round(x + (w - 1) / 2), round(y + (h - 1) / 2)) not in lost
    )
    return Compared(test, None, cells, None, names, "patches", tuple(said))


def _known(patches: Patches, white: str) -> tuple[Any, list[str]]:
    """Return linear RGB of known patches, and what was assumed."""
    said = [f"The table's values are taken as known to {100 * U_PATCH:.0f} %."]
    if patches.space == "sRGB":
        return transfer_of(13).decode(patches.values), said
    source = WHITE_D65 if white == "D65" else WHITE_D50
    if not white:
        said.append("The table does not name its white; D50 was taken, adapted to D65 (Bradford).")
    xyz = patches.values if patches.space == "XYZ" else xyz_of_lab(patches.values, source)
    return rgb_of(adapt(xyz, source, WHITE_D65)), said


def pairs_of(found: Compared) -> ColourPairs:
    """Return the cells with everything that is uncertain about them."""
    cells = found.cells
    place = coding(cells.test, 1.0) * (U_PLACE * cells.slope)[:, None]
    frames = _frames(found) if found.test.blocks is not None else np.zeros_like(cells.test)
    u_test = combine(cells.u_test, frames, coding(cells.test, np.array(found.test.u_coded)), place)
    u_common = coding(cells.test, np.array(found.test.u_together))
    u_reference = cells.u_reference
    if found.reference is not None:
        u_reference = combine(
            u_reference, coding(cells.reference, np.array(found.reference.u_coded))
        )
    return ColourPairs(cells.reference, cells.test, u_reference, u_test, u_common)


def _frames(found: Compared) -> Any:
    """Return the scatter of each cell over frames, as u of the mean, (n, 3)."""
    blocks = found.test.blocks
    if len(blocks) < 2:
        return np.zeros_like(found.cells.test)
    rows, columns = blocks.shape[1:3]
    out = []
    for disc in found.cells.discs:
        # Block b spans px 8b to 8b + 7.
        reach = max(0.0, disc.radius - BLOCK / 2)
        x0, x1 = (round((disc.x + k * reach - 3.5) / BLOCK) for k in (-1, 1))
        y0, y1 = (round((disc.y + k * reach - 3.5) / BLOCK) for k in (-1, 1))
        part = blocks[:, max(0, y0) : min(rows, y1 + 1), max(0, x0) : min(columns, x1 + 1)]
        means = part.mean(axis=(1, 2))
        out.append(means.std(axis=0, ddof=1) / np.sqrt(len(means)))
    return np.array(out).reshape(-1, 3)
