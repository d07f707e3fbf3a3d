"""Finding the reference picture's place on the test picture: features and a homography.

Features (SIFT, Lowe 2004) are matched and a homography is fitted robustly (RANSAC family).
Plain objects on plain cloth have few features: then the edge maps are aligned from the
assumption of equal framing (Evangelidis and Psarakis 2008). Either answer must make the
edges of the two pictures lie on each other, or it is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure

Floats = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

_WORK = 1280  # px: longer side that features are looked for at
_RATIO = 0.8  # best to second best match (Lowe 2004)
_LEAST_INLIERS = 14  # four fix a homography; ten over (a judgement)
_WITHIN = 3.0  # px at the working size (a judgement)
_LEAST_ALIKE = 0.3  # correlation of the two pictures, one laid on the other (a judgement)
_SHARE_SEEN = 0.35  # of the smaller picture (a judgement)

_HINT = (
    "Film the same objects from about the same place, framed alike, in focus and with the same "
    "light; the reference must show the same scene. Or mark cells and give their known values."
)


@dataclass(frozen=True)
class Registration:
    """Where the reference lies on the test picture.

    Attributes:
        matrix: array, (3, 3). Homography from reference px to test px.
        matched: Features that agree with it, 0 where edges were aligned.
        residual: Their rms distance, px of the test picture.
        alike: Correlation of the two edge maps, 0 to 1.
        method: ``features`` or ``edges``.
    """

    matrix: Floats
    matched: int
    residual: float
    alike: float
    method: str


def coded(linear: npt.ArrayLike) -> Image:
    """Return linear light on a scale that is even to the eye: L* / 100, (...)."""
    y = np.clip(np.asarray(linear, np.float32), 0, None)
    knee = np.float32(0.008856)
    return np.where(y > knee, 1.16 * np.cbrt(y) - 0.16, 9.033 * y).astype(np.float32)


def edge_map(picture: Image, sigma: float = 1.5) -> Image:
    """Return the strongest gradient over the channels of a coded picture, (H, W), per px."""
    smooth = cv2.GaussianBlur(picture, (0, 0), sigma)
    strongest: Any = np.zeros(picture.shape[:2], np.float32)
    for c in range(picture.shape[2]):
        gx = cv2.Sobel(smooth[..., c], cv2.CV_32F, 1, 0, scale=0.125)
        gy = cv2.Sobel(smooth[..., c], cv2.CV_32F, 0, 1, scale=0.125)
        np.maximum(strongest, cv2.magnitude(gx, gy), out=strongest)
    return np.asarray(strongest, np.float32)


def register(reference: Image, test: Image) -> Registration:
    """Register two coded pictures of one scene.

    Args:
        reference, test: array, (H, W, 3). Coded by `coded`; their sizes may differ.

    Raises:
        CannotMeasure: Nothing in common.
    """
    small_r, scale_r = _small(reference)
    small_t, scale_t = _small(test)
    tries = []
    found = _by_features(small_r, small_t)
    if found is not None:
        tries.append((*found, "features"))
    if found is None or _alike(small_r, small_t, found[0]) < _LEAST_ALIKE:
        aligned = _by_edges(small_r, small_t)
        if aligned is not None:
            tries.append((aligned, 0, 1.0, "edges"))
    down_r, up_t = np.diag([scale_r, scale_r, 1.0]), np.diag([1 / scale_t, 1 / scale_t, 1.0])
    best: Registration | None = None
    for matrix, matched, residual, method in tries:
        alike = _alike(small_r, small_t, matrix)
        if alike >= _LEAST_ALIKE and (best is None or alike > best.alike):
            whole = up_t @ matrix @ down_r
            best = Registration(whole / whole[2, 2], matched, residual / scale_t, alike, method)
    if best is None:
        raise CannotMeasure("The reference shows another scene than the clip.", _HINT)
    return best


def _small(picture: Image) -> tuple[Image, float]:
    """Return the picture at working size, and its scale."""
    scale = min(1.0, _WORK / max(picture.shape[:2]))
    if scale == 1.0:
        return picture, 1.0
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32), scale


def _bytes(picture: Image) -> Any:
    grey = picture.mean(axis=2)
    low, high = np.percentile(grey, [1, 99.5])
    return np.clip((grey - low) / max(high - low, 1e-3) * 255, 0, 255).astype(np.uint8)


def _by_features(reference: Image, test: Image) -> tuple[Floats, int, float] | None:
    finder: Any = cv2.SIFT.create(nfeatures=3000, contrastThreshold=0.02)
    keys_r, about_r = finder.detectAndCompute(_bytes(reference), None)
    keys_t, about_t = finder.detectAndCompute(_bytes(test), None)
    if about_r is None or about_t is None or min(len(about_r), len(about_t)) < _LEAST_INLIERS:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(about_r, about_t, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < _RATIO * p[1].distance]
    if len(good) < _LEAST_INLIERS:
        return None
    there = np.array([keys_r[m.queryIdx].pt for m in good], np.float64)
    here = np.array([keys_t[m.trainIdx].pt for m in good], np.float64)
    cv2.setRNGSeed(1)
    matrix: Any
    matrix, mask = cv2.findHomography(there, here, cv2.USAC_MAGSAC, _WITHIN, None, 5000, 0.999)
    if matrix is None:
        return None
    inside = mask.ravel() > 0
    # Several keys at one place are one witness.
    places = np.unique(np.rint(here[inside] / 2), axis=0)
    if len(places) < _LEAST_INLIERS or not _sane(matrix, reference, test):
        return None
    off = cv2.perspectiveTransform(there[inside][:, None], matrix)[:, 0] - here[inside]
    return np.asarray(matrix, float), len(places), float(np.sqrt((off**2).sum(axis=1).mean()))


def _by_edges(reference: Image, test: Image) -> Floats | None:
    """Align edge maps from coarse to fine, starting with the same framing."""
    height, width = test.shape[:2]
    fit = min(width / reference.shape[1], height / reference.shape[0])
    start = np.array(
        [
            [fit, 0, (width - fit * reference.shape[1]) / 2],
            [0, fit, (height - fit * reference.shape[0]) / 2],
            [0, 0, 1],
        ]
    )
    warp: Floats = np.asarray(np.linalg.inv(start))
    for sigma, scale in ((4.0, 0.25), (2.5, 0.5), (1.5, 1.0)):
        shrink = np.diag([scale, scale, 1.0])
        a = _scaled(edge_map(test, sigma), scale)
        b = _scaled(edge_map(reference, sigma), scale)
        # cv2 looks for the warp from the template (test) to the input (reference).
        guess = (shrink @ warp @ np.linalg.inv(shrink)).astype(np.float32)
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-5)
        try:
            _, found = cv2.findTransformECC(
                a, b, guess, cv2.MOTION_HOMOGRAPHY, stop, np.ones(b.shape, np.uint8), 5
            )
        except cv2.error:
            return None
        warp = np.asarray(np.linalg.inv(shrink) @ np.asarray(found, float) @ shrink)
    matrix: Floats = np.asarray(np.linalg.inv(warp), float)
    return matrix / matrix[2, 2] if _sane(matrix, reference, test) else None


def _scaled(picture: Image, scale: float) -> Any:
    strong = cv2.GaussianBlur(picture, (0, 0), 1.5 / scale)
    return cv2.resize(strong * 50, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)


def _sane(matrix: Floats, reference: Image, test: Image) -> bool:
    """Tell whether a homography is what two cameras over one table can give."""
    height, width = reference.shape[:2]
    corners = np.array([[[0, 0]], [[width, 0]], [[width, height]], [[0, height]]], np.float64)
    depth = np.c_[corners[:, 0], np.ones(4)] @ matrix[2] / matrix[2, 2]
    if np.any(depth < 0.3) or np.any(depth > 3):
        return False
    there = cv2.perspectiveTransform(corners, matrix)[:, 0].astype(np.float32)
    if not cv2.isContourConvex(there):
        return False
    frame = np.array(
        [[0, 0], [test.shape[1], 0], [test.shape[1], test.shape[0]], [0, test.shape[0]]], np.float32
    )
    common, _ = cv2.intersectConvexConvex(there, frame)
    area = cv2.contourArea(there)
    ahead = float(np.linalg.det(matrix[:2, :2])) > 0
    return bool(ahead and common > _SHARE_SEEN * min(area, frame[2].prod()))


def _alike(reference: Image, test: Image, matrix: Floats) -> float:
    """Return the correlation of the edge maps where both pictures are."""
    size = (test.shape[1], test.shape[0])
    moved = cv2.warpPerspective(reference, matrix, size, flags=cv2.INTER_AREA)
    seen = cv2.warpPerspective(np.ones(reference.shape[:2], np.float32), matrix, size)
    both = cv2.erode((seen > 0.99).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    if both.sum() < 0.2 * both.size:
        return 0.0
    # Edges two pixels wide: what counts is where they are, not how strong.
    a, b = (np.sqrt(edge_map(np.asarray(p, np.float32), 2.0)[both]) for p in (moved, test))
    if a.std() < 1e-6 or b.std() < 1e-6:
        return 0.0
    return max(0.0, float(np.corrcoef(a, b)[0, 1]))
