"""Lateral colour error: how far red and blue edges lie from green ones, out to the corner.

ISO 19084: the displacement between colour channels, in per cent of the picture height. Every
slanted edge is found in each channel (code values: where chroma is stored at half resolution its
filters keep the centre of an edge there, not in light), and one radial curve, with a shift of
the whole picture, is fitted through all edges. Seeworthy fits d = a r + b r³; outward is positive.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Result, result
from seeworthy.ground.uncertainty import effective_dof
from seeworthy.media.frames import FrameView, Stage
from seeworthy.media.light import Light, light_of, rgb_from_planes
from seeworthy.observe.steady import SteadyMean
from seeworthy.procedures.sharpness.measure import EdgeRegion, crop
from seeworthy.procedures.sharpness.slanted_edge import fit_edge

Floats = npt.NDArray[np.float64]
CHANNELS = ("red", "blue")

LEAST_EDGES = 12
"""Edges from which five parameters leave a scatter worth telling (seven degrees of freedom)."""

ACROSS = 8.0
"""px to both sides of an edge within which a blurred edge and chroma at half resolution end."""

LEAST_REACH = 0.6
"""Distance of the farthest edge, 1 is the corner, below which the corner is a guess: there the
cubic has a fifth of its part at the corner (0.6³)."""

GREY = 0.25
"""Code values by which channels differ at least somewhere at an edge; below, a clip without colour
(rounding alone leaves less in a mean of frames)."""

CHROMA = 0.06
"""px by which a corner of a channel is off where chroma is stored at less than the resolution of
luma: 0.040 px rms, 0.096 px at most over sixteen clips of another renderer, 0.05 px rms over six of
our own (docs/accuracy/sharpness.md), no more inward than outward."""


class RgbMean(SteadyMean):
    """Like `SteadyMean`, with the mean of gamma-coded RGB.

    Planes are averaged as they are stored and turned to RGB once, unclipped: a player's own
    conversion rounds every colour of a frame to whole codes, downwards, which moved the corner of
    red and blue by 0.04 px.

    Attributes:
        rgb: float32 array (H, W, 3) or None. Mean code values, 0 to 255, of the best stretch.
        halved: The clip stores chroma at less than the resolution of luma.
    """

    most = 12

    def __init__(self, *, light: Callable[[Stage], Light] = light_of) -> None:
        super().__init__()
        self.rgb: npt.NDArray[np.float32] | None = None
        self.halved = False
        self._light_of = light
        self._light: Light | None = None
        self._planes: list[npt.NDArray[np.float32]] = []
        self._colours = 0

    def begin(self, stage: Stage) -> None:
        """Remember the geometry and make the light."""
        super().begin(stage)
        self._light = self._light_of(stage)

    def frame(self, view: FrameView) -> bool | None:
        """Add a frame."""
        if view.corrupt or view.index % self.every:
            return None
        more = super().frame(view)
        if more is False:
            return False  # the stretch is long enough without this last one
        assert self._light is not None
        chroma = view.chroma
        planes: list[npt.NDArray[Any]] = [view.rgb()]
        if chroma is not None and self._light.matrix != "RGB":
            planes = [view.luma, *chroma]
        self.halved = planes[-1].shape[:2] != view.luma.shape
        kept = self._planes or [np.zeros(p.shape, np.float32) for p in planes]
        self._planes = [k + p for k, p in zip(kept, planes, strict=True)]
        self._colours += 1
        return None

    def _close(self) -> None:
        best = self._sum is not None and self._n > self.count
        super()._close()
        if best and self._colours:
            assert self._light is not None
            means = [p / np.float32(self._colours) for p in self._planes]
            self.rgb = means[0]
            if len(means) > 1:
                self.rgb = 255 * rgb_from_planes(means[0], means[1], means[2], self._light)
        self._planes, self._colours = [], 0


@dataclass(frozen=True, slots=True)
class Lateral:
    """One channel against green.

    Attributes:
        corner, u, dof: Displacement at the corner in px, outward positive; by scatter of the edges.
        largest, radius: The largest displacement from the centre to the corner, and where (1: the
            corner).
        edges: That were found in this channel and in green.
    """

    channel: str
    corner: float
    u: float
    dof: float
    largest: float
    radius: float
    edges: int


def lateral(rgb: npt.NDArray[np.float32], regions: Sequence[EdgeRegion]) -> list[Lateral]:
    """Return red and blue against green; empty where the picture cannot tell.

    Args:
        rgb: Mean code values, (H, W, 3).
    """
    height, width = rgb.shape[:2]
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    half = math.hypot(width, height) / 2
    rows: list[tuple[Floats, float, float]] = []
    reach = colour = 0.0
    for region in regions:
        try:
            red, blue, slope, ways = _shifts(rgb, region)
        except CannotMeasure:
            continue
        at = (region.corners.mean(axis=0) - middle) / half
        x, y = at if region.orientation == "vertical" else at[::-1]
        # An edge x = f(y) that moves by (dx, dy) is met in its row dx - f' dy further on.
        out, r2 = x - slope * y, float(at @ at)
        shift = (1.0, -slope) if region.orientation == "vertical" else (-slope, 1.0)
        rows.append((np.array([out, r2 * out, *shift, ways]), red, blue))
        reach, colour = max(reach, math.sqrt(r2)), max(colour, _colour(rgb, region))
    if len(rows) < LEAST_EDGES or reach < LEAST_REACH or colour < GREY:
        return []
    design = np.array([row[0] for row in rows])
    return [
        _fitted(channel, design, np.array([row[place] for row in rows]))
        for place, channel in enumerate(CHANNELS, 1)
    ]


def _shifts(rgb: npt.NDArray[np.float32], region: EdgeRegion) -> tuple[float, float, float, float]:
    """Return how far red and blue lie beyond green along the rows, px, slope and sense of the edge.

    By areas: the mean of a row across the edge, as a share of the channel's own step, falls by one
    pixel's part for every pixel that the edge lies further on. Filters that keep the mean keep it.
    """
    rows, columns, mask = crop(rgb.shape[:2], region.corners)
    tile = np.asarray(rgb[rows, columns], float)
    if region.orientation == "horizontal":
        tile, mask = tile.transpose(1, 0, 2), mask.T
    fits = [fit_edge(tile[..., c], mask) for c in range(3)]
    green = fits[1]
    y, x = np.nonzero(mask)
    away = x - green.x(y)
    # Rows that the region's outline cuts beside the edge would hold the edge at one place.
    ends = [np.full(len(tile), np.inf), np.full(len(tile), -np.inf)]
    np.minimum.at(ends[0], y, away)
    np.maximum.at(ends[1], y, away)
    whole = (ends[0] <= 1 - ACROSS) & (ends[1] >= ACROSS - 1)
    near = (np.abs(away) <= ACROSS) & whole[y]
    if not near.any():
        raise CannotMeasure("The region reaches too little to both sides.", "Mark a wider one.")
    ways = float(np.sign(tile[y, x, 1][near & (away > 0)].mean()
                         - tile[y, x, 1][near & (away < 0)].mean()))  # fmt: skip
    across = near.sum() / len(np.unique(y[near]))
    share = [
        float(np.mean((tile[y, x, c][near] - f.low) / (f.high - f.low))) for c, f in enumerate(fits)
    ]
    slope = float(np.polyval(np.polyder(green.fit), 0.0))
    red, blue = (-ways * across * (share[c] - share[1]) for c in (0, 2))
    return red, blue, slope, ways


def _colour(rgb: npt.NDArray[np.float32], region: EdgeRegion) -> float:
    rows, columns, _ = crop(rgb.shape[:2], region.corners)
    return float(np.ptp(rgb[rows, columns], axis=2).max())


def _fitted(channel: str, design: Floats, found: Floats) -> Lateral:
    keep = np.ones(len(found), bool)
    for _ in range(3):  # an edge with a coding error of its own is left out
        fit = np.linalg.lstsq(design[keep], found[keep], rcond=None)[0]
        off = np.abs(found - design @ fit)
        again = off <= max(4 * 1.4826 * float(np.median(off)), 0.02)
        if again.sum() < LEAST_EDGES or (again == keep).all():
            break
        keep = again
    a, b = design[keep], found[keep]
    fit = np.linalg.lstsq(a, b, rcond=None)[0]
    dof = len(b) - design.shape[1]
    scatter = float(np.sum((b - a @ fit) ** 2)) / dof
    corner = np.array([1.0, 1.0, 0.0, 0.0, 0.0])
    u = math.sqrt(scatter * float(corner @ np.linalg.pinv(a.T @ a) @ corner))
    radius = np.linspace(0.0, 1.0, 201)
    curve = fit[0] * radius + fit[1] * radius**3
    far = int(np.argmax(np.abs(curve)))
    return Lateral(
        channel, float(corner @ fit), u, float(dof), float(curve[far]), float(radius[far]), len(b)
    )


def lateral_results(
    found: Sequence[Lateral], shape: Sequence[int], *, halved: bool
) -> list[Result]:
    """Return the displacement at the corner in per cent of the picture height."""
    scale = 100 / min(shape[:2])
    out = []
    for one in found:
        budget = [Component("scatter of the edges", one.u, "px", scale, source="scatter")]
        if halved:
            budget.append(
                Component(
                    "colour stored at half resolution", CHROMA, "px", scale,
                    source="rendered clips (4:2:0), five encoders and six tone curves",
                )
            )  # fmt: skip
        dof = effective_dof([(c.part, one.dof if i == 0 else math.inf)
                             for i, c in enumerate(budget)])  # fmt: skip
        out.append(
            result(
                "lateral_colour", scale * one.corner, combined(budget), n=one.edges, dof=dof,
                conditions={"channel": one.channel}, evidence=["edges.png"], budget=budget,
            )
        )  # fmt: skip
    return out


def lateral_finding(found: Sequence[Lateral]) -> dict[str, Any] | None:
    """Return the displacement in px at the corner and at its largest, per channel."""
    return {
        one.channel: {
            "corner_px": round(one.corner, 3),
            "largest_px": round(one.largest, 3),
            "largest_at": round(one.radius, 2),
        }
        for one in found
    } or None
