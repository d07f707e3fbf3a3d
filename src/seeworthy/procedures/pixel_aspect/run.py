"""Run of `pixel-aspect`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import cv2
import numpy as np

from seeworthy.ground.digits import number
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Picture, result
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.media.decode import open_clip
from seeworthy.media.light import light_of
from seeworthy.media.source import Source
from seeworthy.observe.evidence import BLUE, canvas, draw_outline, encode
from seeworthy.observe.marked import marked_box
from seeworthy.observe.steady import SteadyMean
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.pixel_aspect.measure import Aspect, RingTake, measure_aspect
from seeworthy.procedures.pixel_aspect.ring_edges import Search, find_rings
from seeworthy.targets import target
from seeworthy.targets.find import find

_HOW = (
    "Show the whole ring, dark on light, facing the camera in the middle of the frame, larger than "
    "a quarter of the frame's height."
)

_LEAST_SHARE = 0.25  # of the frame's height, as `_HOW` asks: a lamp or an eye is smaller


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Average the steadiest frames of each file."""
    _region(inputs)
    sources = [inputs.file(), *inputs.all_files("turned")]
    return [Watch(source, SteadyMean()) for source in sources]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Return the pixel aspect ratio and how it agrees with what the file claims."""
    watchers: list[SteadyMean] = [w.observer for w in seen.watches]  # type: ignore[misc]
    _same_size(watchers)
    sources = [inputs.file(), *inputs.all_files("turned")]
    takes: list[RingTake] = []
    pictures: list[Picture] = []
    warnings: list[str] = []
    for i, watcher in enumerate(watchers):
        still = sources[i].guess_kind() == "still"
        take, picture = _take(watcher, inputs, turned=i == 1, still=still)
        takes.append(take)
        pictures.append(picture)
        warnings += _doubt_take(take)
    stage = watchers[0].stage
    assert stage is not None
    aspect = measure_aspect(takes, stage.width, stage.height)
    warnings += _doubts(aspect, takes)
    found = result(
        "pixel_aspect",
        aspect.value,
        n=len(takes),
        budget=aspect.parts,
        conditions={"method": "turned" if aspect.turned else "one take"},
        evidence=[p.name for p in pictures],
    )
    findings, said = _claim(inputs.file(), aspect)
    return Outcome(
        (found,),
        {
            **findings,
            "tilt_deg": [round(t, 2) for t in aspect.tilts],
            "print_stretch_percent": round(aspect.stretch * 100, 3) if aspect.turned else None,
            "circles": [len(t.edges) for t in takes],
            "frames": [w.count for w in watchers],
            "fit_rms_px": round(aspect.rms, 4),
        },
        (*warnings, *said),
        tuple(pictures),
        (_figure(takes),),
        method="turned" if aspect.turned else "one take",
        sentence=_sentence(aspect, findings),
    )


def _region(inputs: Inputs) -> tuple[int, int, int, int] | None:
    text = inputs.option("region")
    if not text:
        return None
    return marked_box(text, least=40)


def _same_size(watchers: Sequence[SteadyMean]) -> None:
    sizes = {(w.stage.width, w.stage.height) for w in watchers if w.stage is not None}
    if len(sizes) > 1:
        raise CannotMeasure(
            "The two takes have different frame sizes.", "Film both in the same mode."
        )


def _take(
    watcher: SteadyMean, inputs: Inputs, *, turned: bool, still: bool
) -> tuple[RingTake, Picture]:
    """Find the rings of one take and draw them."""
    picture = watcher.mean
    if picture is None:
        raise CannotMeasure("The file holds no whole frame.", "Film it again.")
    region = _region(inputs)
    if region is not None:
        x, y, w, h = region
        if x + w > picture.shape[1] or y + h > picture.shape[0]:
            raise WrongCall(
                f"The region reaches out of the frame of {picture.shape[1]}×{picture.shape[0]} px.",
                "Write --option region=x,y,width,height in whole px.",
            )
    assert watcher.stage is not None
    # The middle of an edge is where half of its light falls, not half of its code values.
    light = light_of(watcher.stage, still=still).linear(picture) * 255.0
    search = find_rings(light, region)
    drawn = canvas(picture)
    for edge in search.edges:
        draw_outline(drawn, edge.points, BLUE, 1)
    name = "rings_turned.png" if turned else "rings.png"
    evidence = encode(name, "The circles' edges that were found.", drawn)
    if not search.edges:
        _refuse(search, picture, evidence)
    radii = _known_radii(search)
    if radii is None and region is None:
        _refuse_by_chance(search.edges[0].ellipse.size, picture.shape[0], evidence)
    roll = _roll(picture) if radii is not None else None
    return RingTake(search.edges, _quarter(roll, turned), radii), evidence


def _refuse(search: Search, picture: Any, evidence: Picture) -> None:
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.5)
    low, high = float(smooth.min()), float(smooth.max())
    if high - low < 12:
        side = "bright" if low > 128 else "dark"
        message = f"The picture is nearly even and {side}: no ring can be seen."
        raise CannotMeasure(message, "Light the target evenly and check the exposure.", (evidence,))
    messages = {
        "clipped": "The ring is not whole in the frame.",
        "small": "The ring is too small to be measured.",
    }
    message = messages.get(search.trouble, "No ring was found.")
    raise CannotMeasure(message, _HOW, (evidence,))


def _refuse_by_chance(radius: float, height: int, evidence: Picture) -> None:
    """Refuse a small ring that nobody marked: any scene may hold an oval as large."""
    if 2 * radius < _LEAST_SHARE * height:
        raise CannotMeasure(
            f"Only a small ring was found ({2 * radius:.0f} of {height} px high), which may be "
            "anything round or oval in the scene.",
            f"{_HOW} Or mark it: --option region=x,y,width,height.",
            (evidence,),
        )


def _known_radii(search: Search) -> tuple[float, ...] | None:
    """Return the radii of our own target when the edges have its proportions."""
    drawn = sorted((r for _, _, r in target("rings").circles), reverse=True)
    known = tuple(r / drawn[0] for r in drawn)
    seen = [e.ellipse.size / search.edges[0].ellipse.size for e in search.edges]
    if len(seen) != len(known) or any(
        abs(a / b - 1) > 0.05 for a, b in zip(seen, known, strict=True)
    ):
        return None
    return known


def _roll(picture: Any) -> float | None:
    """Return how far our own target is turned, degrees, None where its markers are not seen."""
    try:
        found = find(picture, "rings")
    except CannotMeasure:
        return None
    jacobian = found.mapping.scale(np.array([found.layout.circles[0][:2]]))[0]
    return math.degrees(math.atan2(jacobian[1, 0], jacobian[0, 0]))


def _quarter(roll: float | None, turned: bool) -> float:
    """Return the roll that was seen, else the one that was asked for."""
    return roll if roll is not None else (90.0 if turned else 0.0)


def _doubt_take(take: RingTake) -> list[str]:
    edge = take.edges[0]
    warnings = []
    if edge.width_ratio > 1.6 and edge.width > 4:
        warnings.append("The edges are smeared in one direction: something moved. Film it still.")
    if edge.ellipse.size < 60:
        warnings.append(f"The ring is small ({2 * edge.ellipse.size:.0f} px across). {_HOW}")
    return warnings


def _doubts(aspect: Aspect, takes: Sequence[RingTake]) -> list[str]:
    if len(takes) > 1 and not aspect.turned:
        return [
            "The target is not turned by 90° between the two takes: tilt and print are not "
            "cancelled. Turn the sheet, with whatever holds it, and film again."
        ]
    if len(takes) == 1:
        tilt = aspect.tilts[0]
        text = "Only one take: an out-of-round print or a tilted sheet cannot be told from "
        text += "pixels that are not square beyond the stated uncertainty."
        if tilt > 4:
            text += f" The target seems tilted by about {tilt:.0f}°."
        return [f"{text} A second take with the target turned by 90° (turned=) settles it."]
    return []


def _claim(source: Source, aspect: Aspect) -> tuple[dict[str, Any], list[str]]:
    """Compare with the sample aspect ratio that the container states."""
    claimed = _claimed(source)
    if claimed is None:
        return {"claimed_aspect": None, "shown_stretch_percent": None, "claim_agrees": None}, []
    ratio = aspect.value / float(claimed)
    agrees = abs(ratio - 1) <= coverage_factor() * aspect.u / aspect.value
    findings = {
        "claimed_aspect": f"{claimed.numerator}:{claimed.denominator}",
        "shown_stretch_percent": round((1 / ratio - 1) * 100, 3),
        "claim_agrees": agrees,
    }
    if agrees:
        return findings, []
    way = "too wide" if ratio < 1 else "too narrow"
    return findings, [
        f"The file claims pixels of {claimed.numerator}:{claimed.denominator}; a player will show "
        f"things {abs(1 / ratio - 1):.1%} {way}."
    ]


def _claimed(source: Source) -> Fraction | None:
    """Return the stated sample aspect ratio; None for stills and where nothing is said."""
    if source.guess_kind() == "still":
        return None
    with open_clip(source) as container:
        if not container.streams.video:
            return None
        ratio = container.streams.video[0].sample_aspect_ratio
    return ratio if ratio else None


def _figure(takes: Sequence[RingTake]) -> Figure:
    """Draw how far the outermost edge departs from a circle, around the ring."""
    columns: dict[str, list[Any]] = {"angle": [], "away": [], "take": []}
    for take, name in zip(takes, ("as it stands", "turned"), strict=False):
        ellipse = take.edges[0].ellipse
        t = np.linspace(0, 2 * np.pi, 73)
        d = ellipse.at(t) - ellipse.centre
        order = np.argsort(np.degrees(np.arctan2(d[:, 1], d[:, 0])))
        columns["angle"] += np.degrees(np.arctan2(d[:, 1], d[:, 0]))[order].round(2).tolist()
        columns["away"] += ((np.hypot(*d.T) / ellipse.size - 1) * 100)[order].round(4).tolist()
        columns["take"] += [name] * len(t)
    return Figure(
        "roundness",
        "How far the ring is from round",
        "Two humps and two hollows are an ellipse; a flat line is a circle.",
        columns,
        Axis("angle", "direction in the frame, clockwise from the right", "deg"),
        Axis("away", "radius over mean radius, minus 1", "%", zero=True),
        (Mark("line", "away", series="take"),),
    )


def _sentence(aspect: Aspect, findings: dict[str, Any]) -> str:
    away = (aspect.value - 1) * 100
    u = coverage_factor() * aspect.u / aspect.value * 100
    if abs(away) <= u:
        text = f"Circles stay round: the stored pixels are square within {number(u, u)} %"
    else:
        way = "wider than high" if away > 0 else "higher than wide"
        text = f"The stored pixels are {number(abs(away), u)} % {way}"
    if findings["claim_agrees"] is True:
        text += ", as the file says"
    elif findings["claim_agrees"] is False:
        text += f", but the file says {findings['claimed_aspect']}"
    return text + "."
