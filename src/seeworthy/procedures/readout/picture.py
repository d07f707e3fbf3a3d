"""Evidence of read-out: found edges, or fitted bands, drawn on a frame."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from seeworthy.procedures.readout.lamp import LampReadout
from seeworthy.procedures.readout.passing import Passing

# Okabe and Ito (2008), as BGR: orange to the right, blue to the left.
_RIGHT, _LEFT, _REST, _BAND = (0, 159, 230), (178, 114, 0), (115, 158, 0), (0, 94, 213)

Shown = Sequence[tuple[float, npt.NDArray[Any]]]


def draw_edges(passing: Passing, pictures: Shown) -> bytes | None:
    """Return a PNG of the frame that shows most edges, each drawn where it was found.

    Args:
        pictures: sequence of (time, luma codes). Frames kept by the observer.
    """
    best, shown = None, 0
    for seconds, codes in pictures:
        count = sum(bool(np.any(np.abs(p.time - seconds) < 1e-6)) for p in passing.tracks)
        if count > shown:
            best, shown = (seconds, codes), count
    if best is None:
        return None
    seconds, codes = best
    canvas = _canvas(codes)
    height, width = codes.shape
    thick = max(1, round(height / 360))
    for points, speed, lean in zip(
        passing.tracks, passing.fit.speed, passing.fit.lean, strict=True
    ):
        here = np.abs(points.time - seconds) < 1e-6
        if here.sum() < 4:
            continue
        row, x = points.row[here], points.x[here]
        curve = np.polyfit(row, x, 3 if here.sum() > 10 else 1)
        y = np.linspace(row.min(), row.max(), 40)
        line = np.stack([np.polyval(curve, y) + (width - 1) / 2, y + (height - 1) / 2], axis=1)
        slow = abs(speed) < 0.02 * width
        colour = _REST if slow else _RIGHT if speed > 0 else _LEFT
        cv2.polylines(
            canvas, [np.rint(line * 8).astype(np.int32)], False, colour, thick, cv2.LINE_AA, 3
        )
        for px, py in zip(x + (width - 1) / 2, row + (height - 1) / 2, strict=True):
            centre = (round(float(px) * 8), round(float(py) * 8))
            cv2.circle(canvas, centre, 8 * (thick + 1), colour, 1, cv2.LINE_AA, 3)
        label = f"{speed:+.0f} px/s, {lean * height:+.1f} px"
        _write(canvas, label, (float(line[0, 0]), float(line[0, 1])), colour)
    return _png(canvas)


def draw_bands(lamp: LampReadout, codes: npt.NDArray[Any]) -> bytes:
    """Return a PNG of the first frame with the fitted bands' profile at its side."""
    canvas = _canvas(codes)
    width = codes.shape[1]
    reach = 0.1 * width / max(float(np.max(np.abs(lamp.fitted))), 1e-9)
    for values, colour in ((lamp.shown, _LEFT), (lamp.fitted, _BAND)):
        line = np.stack([0.15 * width + reach * np.clip(values, -3, 3), lamp.rows], axis=1)
        cv2.polylines(
            canvas, [np.rint(line * 8).astype(np.int32)], False, colour, 2, cv2.LINE_AA, 3
        )
    inner = lamp.fitted[1:-1]
    tops = np.flatnonzero((inner > lamp.fitted[:-2]) & (inner >= lamp.fitted[2:])) + 1
    for row in lamp.rows[tops]:
        cv2.line(canvas, (0, round(row)), (width - 1, round(row)), _BAND, 1, cv2.LINE_AA)
    return _png(canvas)


def draw_nothing(pictures: Shown) -> bytes | None:
    """Return a PNG of a frame from the middle of what was kept, nothing drawn on it."""
    return _png(_canvas(pictures[len(pictures) // 2][1])) if pictures else None


def _canvas(codes: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    eight = codes if codes.dtype == np.uint8 else (codes >> 2).astype(np.uint8)
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(eight), cv2.COLOR_GRAY2BGR), np.uint8)


def _write(
    canvas: npt.NDArray[np.uint8], text: str, at: tuple[float, float], colour: tuple[int, int, int]
) -> None:
    # Turned by a quarter, so that the labels of near edges do not run into each other.
    size = canvas.shape[0] / 1500
    (w, h), base = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
    tag = np.full((h + base + 4, w + 4, 3), 255, np.uint8)
    cv2.putText(tag, text, (2, h + 2), cv2.FONT_HERSHEY_SIMPLEX, size, colour, 1, cv2.LINE_AA)
    tag = np.rot90(tag)
    y = int(np.clip(at[1], 0, canvas.shape[0] - tag.shape[0]))
    x = int(np.clip(at[0] + 4, 0, canvas.shape[1] - tag.shape[1]))
    part = canvas[y : y + tag.shape[0], x : x + tag.shape[1]]
    part[:] = cv2.addWeighted(part, 0.2, np.ascontiguousarray(tag), 0.8, 0)


def _png(canvas: npt.NDArray[np.uint8]) -> bytes:
    done, data = cv2.imencode(".png", canvas)
    return bytes(data) if done else b""
