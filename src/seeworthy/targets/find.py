"""Finding a printed target in a picture.

Coded markers say which target it is and where; its numbered points are then refined.
Any part of the target is enough as long as a few markers are whole. A mirrored
picture must be told (`mirrored`): a mirrored marker is no marker.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.optics.corners import refine_saddles, sample
from seeworthy.optics.lens import LensCamera
from seeworthy.optics.plane import PlaneMap, fit_plane
from seeworthy.targets import owners, target
from seeworthy.targets.layout import DICTIONARY, Layout

Array = npt.NDArray[np.float64]
LEAST_MARKERS = {"board": 3}
"""Markers that must be whole; the others carry few and large ones."""

_LEAST_GAP = 3.5
"""px of clear edge around a point, where the picture is squeezed most; below that its place
is wrong by a tenth of a pixel and more."""


@dataclass(frozen=True)
class Found:
    """A target in a picture.

    Attributes:
        markers: dict of int to ndarray (4, 2). Corners in px of the file's picture, clockwise on
            paper from the top left.
        ids: ndarray (n,). Numbers of the layout's refined points; empty for targets without any.
        image, plane: ndarray (n, 2). Refined points in px, and where they are on the target in mm.
        half: ndarray (n,). Half width in px of the window that each was refined in.
        mapping: Target mm to px.
    """

    layout: Layout
    markers: dict[int, Array]
    ids: npt.NDArray[np.intp]
    image: Array
    plane: Array
    half: npt.NDArray[np.intp]
    mapping: PlaneMap
    mirrored: bool = False

    def region(self, name: str) -> Array:
        """Return the corners (4, 2) in px of a named region."""
        return self.mapping.to_image(np.array(self.layout.region(name).corners))


@lru_cache(maxsize=4)
def _detector(fine: bool) -> Any:
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    options = cv2.aruco.DetectorParameters()
    options.adaptiveThreshWinSizeMin = 5 if fine else 9
    options.adaptiveThreshWinSizeMax = 53 if fine else 33
    options.adaptiveThreshWinSizeStep = 12 if fine else 24
    options.minMarkerPerimeterRate = 0.02
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    options.cornerRefinementWinSize = 4
    return cv2.aruco.ArucoDetector(dictionary, options)


def to_bytes(image: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    """Return the picture stretched over 0 to 255 between its 0.5 and 99.5 percentiles."""
    thin = image[::4, ::4]
    low, high = np.percentile(thin, (0.5, 99.5))
    gain = 255.0 / max(float(high - low), 1e-6)
    stretched = (np.asarray(image, np.float32) - np.float32(low)) * np.float32(gain)
    return np.asarray(np.clip(stretched, 0, 255), np.uint8)


def detect_markers(image: npt.NDArray[np.uint8], enough: int = 4) -> dict[int, Array]:
    """Return all known markers by number; harder looks when too few are found.

    Args:
        enough: Stop looking harder when this many are found.
    """
    best: dict[int, Array] = {}
    for attempt in range(4):
        if attempt == 0:
            found = _detect(image, False, 1.0)
        elif attempt == 1:
            found = _detect(image, True, 1.0)
        elif attempt == 2:  # noise
            found = _detect(cv2.GaussianBlur(image, (0, 0), 1.6), True, 1.0)
        else:  # blur: a smaller picture is a sharper one
            small = cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            found = _detect(np.asarray(small, np.uint8), True, 2.0)
        best = {**found, **best}
        if len(best) >= enough:
            break
    return best


def target_in(image: npt.NDArray[Any]) -> str:
    """Return the name of the target that a picture shows, ``""`` where none is sure.

    A quick look, for sorting: two markers of one target, three of the board, whose squares
    are many; a single one may be a chance pattern.
    """
    grey = to_bytes(image)
    for fine in (False, True):
        counts: dict[str, int] = {}
        for number in _detect(grey, fine, 1.0):
            name = owners()[number]
            if name == "slate":  # tells of a take, and is no target of one
                continue
            counts[name] = counts.get(name, 0) + 1
        best = max(counts, key=lambda n: counts[n], default="")
        if best and counts[best] >= LEAST_MARKERS.get(best, 2):
            return best
    return ""


def _detect(image: Any, fine: bool, zoom: float) -> dict[int, Array]:
    corners, ids, _ = _detector(fine).detectMarkers(image)
    if ids is None:
        return {}
    known = owners()
    found = {}
    for quad, number in zip(corners, np.asarray(ids).ravel(), strict=True):
        if int(number) in known:
            px = np.asarray(quad, float).reshape(4, 2)
            found[int(number)] = (px + 0.5) * zoom - 0.5
    return found


def find(
    image: npt.NDArray[Any],
    name: str,
    *,
    mirrored: bool = False,
    camera: LensCamera | None = None,
    harder: bool = True,
) -> Found:
    """Find a target.

    Args:
        image: Luma or grey, any integer or float type.
        name: Which target is expected (``board``, ``edges``, ...).
        mirrored: The picture is mirrored left to right.
        camera: The lens, when known.
        harder: Spend up to four looks on a picture where little is found.

    Raises:
        CannotMeasure: No target, another one, or too little of it.
    """
    work = np.ascontiguousarray(image[:, ::-1]) if mirrored else image
    grey = to_bytes(work)
    layout = target(name)
    least = LEAST_MARKERS.get(name, min(3, len(layout.markers)))
    enough = max(least + 1, len(layout.markers) // 4) if harder else 1
    markers = detect_markers(grey, enough) if harder else _detect(grey, False, 1.0)
    mine = {m.id for m in layout.markers}
    _check(markers, mine, least, layout)
    markers = {i: c for i, c in markers.items() if i in mine}
    height, width = grey.shape
    used = _mirrored_camera(camera) if mirrored and camera is not None else camera
    mapping, markers = _fit_markers(layout, markers, width, height, used)
    _check_map(mapping, layout, markers)
    smooth = np.asarray(work, np.float32)
    ids, points, plane, half = _refine(layout, smooth, mapping)
    if len(ids) >= 8:
        mapping = fit_plane(plane, points, width, height, used)
        off = np.hypot(*(mapping.to_image(plane) - points).T)
        keep = off < max(2.0, 8 * float(np.median(off)))
        keep &= _alone(points, off)
        ids, points, plane, half = ids[keep], points[keep], plane[keep], half[keep]
    found = Found(layout, markers, ids, points, plane, half, mapping)
    return _flip(found, width) if mirrored else found


def _check(markers: dict[int, Array], mine: set[int], least: int, layout: Layout) -> None:
    others = {owners()[i] for i in markers if i not in mine}
    count = sum(i in mine for i in markers)
    if count >= least:
        return
    if others and count == 0:
        raise CannotMeasure(
            f"This is the target '{sorted(others)[0]}', not '{layout.name}'.",
            f"Film the target of `seeworthy target {layout.name}`.",
            reason="other target",
        )
    if count == 0:
        raise CannotMeasure(
            f"No '{layout.name}' target was found in the picture.",
            "Show the printed target larger, evenly lit and sharp; if the camera mirrors its "
            "picture, add --option mirrored=yes.",
        )
    raise CannotMeasure(
        f"Too little of the '{layout.name}' target is in view ({count} of {len(mine)} markers).",
        "Move nearer or farther until more of it is in the frame, sharp and evenly lit.",
    )


def _check_map(mapping: PlaneMap, layout: Layout, markers: dict[int, Array]) -> None:
    corners = np.array([c for m in layout.markers if m.id in markers for c in m.corners])
    side = float(np.median([np.hypot(*(c[1] - c[0])) for c in markers.values()]))
    if mapping.mirrored(corners) or mapping.rms > 0.15 * side + 1.0:
        raise CannotMeasure(
            f"What looks like a '{layout.name}' target does not hold together as a flat sheet.",
            "Flatten the sheet; if the camera mirrors its picture, add --option mirrored=yes.",
        )


def _fit_markers(
    layout: Layout, markers: dict[int, Array], width: int, height: int, camera: LensCamera | None
) -> tuple[PlaneMap, dict[int, Array]]:
    """Fit the map to marker corners; drop markers that do not agree with the rest."""
    places = {m.id: np.array(m.corners) for m in layout.markers}
    for _ in range(3):
        plane = np.concatenate([places[i] for i in markers])
        image = np.concatenate(list(markers.values()))
        mapping = fit_plane(plane, image, width, height, camera)
        off = np.hypot(*(mapping.to_image(plane) - image).T).reshape(-1, 4).max(axis=1)
        # A wrong marker is off by half its side or more, a blurred one by a pixel or two.
        limit = max(3.0, 4 * float(np.median(off)))
        bad = [i for i, d in zip(markers, off, strict=True) if d > limit]
        if not bad or len(markers) - len(bad) < 2:
            break
        markers = {i: c for i, c in markers.items() if i not in bad}
    return mapping, markers


def _refine(
    layout: Layout, image: npt.NDArray[np.float32], mapping: PlaneMap
) -> tuple[npt.NDArray[np.intp], Array, Array, npt.NDArray[np.intp]]:
    """Refine every numbered point that the map puts inside the frame."""
    none = np.empty(0, np.intp), np.empty((0, 2)), np.empty((0, 2)), np.empty(0, np.intp)
    if not layout.points:
        return none
    ids = np.array(list(layout.points), np.intp)
    plane = np.array(list(layout.points.values()))
    guess = mapping.to_image(plane)
    height, width = image.shape
    inside = (
        mapping.reaches(plane)
        & (guess > 3).all(axis=1)
        & (guess[:, 0] < width - 4)
        & (guess[:, 1] < height - 4)
    )
    ids, plane, guess = ids[inside], plane[inside], guess[inside]
    if not len(ids):
        return none
    jacobian = mapping.scale(plane)
    smallest = np.linalg.svd(jacobian, compute_uv=False)[:, -1]
    gap = _gap(layout)
    # Windows of less than 3 px hold too little of two crossing edges: errors of a pixel.
    half = np.clip(np.floor(0.9 * gap * smallest), 3, 10).astype(np.intp)
    points, ok = refine_saddles(image, guess, half)
    ok &= smallest * gap > _LEAST_GAP
    ok &= _looks_like_a_corner(image, points, jacobian, gap)
    return ids[ok], points[ok], plane[ok], half[ok]


def _alone(points: Array, off: Array) -> npt.NDArray[np.bool_]:
    """Of points that were drawn to one place, keep the one that the map expects there."""
    apart = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    better = (off[None, :] < off[:, None]) & (apart < 1.5)
    return np.asarray(~better.any(axis=1), np.bool_)


def _gap(layout: Layout) -> float:
    """Distance in mm from a numbered point within which there is nothing but its two edges."""
    corners = np.array([c for m in layout.markers for c in m.corners])
    points = np.array(list(layout.points.values()))
    apart = np.abs(corners[None] - points[:1, None]).max(axis=2)
    return float(apart.min())


def _looks_like_a_corner(
    image: npt.NDArray[np.float32], points: Array, jacobian: Array, gap: float
) -> npt.NDArray[np.bool_]:
    """Check the four squares around each point: light and dark in turn, and clear of noise."""
    around = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * 0.6 * gap
    where = points[:, None] + np.einsum("nij,kj->nki", jacobian, around)
    levels = sample(image, where.reshape(-1, 2)).reshape(-1, 4)
    first, second = levels[:, 0::2], levels[:, 1::2]
    contrast = first.mean(axis=1) - second.mean(axis=1)
    uneven = np.abs(np.diff(first, axis=1)) + np.abs(np.diff(second, axis=1))
    typical = float(np.nanmedian(np.abs(contrast))) if len(contrast) else 0.0
    good = np.abs(contrast) > max(0.35 * typical, 1.0)
    return np.asarray(good & (uneven[:, 0] < 0.9 * np.abs(contrast)), np.bool_)


def _flip(found: Found, width: int) -> Found:
    """Bring everything back to the file's picture, mirrored as it is."""
    sign, shift = np.array([-1.0, 1.0]), np.array([width - 1.0, 0.0])
    markers = {i: c * sign + shift for i, c in found.markers.items()}
    old = found.mapping
    camera = _mirrored_camera(old.camera)
    homography = np.diag([-1.0, 1.0, 1.0]) @ old.homography
    mapping = PlaneMap(camera, homography, old.rms)
    image, layout = found.image * sign + shift, found.layout
    return Found(layout, markers, found.ids, image, found.plane, found.half, mapping, True)


def _mirrored_camera(c: LensCamera) -> LensCamera:
    k = c.k
    if c.kind == "pinhole":  # p2 is the one that knows left from right
        k = (k[0], k[1], k[2], -k[3], k[4])
    return LensCamera(c.kind, c.width, c.height, c.fx, c.fy, c.width - 1 - c.cx, c.cy, k)
