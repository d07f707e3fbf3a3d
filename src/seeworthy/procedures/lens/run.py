"""Run of `lens`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from seeworthy.ground.digits import expanded, number, said_u
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, Result, result
from seeworthy.observe.board_views import STILL, Held, HoldWatcher, Points
from seeworthy.observe.evidence import BLUE, ORANGE, canvas, draw_cross, encode
from seeworthy.observe.steadied import SteadyingWatch, refuse_steadied
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.lens.board import BoardView
from seeworthy.procedures.lens.measure import (
    HOW,
    LEAST_VIEWS,
    LensFigures,
    measure_lens,
    select_views,
)
from seeworthy.targets import target
from seeworthy.targets.find import find

_SQUARE_MM = 25.0  # only angles are asked for: the size of a square cancels
_BOWED = 0.3  # mm from which the bow is said (a judgement: a third of a degree of view, unfitted)


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Watch every file for still views of the board."""
    finder = _finder(inputs)
    files = inputs.all_files()
    held = [Watch(source, HoldWatcher(finder)) for source in files]
    return held + [
        Watch(source, SteadyingWatch(), optional=True, alike="steadied") for source in files
    ]


def _finder(inputs: Inputs) -> Any:
    board = inputs.option("board")
    if board:
        from seeworthy.observe.chessboard import find_chessboard, parse_board

        size = parse_board(board)
        square = inputs.reading("square")
        side = square.value if square is not None else _SQUARE_MM
        return lambda picture, harder: find_chessboard(picture, size, side)
    mirrored = inputs.option("mirrored") == "yes"

    def find_board(picture: Any, harder: bool) -> Points:
        # A mirrored file is turned back first: a lens model knows left from right.
        work = np.ascontiguousarray(picture[:, ::-1]) if mirrored else picture
        found = find(work, "board", harder=harder)
        if len(found.ids) < 8:
            raise CannotMeasure(
                "Too few corners of the board are in view.", "Show more of it, sharp and lit."
            )
        image = found.image
        if mirrored:
            image = image * (-1.0, 1.0) + (picture.shape[1] - 1.0, 0.0)
        return Points(found.ids, found.plane, image, found.half)

    return find_board


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return angles, focal length and distortion."""
    count = len(inputs.all_files())
    watchers: list[HoldWatcher] = [w.observer for w in seen.watches[:count]]  # type: ignore[misc]
    for watch in seen.watches[count:]:
        refused = refuse_steadied(
            watch.observer, watch.source.name,
            "Its window moves over the lens from frame to frame, so there is no one lens.",
            "Else give stills, or put the camera on a stand and move the board.",
        )  # fmt: skip
        if refused is not None:
            raise refused
    width, height = _one_size(inputs, watchers)
    held, warnings = _usable([h for w in watchers for h in w.held])
    pictures = _evidence(watchers)
    if not held:
        _refuse_empty(watchers)
    views = [_view(h, width, inputs) for h in held]
    try:
        figures = measure_lens(select_views(views, width), width, height)
    except CannotMeasure as refusal:
        raise CannotMeasure(refusal.message, refusal.hint, pictures) from None
    warnings += _doubts(figures)
    return Outcome(
        results=tuple(_results(figures, pictures)),
        findings=_findings(figures, inputs),
        warnings=tuple(warnings),
        pictures=pictures,
        figures=_figures(figures),
        method=figures.fit.form.kind,
        sentence=_sentence(figures),
        correction=_correction(figures, inputs),
    )


def _one_size(inputs: Inputs, watchers: Sequence[HoldWatcher]) -> tuple[int, int]:
    sizes = [w.size for w in watchers]
    for source, size in zip(inputs.all_files(), sizes, strict=True):
        if size != sizes[0]:
            raise CannotMeasure(
                f"'{source.name}' is {size[0]}×{size[1]} px, the first file {sizes[0][0]}×"
                f"{sizes[0][1]}: pictures of different sizes come from different set-ups.",
                "Give only files that were shot in one mode of one camera.",
            )
    return sizes[0]


def _usable(held: list[Held]) -> tuple[list[Held], list[str]]:
    """Return views that stood still; slow ones with a warning when there are too few."""
    still = [h for h in held if h.motion is None or h.motion <= STILL]
    if len(still) >= LEAST_VIEWS or len(still) == len(held):
        return still, []
    if len(held) < LEAST_VIEWS:
        return held, []
    return held, [
        f"The board stood still in only {len(still)} views; slowly moving ones were used too, and "
        f"a rolling shutter bends those. {HOW}"
    ]


def _refuse_empty(watchers: Sequence[HoldWatcher]) -> None:
    refusal = next((w.refusal for w in watchers if w.refusal is not None), None)
    if refusal is not None:
        raise CannotMeasure(refusal.message, refusal.hint)
    raise CannotMeasure("The board never stood still.", HOW)


def _view(held: Held, width: int, inputs: Inputs) -> BoardView:
    image = held.points.image
    if inputs.option("mirrored") == "yes":
        image = image * (-1.0, 1.0) + (width - 1.0, 0.0)
    return BoardView(held.points.plane, image, f"frame {held.index}")


def _evidence(watchers: Sequence[HoldWatcher]) -> tuple[Picture, ...]:
    """Draw the fullest view, and where corners were seen over all views."""
    full = [w for w in watchers if w.sample is not None and w.sample_points is not None]
    if not full:
        return ()
    best = max(full, key=lambda w: len(w.sample_points.ids))  # type: ignore[union-attr]
    assert best.sample is not None
    assert best.sample_points is not None
    picture = canvas(best.sample)
    for x, y in best.sample_points.image:
        draw_cross(picture, (float(x), float(y)), ORANGE)
    cover = canvas(best.sample) // 3 + 150
    for watcher in watchers:
        for held in watcher.held:
            for x, y in held.points.image:
                draw_cross(cover, (float(x), float(y)), BLUE)
    return (
        encode("board.png", "Corners found in one view of the board.", picture),
        encode("coverage.png", "Every corner of every view that was kept.", cover),
    )


def _doubts(figures: LensFigures) -> list[str]:
    warnings = []
    if figures.reach < 0.85:
        warnings.append(
            f"Corners of the board reached only {figures.reach:.0%} of the way to the frame's "
            "corners; beyond that the angles rest on the model. Film the board in every corner."
        )
    missing = [n for n in ("hfov", "vfov", "dfov") if n not in figures.values]
    if missing:
        warnings.append(
            f"No {', '.join(missing)}: the lens model does not reach the frame's edge there. "
            "Film the board in every corner."
        )
    depth = abs(figures.fit.board.depth)
    if depth > _BOWED:
        warnings.append(
            f"The board is bowed by about {depth:.1f} mm towards its edge; this is fitted along "
            "with the lens, but a flat and stiff board tells more."
        )
    apart = [name for name, h in figures.halves.items() if not h.agree]
    if apart:
        warnings.append(
            f"Two halves of the views differ in {', '.join(apart)} by more than their scatter "
            "says; the intervals were widened to it. Film the board again, stiff and still."
        )
    if figures.fit.rms > 1.0:
        warnings.append(
            f"The model misses the corners by {figures.fit.rms:.2f} px: is the board flat, and was "
            "it still?"
        )
    return warnings


def _results(figures: LensFigures, pictures: Sequence[Picture]) -> list[Result]:
    count = len(figures.fit.poses)
    names = [p.name for p in pictures]
    method = {"method": figures.fit.form.kind}
    camera = figures.fit.camera
    frame = {"focal_length": {"frame": f"{camera.width}x{camera.height}"}}
    return [
        result(
            name,
            value,
            n=count,
            dof=figures.dof,
            budget=figures.budgets[name],
            conditions=method | frame.get(name, {}),
            evidence=names,
        )
        for name, (value, _) in figures.values.items()
    ]


def _findings(figures: LensFigures, inputs: Inputs) -> dict[str, Any]:
    camera = figures.fit.camera
    found: dict[str, Any] = {
        "model": figures.fit.form.kind,
        "coefficients": {
            name: {"value": value, "u": u} for name, (value, u) in figures.coefficients.items()
        },
        "intrinsics": {
            "fx": camera.fx,
            "fy": camera.fy,
            "cx": camera.cx,
            "cy": camera.cy,
            "width": camera.width,
            "height": camera.height,
        },
        "halves_agree": all(h.agree for h in figures.halves.values()) if figures.halves else None,
        "halves_differ": {
            name: {"difference": h.difference, "u": h.u}
            for name, h in figures.halves.items()
            if name in ("hfov", "k1")
        },
        "directions": figures.map.finding(),
        "board_bow_mm": round(figures.fit.board.depth, 3),
        "rectilinear_deg": _rectilinear(camera),
        "views": len(figures.fit.poses),
        "corners_left_out": figures.left_out,
        "spread_deg": round(figures.spread, 1),
        "reach": round(figures.reach, 3),
        "held_out_px": {name: round(error, 4) for name, error in figures.errors.items()},
    }
    scale = _scale(inputs)
    if scale is not None:
        distances = figures.fit.poses[:, 5] * scale[0]
        found["print_scale"] = {"value": scale[0], "u": scale[1]}
        found["distance_mm"] = [round(float(distances.min())), round(float(distances.max()))]
    return found


def _rectilinear(camera: Any) -> dict[str, float]:
    """Angles that focal length and frame alone would give, no distortion."""
    x, y = camera.width / 2 / camera.fx, camera.height / 2 / camera.fy
    reaches = {"hfov": x, "vfov": y, "dfov": math.hypot(x, y)}
    return {name: round(2 * math.degrees(math.atan(r)), 3) for name, r in reaches.items()}


def _correction(figures: LensFigures, inputs: Inputs) -> dict[str, Any]:
    """Return the lens as `correct` wants it: OpenCV's order, in the frame as it is stored."""
    camera = figures.fit.camera
    cx, k = camera.cx, list(camera.k)
    if inputs.option("mirrored") == "yes":
        # The model is of the picture turned back; the clip that is mended is not.
        cx = camera.width - 1.0 - cx
        if camera.kind == "pinhole":
            k[3] = -k[3]
    return {
        "kind": "lens",
        "size": [camera.width, camera.height],
        "model": camera.kind,
        "matrix": [camera.fx, camera.fy, cx, camera.cy],
        "distortion": k,
        "reach": round(figures.reach, 4),
    }


def _scale(inputs: Inputs) -> tuple[float, float] | None:
    """Printed size over drawn size, by the 'measure me' length."""
    length = inputs.reading("printed_length")
    if length is None or inputs.option("board"):
        return None
    nominal = target("board").ruler.length
    return length.value / nominal, length.u / nominal


def _figures(figures: LensFigures) -> tuple[Figure, ...]:
    drawn = [_bend(figures)]
    if "hfov" in figures.values:
        drawn.append(_plan(figures))
    return (*drawn, figures.map.figure())


def _bend(figures: LensFigures) -> Figure:
    """Draw how far the lens moves points in or out, over the distance from the middle."""
    camera = figures.fit.camera
    reach = math.hypot(camera.width, camera.height) / 2
    flat = np.linspace(0.02, 2.0, 100) * reach / camera.fx
    bent = camera.distort(np.column_stack([flat, np.zeros_like(flat)]))
    radius = (bent[:, 0] - camera.distort(np.zeros((1, 2)))[0, 0]) / reach
    grown = np.concatenate([[True], np.diff(radius) > 0]).cumprod().astype(bool)
    keep = grown & (radius <= 1.0)
    percent = (radius * reach / camera.fx / flat - 1) * 100
    return Figure(
        "distortion",
        "Distortion over the frame",
        "Below zero straight lines bow outwards (barrel), above zero inwards.",
        {"radius": radius[keep].tolist(), "percent": percent[keep].tolist()},
        Axis("radius", "distance from the middle, 1 = corner", ""),
        Axis("percent", "displacement", "%", zero=True),
        (Mark("line", "percent"),),
    )


def _plan(figures: LensFigures) -> Figure:
    """Draw the horizontal angle to scale, seen from above."""
    angle, u = figures.values["hfov"]
    half = math.radians(min(angle, 179.0) / 2)
    columns: dict[str, list[Any]] = {"across": [], "ahead": [], "edge": []}
    for sign, name in ((-1, "left edge"), (1, "right edge")):
        for reach in (0.0, 1.0):
            columns["across"].append(sign * math.sin(half) * reach)
            columns["ahead"].append(math.cos(half) * reach)
            columns["edge"].append(name)
    return Figure(
        "angle",
        "Horizontal angle of view, to scale",
        f"From above: the picture spans {said_u(angle, u, 'deg', figures.dof)} from side to side.",
        columns,
        Axis("across", "across", ""),
        Axis("ahead", "ahead", ""),
        (Mark("line", "ahead", series="edge"),),
        equal=True,
    )


def _sentence(figures: LensFigures) -> str:
    parts = []
    if "hfov" in figures.values:
        angle, u = figures.values["hfov"]
        half = math.radians(min(angle, 170.0)) / 2
        wide = math.radians(expanded(u, figures.dof)) / math.cos(half) ** 2
        ground = number(200 * math.tan(half), 100 * wide)
        parts.append(
            f"The lens sees {said_u(angle, u, 'deg', figures.dof)} from side to side: "
            f"from 100 m up, about {ground} m of ground"
        )
    bend, u_bend = figures.values.get("tv_distortion", (0.0, 0.0))
    if abs(bend) < 0.5:
        parts.append("straight lines stay straight")
    else:
        way = "outwards" if bend < 0 else "inwards"
        bow = said_u(abs(bend), u_bend, "%", figures.dof)
        parts.append(f"straight lines near the edge bow {way} by {bow}")
    return "; ".join(parts) + "."
