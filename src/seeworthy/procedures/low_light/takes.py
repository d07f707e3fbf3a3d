"""One take of `low-light`: sharpness of one place, noise at 18 % grey, frame rate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.quantities import Quantity
from seeworthy.media.light import Light
from seeworthy.observe.grey_patches import GreyPatch, edges_patches, step_patches
from seeworthy.observe.marked import marked_box
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.optics.tone import Tone
from seeworthy.procedures.declare import Inputs, Seen
from seeworthy.procedures.low_light.measure import Point, Rule, Usable, least_usable
from seeworthy.procedures.noise import levels as noise_levels
from seeworthy.procedures.noise.curve import AtGrey, at_grey
from seeworthy.procedures.noise.levels import check_frames, check_still
from seeworthy.procedures.noise.referred import coding_part, referred
from seeworthy.procedures.sharpness.measure import (
    FLOOR,
    EdgeRegion,
    EdgeResult,
    find_edges,
    measure_edge,
    position_of,
)
from seeworthy.procedures.timing.measure import read_stamps
from seeworthy.targets.find import find

SNR, SHARPNESS, RATE = "signal over noise", "sharpness", "frame rate"
_BLOCKS = 4  # of the clip: what the figure scatters by from part to part
_U_GREY_CARD = 0.01  # of a grey card's 18 % (a judgement)


@dataclass(frozen=True, slots=True)
class UsableLimits:
    """What must be kept: SNR in dB, sharpness and frame rate as shares of bright light's."""

    snr: float
    sharpness: float
    rate: float

    def text(self) -> str:
        """Say it."""
        return (
            f"SNR {self.snr:g} dB, sharpness {100 * self.sharpness:g} %, frame rate "
            f"{100 * self.rate:g} % of bright light's"
        )


@dataclass(frozen=True)
class LightTake:
    """What one take shows.

    Attributes:
        evidence: Name of its picture.
        mean: Code values.
        mtf50: dict of str to (value, u). By edge.
        kept: (value, u) or None. Sharpness against the brightest take.
        kept_parts: What that u is made of.
        edges: Edges behind it.
        drowned: No edge could be told from the noise, or the picture is black.
        shift: Decibels that refer its SNR to the scene.
        parts: What the tone curve and the coding leave open of it, dB.
        black: Noise could not be measured because the picture is cut off at black.
        rate: (value, u, dof, n) or None
        darker: Stops by which 18 % grey is darker than in the brightest take.
        tone: Where its tone curve comes from.
    """

    lux: Quantity
    evidence: str
    mean: Any
    mtf50: dict[str, tuple[float, float]] = field(default_factory=dict)
    measured: tuple[EdgeResult, ...] = ()
    boxes: tuple[Any, ...] = ()
    kept: tuple[float, float] | None = None
    kept_parts: tuple[Component, ...] = ()
    edges: int = 0
    edges_from: str = ""
    drowned: bool = False
    grey: AtGrey | None = None
    shift: float = 0.0
    parts: tuple[Component, ...] = ()
    black: bool = False
    rate: tuple[float, float, float, int] | None = None
    darker: float | None = None
    notes: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    tone: str = ""


@dataclass(frozen=True)
class _Place:
    """Where edges and greys are, found in the brightest take."""

    regions: list[EdgeRegion]
    patches: list[GreyPatch]
    edges_from: str


def measure_takes(inputs: Inputs, seen: Seen, lights: Sequence[Quantity]) -> list[LightTake]:
    """Measure all takes, brightest first.

    Raises:
        CannotMeasure, WrongCall: Too few frames, a moving scene, different frame sizes, or nothing
            to measure in the brightest take.
    """
    watchers: list[NoiseFrames] = [w.observer for w in seen.watches]  # type: ignore[misc]
    order = sorted(range(len(lights)), key=lambda i: -lights[i].value)
    sizes = {(w.stage.width, w.stage.height) for w in watchers if w.stage is not None}
    if len(sizes) > 1:
        raise WrongCall(
            "The takes have different frame sizes.", "Film all levels in the same mode."
        )
    for source, watcher in zip(inputs.all_files(), watchers, strict=True):
        try:
            check_frames(watcher)
            check_still(watcher)
        except CannotMeasure as error:
            raise CannotMeasure(f"'{source.name}': {error.message}", error.hint) from None
    brightest = watchers[order[0]]
    assert brightest.stage is not None
    # One camera in one mode: the brightest take's curve is that of all.
    tone = inputs.tone(brightest.stage)
    place = _find(inputs, brightest, tone.light(brightest.stage))
    takes = [
        _measure(watchers[i], lights[i], tone, place, number) for number, i in enumerate(order, 1)
    ]
    return [_against(take, takes[0]) for take in takes]


def _find(inputs: Inputs, watcher: NoiseFrames, light: Light) -> _Place:
    """Find edges and greys in the brightest take; the camera does not move afterwards."""
    mean = watcher.mean()
    mirrored = inputs.option("mirrored") == "yes"
    regions: list[EdgeRegion] = []
    patches: list[GreyPatch] = []
    how = "target"
    for name in ("edges", "edges-high"):
        try:
            found = find(mean, name, mirrored=mirrored)
        except CannotMeasure:
            continue
        regions = [
            EdgeRegion(r.name, r.position, r.orientation, found.region(r.name))
            for r in found.layout.regions
            if r.position == "centre"
        ]
        patches = edges_patches(found, mean.shape) if name == "edges" else []
        break
    card = inputs.option("grey")
    if card:
        box = marked_box(card, mean.shape, "grey")
        patches = [GreyPatch("grey card", box, 0.18, _U_GREY_CARD)]
    elif not patches:
        patches = step_patches(mean, [], mirrored=mirrored) or []
    marked = inputs.option("region")
    if marked:
        x, y, w, h = marked_box(marked, mean.shape)
        corners = np.array([[x, y], [x + w - 1, y], [x + w - 1, y + h - 1], [x, y + h - 1]], float)
        tile = light.linear(mean[y : y + h, x : x + w])
        across = float(np.abs(np.diff(tile.mean(axis=0))).sum())
        down = float(np.abs(np.diff(tile.mean(axis=1))).sum())
        orientation = "vertical" if across >= down else "horizontal"
        where = position_of(corners.mean(axis=0), mean.shape)
        regions, how = [EdgeRegion("region", where, orientation, corners)], "marked region"
    elif not regions:
        regions, how = find_edges(light.linear(mean), 3), "edge of the scene"
    if not regions and not patches:
        raise CannotMeasure(
            "There is neither a slanted edge nor a known grey in the brightest take.",
            "Film the edges target (seeworthy target edges), or mark an edge and a grey card with "
            "--option region=x,y,w,h --option grey=x,y,w,h.",
        )
    return _Place(regions, patches, how)


def _measure(
    watcher: NoiseFrames, lux: Quantity, tone: Tone, place: _Place, number: int
) -> LightTake:
    assert watcher.stage is not None
    light = tone.light(watcher.stage)
    take = LightTake(
        lux, f"take_{number}.png", watcher.mean(), edges_from=place.edges_from,
        assumptions=(*light.assumptions, *tone.said), tone=tone.words, rate=_rate(watcher),
    )  # fmt: skip
    take = _sharpness(take, watcher, light, place)
    return _noise(take, watcher, tone, light, place)


def _rate(watcher: NoiseFrames) -> tuple[float, float, float, int] | None:
    if watcher.stage is None:
        return None
    try:
        found = read_stamps(watcher.ticks, watcher.stage.time_base)
    except ValueError:
        return None
    return found.rate, found.u_rate, found.dof, found.n - 1


def _sharpness(take: LightTake, watcher: NoiseFrames, light: Light, place: _Place) -> LightTake:
    """Measure the same edges in means of a few frames each."""
    size = max(1, watcher.count // _BLOCKS)
    means = [
        np.mean([light.linear(k.luma) for k in watcher.kept[i : i + size]], axis=0)
        for i in range(0, size * min(_BLOCKS, watcher.count), size)
    ]
    clip = float(light.linear([light.black + 1])[0]), float(light.linear([light.white - 1])[0])
    found, measured, why = {}, [], ""
    drowned = bool(place.regions)
    for region in place.regions:
        try:
            edge = measure_edge(means, region, clip)
        except CannotMeasure as error:
            why = why or error.message
            # Clipped at white is too much light, not too little.
            drowned = drowned and not _white(means, region, clip[1])
            continue
        drowned = False
        measured.append(edge)
        found[region.name] = (edge.mtf50, math.hypot(edge.u, FLOOR * edge.mtf50))
    notes = (f"the edge could not be measured: {why}",) if why and not found else ()
    return replace(
        take, mtf50=found, measured=tuple(measured), drowned=drowned, notes=take.notes + notes
    )


def _white(means: Sequence[Any], region: EdgeRegion, white: float) -> bool:
    x, y = region.corners.mean(axis=0).astype(int)
    near = means[0][max(0, y - 8) : y + 8, max(0, x - 8) : x + 8]
    return bool(np.mean(near >= white) > 0.02)


def _noise(
    take: LightTake, watcher: NoiseFrames, tone: Tone, light: Light, place: _Place
) -> LightTake:
    if not place.patches:
        return take
    try:
        levels = noise_levels.of_patches(watcher, light, place.patches)
        grey = at_grey(levels.luminance, "reflectance")
    except CannotMeasure as error:
        notes = (*take.notes, f"noise could not be measured: {error.message}")
        return replace(take, black=error.reason == "black", notes=notes)
    trouble = noise_levels.trouble_of(levels.luminance)
    notes = take.notes
    if trouble.coded and trouble.loss >= 1:
        notes = (
            *notes,
            f"the encoder lifted SNR by {trouble.loss:.0f} dB at least over the sensor's own",
        )
    if trouble.flicker > 0.01 or trouble.bands > 0.01:
        share = 100 * max(trouble.flicker, trouble.bands)
        notes = (*notes, f"the light flickers by {share:.0f} % (rms), not counted as noise")
    shift, curve, words = referred(levels.luminance, "reflectance", tone, grey.signal)
    return replace(
        take, grey=grey, shift=shift, parts=(curve, coding_part(trouble)),
        boxes=tuple(levels.boxes), notes=notes, tone=words,
    )  # fmt: skip


def _against(take: LightTake, bright: LightTake) -> LightTake:
    """Set a take against the brightest."""
    darker = None
    if take.grey is not None and bright.grey is not None:
        darker = math.log2(bright.grey.signal / take.grey.signal)
    both = [name for name in take.mtf50 if name in bright.mtf50]
    if not both:
        return replace(take, darker=darker)
    ratios, shares = [], []
    for name in both:
        (value, u), (reference, u_reference) = take.mtf50[name], bright.mtf50[name]
        ratios.append(value / reference)
        shares.append(math.hypot(u / value, u_reference / reference))
    kept = sum(ratios) / len(ratios)
    # Edges of one square share their coding: half of the scatter averages out, no more.
    mean = sum(shares) / len(shares)
    share = mean * math.sqrt((1 + 1 / len(both)) / 2)
    square = sum((r - kept) ** 2 for r in ratios) / max(len(both) - 1, 1)
    parts = (
        Component("MTF50 of both takes", share, "", kept, source="scatter, and coding"),
        Component("edges", math.sqrt(square / len(both)), source="scatter between edges"),
    )
    return replace(
        take, kept=(kept, combined(parts)), kept_parts=parts, edges=len(both), darker=darker
    )


def judge(takes: Sequence[LightTake], limits: UsableLimits) -> Usable:
    """Find the least usable light.

    Raises:
        CannotMeasure: See `measure.low_light.least_usable`.
    """
    unknown, failed = Point(0.0, 0.0, "unknown"), Point(0.0, 0.0, "failed")
    bright_rate = takes[0].rate
    snr, sharpness, rate = [], [], []
    for take in takes:
        if take.grey is not None:
            own = math.sqrt(max(take.grey.u_snr**2 - take.grey.u_shared**2, 0.0))
            snr.append(Point(take.grey.snr + take.shift, own))
        else:
            snr.append(failed if take.black else unknown)
        if take is takes[0] and take.kept is not None:
            sharpness.append(Point(0.0, 0.0))
        elif take.kept is not None:
            # By its logarithm, as SNR is: both fall along a smooth line over stops of light.
            value, u = take.kept
            sharpness.append(Point(math.log(value), u / value))
        else:
            sharpness.append(failed if take.drowned and takes[0].mtf50 else unknown)
        known = take.rate is not None and bright_rate is not None
        rate.append(Point(take.rate[0] / bright_rate[0], 0.0) if known else unknown)  # type: ignore[index]
    # Densities, tone curve and encoder are the same in all takes: they move the curve as a whole.
    shared = max(
        (math.hypot(t.grey.u_shared, combined(t.parts)) for t in takes if t.grey is not None),
        default=0.0,
    )
    return least_usable(
        [t.lux.value for t in takes],
        [t.lux.u for t in takes],
        {SNR: snr, SHARPNESS: sharpness, RATE: rate},
        [
            Rule(SNR, limits.snr, shared),
            Rule(SHARPNESS, math.log(limits.sharpness)),
            Rule(RATE, limits.rate, stepwise=True),
        ],
    )
