"""Sub-pixel places of tracked edges by fitting each edge to the mean look of its own track.

The edge's own mean profile is the template, so blur, motion blur and in-camera
sharpening do not matter: they are the same wherever the edge is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.statistics import robust_spread
from seeworthy.procedures.readout.tracks import UprightTrack
from seeworthy.procedures.readout.uprights import Edges

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class RowPoints:
    """Places of one tracked edge: one point per frame and band, n of them.

    Attributes:
        time: (n,) s, time stamp of the frame
        row: (n,) row relative to the middle of the frame
        x: (n,) column relative to the middle of the frame
        spread: Robust standard deviation about a smooth path, px.
        frames: Frames it was seen in.
        run: Number of the run it belongs to.
        scale: Scale at which it was found, px.
        twin: Distance at which uprights repeat along its way, px; 0: they do not; None: not known
            (`twins`).
    """

    time: Doubles
    row: Doubles
    x: Doubles
    spread: float
    frames: int
    run: int
    scale: float
    twin: float | None = None


def refine(
    bands: Floats, times: Doubles, rows: Doubles, edges: Edges, track: UprightTrack, run: int
) -> RowPoints | None:
    """Locate one track's edge in every band of every frame.

    Args:
        times: (K,) time stamps, s
        rows: (B,) rows relative to the middle of the frame
        edges, track: Where it was found roughly.
        run: Passed on.

    Returns:
        None when too few bands show it.
    """
    width = bands.shape[2]
    count = len(rows)
    frame = np.repeat(track.frames, count)
    band = np.tile(np.arange(count), len(track.frames))
    place, lean, bend = (
        np.repeat(a[track.edges], count) for a in (edges.place, edges.lean, edges.bend)
    )
    y = rows[band]
    expected = place + lean * y + bend * y * y
    half = int(np.ceil(2.5 * edges.scale + 4))
    u = np.arange(-half, half + 1)
    taper = np.cos(np.pi * u / (2 * half + 2)) ** 2
    design = _path_design(times[frame], y / np.max(np.abs(rows)), len(track.frames))
    weight = np.zeros(len(frame))
    at = expected
    for _ in range(3):
        patch, inside = _patches(bands, frame, band, expected, u)
        if inside.sum() < 0.3 * len(inside):
            return None
        shift, quality = _register(patch, inside, taper, half)
        usable = inside & (quality > 0.75) & (np.abs(shift) < half / 2)
        if usable.sum() < max(3 * design.shape[1], 0.3 * count * len(track.frames) * 0.8):
            return None
        at = expected + shift
        path, weight, spread = _smooth(design, at, usable)
        expected = path
    keep = weight > 0.3
    middle = (width - 1) / 2
    if keep.sum() < 3 * design.shape[1]:
        return None
    return RowPoints(
        times[frame[keep]],
        y[keep],
        at[keep] - middle,
        spread,
        len(np.unique(frame[keep])),
        run,
        edges.scale,
    )


def _path_design(time: Doubles, y: Doubles, frames: int) -> Doubles:
    """Return the terms of a smooth path: even motion, lean that may change, cubic bend."""
    span = max(float(np.ptp(time)), 1e-9)
    t = 2 * (time - time.mean()) / span
    terms = [np.ones_like(t), t, y, y * y, y**3]
    if frames >= 6:
        terms += [t * t, t * y]
    if frames >= 10:
        terms += [t**3, t * y * y]
    return np.stack(terms, axis=1)


def _patches(
    bands: Floats,
    frame: npt.NDArray[np.int64],
    band: npt.NDArray[np.int64],
    expected: Doubles,
    u: npt.NDArray[np.int64],
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return the light around each expected place, (n, m), by linear interpolation."""
    width = bands.shape[2]
    whole = np.floor(expected).astype(int)
    part = (expected - whole).astype(np.float32)[:, None]
    inside = (whole + u[0] >= 0) & (whole + u[-1] + 1 < width)
    index = np.clip(whole[:, None] + np.arange(u[0], u[-1] + 2), 0, width - 1)
    raw = bands[frame[:, None], band[:, None], index]
    return (raw[:, :-1] * (1 - part) + raw[:, 1:] * part), inside


def _register(
    patch: Floats, inside: npt.NDArray[np.bool_], taper: Doubles, half: int
) -> tuple[Doubles, Doubles]:
    """Return shift of each patch against the mean patch (px) and likeness to it (up to 1)."""
    weight = taper / taper.sum()
    level = patch - (patch @ weight)[:, None]
    contrast = np.sqrt((level**2) @ weight)
    strong = inside & (contrast > 0.3 * np.median(contrast[inside]))
    template = np.median(level[strong] / contrast[strong][:, None], axis=0)
    template = template - template @ weight
    slope = np.gradient(template)
    basis = np.stack([template, -slope, np.ones_like(template)], axis=1)
    normal = basis.T @ (weight[:, None] * basis)
    normal += 1e-9 * np.trace(normal) * np.eye(3)
    found = np.linalg.solve(normal, basis.T @ (weight[:, None] * level.T)).T  # (n, 3)
    left = level - found @ basis.T
    quality = 1 - ((left**2) @ weight) / np.maximum(contrast**2, 1e-12)
    gain = found[:, 0]
    typical = np.median(np.abs(gain[strong]))
    good = gain > 0.15 * typical
    shift = np.where(good, found[:, 1] / np.where(good, gain, 1.0), 2.0 * half)
    return shift, np.where(good, quality, 0.0)


def _smooth(
    design: Doubles, at: Doubles, usable: npt.NDArray[np.bool_]
) -> tuple[Doubles, Doubles, float]:
    """Fit the smooth path robustly; return path, weights and robust spread."""
    weight = usable.astype(float)
    spread = 1.0
    path = at
    for _ in range(4):
        weighted = design * weight[:, None]
        normal = design.T @ weighted + 1e-9 * len(at) * np.eye(design.shape[1])
        path = design @ np.linalg.solve(normal, weighted.T @ at)
        residual = at - path
        # A straight edge on an even motion is good to some tenths of a pixel.
        spread = robust_spread(residual[usable], about=0) + 0.01
        cut = np.clip(residual / (4 * spread), -1, 1)
        weight = usable * (1 - cut**2) ** 2
    return path, weight, spread
