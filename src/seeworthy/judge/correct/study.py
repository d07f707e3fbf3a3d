"""Accuracy of `correct`: fitted to one clip, shown on another, through H.264 twice."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.frames import Observer, watch
from seeworthy.procedures.colour import study as colour_study
from seeworthy.procedures.lens import study as lens_study
from seeworthy.procedures.shading import study as shading_study
from seeworthy.procedures.study import Goal, Study, Trial, measured

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from seeworthy.ground.results import Outcome
    from seeworthy.media.frames import FrameView
    from seeworthy.virtual.colour_scene import ObjectTable, Viewpoint

LENSES = tuple(f"lens, {group}" for group in lens_study.GROUPS)
SHADING = "shading, 0.2 to 2 stops"
COLOUR = "colour, other objects"
GROUPS = (*LENSES, SHADING, COLOUR)
_CLIPS = 3  # of other objects, so that the best matrix for them has no few cells to cling to


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat has another camera and other scenes."""
    import numpy as np

    for number, group in enumerate(GROUPS):
        for i in range(repeats):
            rng = np.random.default_rng([seed, number, i])
            with tempfile.TemporaryDirectory() as folder:
                try:
                    yield from _trials(group, rng, Path(folder))
                except CannotMeasure as refusal:
                    yield Trial(f"{group}: refused", "refused", 0.0, refused=refusal.message)


def _trials(group: str, rng: np.random.Generator, folder: Path) -> Iterator[Trial]:
    if group in LENSES:
        return _lens(group, rng, folder)
    return _shading(rng, folder) if group == SHADING else _colour(rng, folder)


def _mended(outcome: Outcome, clip: Path, folder: Path) -> Path:
    """Correct a clip with what an outcome carries."""
    from seeworthy.judge.correct.apply import correct_clip
    from seeworthy.judge.correct.data import Corrections, DataOrigin, parse
    from seeworthy.media.source import Source

    if not outcome.correction:
        raise CannotMeasure("No correction was given.")
    given = Corrections.of(parse(outcome.correction, DataOrigin("another clip")))
    return correct_clip(Source.of(clip), given, folder / "mended.mp4").path


class _Frames(Observer):
    """Observer that keeps what a function makes of each frame."""

    def __init__(self, look: Any) -> None:
        self.look = look
        self.seen: list[Any] = []

    def frame(self, view: FrameView) -> None:
        """Look."""
        self.seen.append(self.look(view))


def _look(clip: Path, look: Any) -> list[Any]:
    from seeworthy.media.source import Source

    frames = _Frames(look)
    watch(Source.of(clip), [frames])
    return frames.seen


# --- lens: how far the corners of a flat board lie from where a flat picture has them ---


def _lens(group: str, rng: np.random.Generator, folder: Path) -> Iterator[Trial]:
    from seeworthy.targets import target
    from seeworthy.virtual.filming import Studio, film, paints_of

    lens = lens_study.random_lens(group.removeprefix("lens, "), rng)
    studio = Studio(paints_of(target("board").painting()), lens)
    first, other = folder / "first.mp4", folder / "other.mp4"
    # Ten frames a second at a third of 7 Mbit/s: the bits per frame of 30 frames a second.
    how: dict[str, Any] = {"rate": 10, "bit_rate": 7_000_000 // 3}
    film(first, studio, lens_study.script(lens, rng), rng, **how)
    film(other, studio, lens_study.script(lens, rng, holds=6), rng, **how)
    outcome = lens_study.measure(first)
    before, after = (_bend(clip) for clip in (other, _mended(outcome, other, folder)))
    yield Trial(f"{group}: before", "px from a flat board, rms", 0.0, before)
    yield Trial(f"{group}: after", "px from a flat board, rms", 0.0, after)


def _bend(clip: Path) -> float:
    """Return rms px between corners of the board and the best plane picture of it."""
    import numpy as np

    found = [square for square in _look(clip, _corners_off) if square is not None]
    if not found:
        raise CannotMeasure("The board was not found on the other clip.")
    return float(np.sqrt(np.concatenate(found).mean()))


def _corners_off(view: FrameView) -> npt.NDArray[Any] | None:
    """Return squared px of every corner from the frame's best homography."""
    import cv2
    import numpy as np

    from seeworthy.targets.find import find

    try:
        found = find(view.luma, "board")
    except CannotMeasure:
        return None
    if len(found.ids) < 12:
        return None
    matrix = cv2.findHomography(found.plane, found.image, 0)[0]
    flat = cv2.perspectiveTransform(found.plane[None].astype(np.float64), matrix)[0]
    return np.asarray(((found.image - flat) ** 2).sum(axis=1))


# --- shading: what is left of fall-off and tint, at another exposure ---


def _shading(rng: np.random.Generator, folder: Path) -> Iterator[Trial]:
    field = shading_study.random_field(shading_study.TURNED, rng)
    first = shading_study.film_field(folder / "a.mp4", field, rng)
    second = shading_study.film_field(folder / "b.mp4", field, rng, turn=True)
    outcome = measured("shading", {"": [first], "turned": [second]})
    even = replace(field, shade=replace(field.shade, slope=(0.0, 0.0)), level=field.level * 1.3)
    other = shading_study.film_field(folder / "other.mp4", even, rng)
    left = measured("shading", [_mended(outcome, other, folder)])
    truth = shading_study.truth_of(field.shade)
    after = {r.measurand: r for r in left.results}
    for name in ("corner_shading", "colour_shading"):
        r = after[name]
        yield Trial(f"{SHADING}, {name}: before", name, 0.0, truth[name])
        yield Trial(f"{SHADING}, {name}: after", name, 0.0, r.value, r.u, *r.interval)


# --- colour: other objects before the same camera, against the best matrix for them ---


def _colour(rng: np.random.Generator, folder: Path) -> Iterator[Trial]:
    import numpy as np

    from seeworthy.virtual.colour_scene import Shoot, good_linear, picture, random_table, write_clip

    take = colour_study.random_take(rng)
    outcome = colour_study.shoot(take, folder, rng)
    truth, drawn, found = [], [], []
    for number in range(_CLIPS):
        table = random_table(rng, 7, 5)
        reference, seen = good_linear(table.paints), take.camera.linear(table.paints)
        other = folder / f"other{number}.mp4"
        write_clip(other, picture(table, seen, take.clip), rng, Shoot())
        paint, px, light = _cells(table, take.clip)
        reference, seen = reference[paint] * light, seen[paint] * light
        # Where a channel is clipped, or nearly black, no matrix is to blame.
        good = (reference.min(axis=1) > 0.002) & (np.maximum(reference, seen).max(axis=1) < 0.95)
        mended = _mended(outcome, other, folder)
        pair = [_colours_at(clip, px[good]) for clip in (other, mended)]
        mended.unlink()
        truth.append(reference[good])
        drawn.append(seen[good])
        found.append(pair)
    reference, seen = np.concatenate(truth), np.concatenate(drawn)
    before, after = (
        float(colour_study.de00(reference, np.concatenate(colours)).mean())
        for colours in zip(*found, strict=True)
    )
    matrix = np.array(outcome.correction["matrix"]) * outcome.correction["exposure"]
    best = colour_study.best_possible(reference, seen, matrix)
    yield Trial(f"{COLOUR}: before", "mean ΔE00", best, before)
    yield Trial(f"{COLOUR}: after", "mean ΔE00", best, after)


def _cells(
    table: ObjectTable, view: Viewpoint
) -> tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any]]:
    """Return paint (n,), place in px (n, 2) and light (n, 1) of objects plain around the middle."""
    import numpy as np

    found = []
    for x, y in sorted({t.middle for t in table.things}):
        ring = [(x + 3 * np.cos(a), y + 3 * np.sin(a)) for a in np.arange(8) * np.pi / 4]
        paints = {table.paint_at(*place) for place in [(x, y), *ring]}
        if len(paints) == 1 and min(paints) > 1:  # neither cloth nor print
            found.append((paints.pop(), x, y))
    paint = np.array([f[0] for f in found])
    mm = np.array([f[1:] for f in found])
    return paint, view.to_px(mm), table.light_at(mm[:, 0], mm[:, 1])[:, None]


def _colours_at(clip: Path, px: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return mean linear RGB of discs of 5 px about places, over all frames, (n, 3)."""
    import cv2
    import numpy as np

    from seeworthy.media.light import linear_rgb

    mean = np.mean(_look(clip, linear_rgb), axis=0)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (11, 11)).astype(np.float32)
    even = cv2.filter2D(mean, -1, disc / disc.sum())
    columns, rows = np.rint(px).astype(int).T
    return np.asarray(even[rows, columns], np.float64)


def _goals() -> dict[str, tuple[Goal, ...]]:
    goals: dict[str, tuple[Goal, ...]] = {}
    for group in LENSES:
        goals[f"{group}: after"] = (Goal("max", 0.3, "under 0.3 px, as in the fit itself"),)
    goals[f"{SHADING}, corner_shading: after"] = (Goal("max", 0.05, "within 0.05 stop of none"),)
    goals[f"{SHADING}, colour_shading: after"] = (Goal("max", 0.002, "within 0.002 Δu'v' of none"),)
    goals[f"{COLOUR}: after"] = (Goal("rms_percent", 10.0, "within 10 % of the best possible 3×3"),)
    return goals


STUDY = Study(id="correct", title="Correction", run=run, goals=_goals())
