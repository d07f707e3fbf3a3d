"""Accuracy of `colour`: objects of known spectra, two cameras, H.264; cells found by itself."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize, minimize_scalar

from seeworthy.ground.results import Outcome
from seeworthy.optics.colour import colour_science
from seeworthy.procedures.colour.match import exposure_gain, fit_matrix
from seeworthy.procedures.study import Goal, Study, Trial, asked, held, measured, must_refuse
from seeworthy.virtual.colour_scene import (
    ObjectTable,
    Shoot,
    SmallCamera,
    Viewpoint,
    good_linear,
    picture,
    random_paints,
    random_table,
    write_clip,
    write_still,
)

WIDTH, HEIGHT = 1280, 720
CODED = "H.264, 7 Mbit/s"
MANY = "63 objects"
UNSEEN = "120 colours not seen, 35 objects"
UNSEEN_MANY = "120 colours not seen, 63 objects"
SAME_CELLS = "best 3×3 of these cells without noise"
THOSE_COLOURS = "best 3×3 of those colours themselves"
MOVED = "objects moved"
LIGHT = "reference in another light"
OTHER = "reference of another scene"
GREY = "monochrome clip"
GROUPS = (CODED, MOVED, LIGHT, OTHER, GREY, MANY)
_COLUMNS, _ROWS = 7, 5
_NEAR_MM = 8.0  # a cell this near to an object's old middle was taken of it
_FEWER = 20  # other groups than the first have one take for so many


@dataclass(frozen=True)
class ColourTake:
    """One rendered take and its truth.

    Attributes:
        reference, seen: array (paints, 3). Linear RGB that each camera gets of each paint.
    """

    table: ObjectTable
    camera: SmallCamera
    still: Viewpoint
    clip: Viewpoint
    reference: npt.NDArray[Any]
    seen: npt.NDArray[Any]


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield trials: every repeat has other objects, another camera and other places."""
    for group in GROUPS:
        count = repeats if group == CODED else max(1, repeats // _FEWER)
        for i in range(count):
            yield from _trials(group, np.random.default_rng([seed, GROUPS.index(group), i]))


def random_camera(rng: np.random.Generator) -> SmallCamera:
    """Return a camera that is more or less washed out, tinted, and over- or underexposed."""
    peaks = (598 + rng.normal(0, 7), 538 + rng.normal(0, 7), 457 + rng.normal(0, 5))
    return SmallCamera(
        float(rng.uniform(0.45, 0.9)),
        (float(rng.uniform(0.88, 1.12)), float(rng.uniform(0.85, 1.15))),
        float(rng.uniform(0.6, 1.15)),
        peaks=tuple(float(p) for p in peaks),  # type: ignore[arg-type]
    )


def random_take(
    rng: np.random.Generator, kelvin: float = 6500.0, *, many: bool = False
) -> ColourTake:
    """Return objects and two cameras near each other; the clip's lamp may differ."""
    columns, rows = (9, 7) if many else (_COLUMNS, _ROWS)
    table, camera = random_table(rng, columns, rows), random_camera(rng)
    still = Viewpoint.near(rng, 1440, 1080)
    clip = Viewpoint.near(rng, WIDTH, HEIGHT)
    reference = np.clip(good_linear(table.paints), 0, 1)
    return ColourTake(table, camera, still, clip, reference, camera.linear(table.paints, kelvin))


def shoot(
    take: ColourTake, folder: Path, rng: np.random.Generator, moved: ObjectTable | None = None
) -> Outcome:
    """Render still and clip, and run the procedure; objects may have moved in between."""
    made = Shoot()
    still, clip = folder / "reference.png", folder / "clip.mp4"
    write_still(
        still, picture(take.table, take.reference, take.still), rng, sensor=made.good_sensor
    )
    write_clip(clip, picture(moved or take.table, take.seen, take.clip), rng, made)
    return measured("colour", {"": [clip], "reference": [still]})


def true_pairs(take: ColourTake, outcome: Outcome) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Return what both cameras got of the cells that were compared, linear RGB (n, 3)."""
    columns = outcome.figures[0].columns
    places = [
        (x, y)
        for x, y, shown in zip(columns["x_px"], columns["y_px"], columns["shown"], strict=True)
        if shown == "reference"
    ]
    mm = take.clip.to_mm(places)
    paints = [take.table.paint_at(x, y) for x, y in mm]
    light = take.table.light_at(mm[:, 0], mm[:, 1])[:, None]
    return np.asarray(take.reference[paints] * light), np.asarray(take.seen[paints] * light)


def lab(rgb: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return L*a*b* of linear BT.709 RGB by colour-science alone."""
    colour = colour_science()
    space = colour.RGB_COLOURSPACES["sRGB"]
    xyz = np.asarray(rgb) @ np.asarray(space.matrix_RGB_to_XYZ).T
    return np.asarray(colour.XYZ_to_Lab(xyz, space.whitepoint))


def de00(a: npt.NDArray[Any], b: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return ΔE00 of linear RGB by colour-science alone."""
    return np.asarray(colour_science().delta_E(lab(a), lab(b), method="CIE 2000"))


def truth_of(reference: npt.NDArray[Any], seen: npt.NDArray[Any]) -> dict[str, float]:
    """Return every measurand of noise-free cells."""
    start = float(np.log(np.median(reference.sum(axis=1)) / np.median(seen.sum(axis=1))))
    found = minimize_scalar(
        lambda log: float(de00(reference, np.exp(log) * seen).mean()),
        bounds=(start - 1, start + 1), method="bounded", options={"xatol": 1e-6},
    )  # fmt: skip
    level = float(np.exp(found.x)) * seen
    truth = {}
    for suffix, other in (("", seen), ("_matched", level)):
        error = de00(reference, other)
        truth[f"de00_mean{suffix}"] = float(error.mean())
        truth[f"de00_p95{suffix}"] = float(np.quantile(error, 0.95))
        truth[f"de00_max{suffix}"] = float(error.max())
    theirs, ours = (np.hypot(*lab(x)[:, 1:].T) for x in (reference, level))
    truth["chroma_ratio"] = float(ours[theirs > 10].sum() / theirs[theirs > 10].sum())
    grey = (theirs < 8) & (lab(reference)[:, 0] > 25)
    if grey.any():
        truth["white_shift"] = _white(reference[grey], seen[grey])
    # The same estimator on noise-free cells: that left-out cells are handled is its own matter.
    truth["de00_mean_corrected"] = float(
        de00(reference, fit_matrix(reference, level).left_out).mean()
    )
    return truth


def _white(reference: npt.NDArray[Any], seen: npt.NDArray[Any]) -> float:
    colour = colour_science()
    matrix = np.asarray(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ).T
    uv = [colour.xy_to_Luv_uv(colour.XYZ_to_xy(x @ matrix)) for x in (reference, seen)]
    return float(np.hypot(*(uv[1] - uv[0]).mean(axis=0)))


def best_possible(
    reference: npt.NDArray[Any], seen: npt.NDArray[Any], start: npt.NDArray[Any]
) -> float:
    """Return the least mean ΔE00 that any 3×3 reaches on colours, by descent from `start`."""
    target = lab(reference)[None]
    step = 1e-5
    around = np.concatenate([np.zeros((1, 9)), step * np.eye(9)])

    def cost(entries: npt.NDArray[Any]) -> tuple[float, npt.NDArray[Any]]:
        matrices = (entries + around).reshape(10, 3, 3)
        moved = lab(np.einsum("mij,nj->mni", matrices, seen))
        means = colour_science().delta_E(target, moved, method="CIE 2000").mean(axis=1)
        return float(means[0]), (means[1:] - means[0]) / step

    entries = start.ravel()
    for _ in range(2):  # the second descent begins without the first one's curvature
        entries = minimize(cost, entries, jac=True, method="BFGS", options={"maxiter": 60}).x
    return cost(entries)[0]


def _trials(group: str, rng: np.random.Generator) -> Iterator[Trial]:
    with tempfile.TemporaryDirectory() as folder:
        if group == CODED:
            yield from _honest(rng, Path(folder))
        elif group == MANY:
            take = random_take(rng, many=True)
            yield from _on_unseen(UNSEEN_MANY, take, shoot(take, Path(folder), rng), rng)
        elif group == MOVED:
            yield from _moved(rng, Path(folder))
        elif group == LIGHT:
            take = random_take(rng, kelvin=float(rng.choice([3800.0, 9500.0])))
            outcome = shoot(take, Path(folder), rng)
            said = any(w.startswith("White is shifted") for w in outcome.warnings)
            yield Trial(f"{LIGHT}: said", "said", 1.0, float(said))
        else:
            yield _refusal(group, rng, Path(folder))


def _honest(rng: np.random.Generator, folder: Path) -> Iterator[Trial]:
    take = random_take(rng)
    outcome = yield from asked(
        f"{CODED}: refused", "refused", 0.0, lambda: shoot(take, folder, rng)
    )
    if outcome is None:
        return
    truth = truth_of(*true_pairs(take, outcome))
    for r in outcome.results:
        yield held(f"{CODED}: {r.measurand}", truth[r.measurand], r)
    yield from _on_unseen(UNSEEN, take, outcome, rng)


def _on_unseen(
    group: str, take: ColourTake, outcome: Outcome, rng: np.random.Generator
) -> Iterator[Trial]:
    """Correct colours that were in no scene; truth is what the best 3×3 leaves of them.

    The best 3×3 is once what the same cells would give without any noise or coding, and once
    the best for those colours, which no measurement of other colours can know.
    """
    paints = random_paints(rng, 400)
    reference, seen = good_linear(paints), take.camera.linear(paints)
    inside = (reference.min(axis=1) > 0.002) & (np.maximum(reference, seen).max(axis=1) < 0.95)
    reference, seen = reference[inside][:120], seen[inside][:120]
    if not outcome.correction:
        yield Trial(group, "de00_mean", 0.0, refused="no correction was given")
        return
    matrix = np.array(outcome.correction["matrix"]) * outcome.correction["exposure"]
    left = float(de00(reference, seen @ matrix.T).mean())
    cells, level = true_pairs(take, outcome)
    gain = float(exposure_gain(cells, level))
    clean = fit_matrix(cells, gain * level).matrix * gain
    best = float(de00(reference, seen @ clean.T).mean())
    yield Trial(f"{group}: {SAME_CELLS}", "de00_mean", best, left)
    oracle = best_possible(reference, seen, matrix)
    yield Trial(f"{group}: {THOSE_COLOURS}", "de00_mean", oracle, left)


def _moved(rng: np.random.Generator, folder: Path) -> Iterator[Trial]:
    """Move three objects far, and count how many of them were compared all the same."""
    take = random_take(rng)
    objects = sorted({t.middle for t in take.table.things if t.paint > 1 and len(t.outline) > 5})
    picked = {objects[int(i)] for i in rng.choice(len(objects), 3, replace=False)}
    things = []
    for thing in take.table.things:
        if thing.middle in picked:
            dx, dy = rng.uniform(14, 20), rng.uniform(12, 16)
            outline = tuple((x + dx, y + dy) for x, y in thing.outline)
            thing = replace(thing, outline=outline, middle=(thing.middle[0], thing.middle[1]))
        things.append(thing)
    outcome = shoot(take, folder, rng, replace(take.table, things=things))
    columns = outcome.figures[0].columns
    cells = take.clip.to_mm(list(zip(columns["x_px"], columns["y_px"], strict=True)))
    hit = sum(float(np.hypot(*(cells - middle).T).min()) < _NEAR_MM for middle in picked)
    yield Trial(f"{MOVED}: compared all the same", "cells", 0.0, float(hit))


def _refusal(group: str, rng: np.random.Generator, folder: Path) -> Trial:
    take, there = random_take(rng), None
    if group == GREY:
        luma = take.seen @ np.array([0.2126, 0.7152, 0.0722])
        take = replace(take, seen=np.repeat(luma[:, None], 3, axis=1))
    else:
        other = random_take(rng)
        take = replace(take, still=other.still)
        take, there = replace(take, reference=other.reference), other.table
    return must_refuse(group, "refused", lambda: shoot(take, folder, rng, there))


def _goals() -> dict[str, tuple[Goal, ...]]:
    honest = Goal("coverage", 0.90, "95 % intervals hold the truth in 90–99 %")
    within = {"de00_mean": 0.3, "de00_p95": 0.6, "de00_mean_matched": 0.3, "de00_p95_matched": 0.6}
    names = (
        *within, "de00_max", "de00_max_matched", "chroma_ratio", "white_shift",
        "de00_mean_corrected",
    )  # fmt: skip
    goals: dict[str, tuple[Goal, ...]] = {}
    for name in names:
        goals[f"{CODED}: {name}"] = (honest,)
        if name in within:
            goals[f"{CODED}: {name}"] += (Goal("max", within[name], f"within {within[name]}"),)
    for name in (UNSEEN, UNSEEN_MANY):
        for best in (SAME_CELLS, THOSE_COLOURS):
            goals[f"{name}: {best}"] = (Goal("rms_percent", 10.0, "within 10 % of it"),)
    goals[f"{MOVED}: compared all the same"] = (Goal("max", 0.0, "none"),)
    goals[f"{LIGHT}: said"] = (Goal("max", 0.0, "always said"),)
    goals[OTHER] = (Goal("right", 1.0, "refused"),)
    goals[GREY] = (Goal("right", 1.0, "refused"),)
    return goals


STUDY = Study(
    id="colour",
    title="Colour: 35 objects of known spectra, reference still and washed-out clip, 1280×720",
    run=run,
    goals=_goals(),
)
