"""Mend a clip: decode, correct, encode, streaming."""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure, UnreadableInput, WrongCall
from seeworthy.ground.plain import picked
from seeworthy.judge.correct.data import Corrections, StampData
from seeworthy.judge.correct.fill import DotFiller, Filler, find_stamps
from seeworthy.judge.correct.gain import gain_field
from seeworthy.judge.correct.outclip import OutClip, check_name, new_file, pixel_format
from seeworthy.judge.correct.pixels import Mender, Planes, one_thread_a_frame
from seeworthy.judge.correct.rolling import RowMaps, Rows, watch_rows
from seeworthy.judge.correct.undistort import Undistortion, plan_undistortion
from seeworthy.media.frames import Observer, watch
from seeworthy.media.light import Light, light_of

if TYPE_CHECKING:
    from seeworthy.media.frames import FrameView, PassSummary, Stage
    from seeworthy.media.source import Source

    _Tell = Callable[[float], None] | None
    _Fit = Callable[[FrameView], "_Plan"]

_COLOURLESS = 2  # code values by which chroma may differ from none in a monochrome clip
_BITS_MOST = 10  # what the encoder of the mended clip takes


@dataclass(frozen=True, slots=True)
class Mended:
    """What was done to a clip.

    Attributes:
        seconds: What it took.
        applied: Sentences: what, and from where.
        limits: Sentences: what could not be mended, or has a price.
    """

    clip: str
    path: Path
    frames: int
    seconds: float
    applied: tuple[str, ...]
    limits: tuple[str, ...]
    warnings: tuple[str, ...]
    undistortion: Undistortion | None

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            **picked(self, "file=clip out=path frames"),
            "seconds": round(self.seconds, 3),
            "frames_per_second": round(self.frames / self.seconds, 1) if self.seconds else None,
            **picked(self, "applied limits warnings"),
        }


def correct_clip(
    source: Source,
    corrections: Corrections,
    out: Path,
    *,
    keep_all: bool = False,
    force: bool = False,
    only: int | None = None,
    progress: _Tell = None,
) -> Mended:
    """Write a mended copy of a clip.

    Args:
        source: Only read.
        out: The new file, ``.mp4`` or ``.mov``.
        keep_all: Undistort with black edges rather than cut the edges off.
        force: Replace a file of that name.
        only: Write this frame alone: a picture of before and after needs no more.
        progress: Called with the share done.

    Raises:
        Conflict: The new name is the clip's, or taken.
        WrongCall: The clip has another shape of picture than was measured, or no colour to correct.
        UnreadableInput, CannotMeasure: No pictures, or coded in a way that gives no light here.
        NoSpace: The disk is full.
    """
    check_name(source.path, out, force)
    if not corrections.any():
        raise WrongCall("There is nothing to correct with.", "Name a bench or a result.")
    begun = time.perf_counter()
    passes = 1 + (corrections.rolling is not None) + corrections.fill_stamp
    shares = iter([_share(progress, k, passes) for k in range(passes)])
    rows = stamps = None
    if corrections.rolling is not None:
        rows = watch_rows(source, corrections.rolling, corrections.lens, next(shares))
    if corrections.fill_stamp:
        stamps = find_stamps(source, next(shares))
    with new_file(out, force) as part, one_thread_a_frame():
        work = _Work(source, part, partial(_Plan.of, corrections, keep_all, rows, stamps), only)
        try:
            summary = watch(source, [work], progress=next(shares))
            work.close()
        except BaseException:
            work.abandon()
            raise
    plan = work.plan
    assert plan is not None
    return Mended(
        source.name,
        out,
        work.frames,
        time.perf_counter() - begun,
        plan.applied(),
        plan.limits(work.left_out),
        _warnings(summary, work.moved),
        plan.undistortion,
    )


def _share(progress: _Tell, done: int, passes: int) -> _Tell:
    return progress and (lambda share: progress((done + share) / passes))


def _warnings(summary: PassSummary, moved: int) -> tuple[str, ...]:
    found = list(summary.warnings)
    if summary.corrupt:
        found.append(f"{len(summary.corrupt)} frames are damaged in the clip; they stay so.")
    if moved:
        found.append(f"{moved} frames had no time stamp of their own or one out of order.")
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Plan:
    """Corrections fitted to one clip."""

    corrections: Corrections
    light: Light
    undistortion: Undistortion | None
    grey: bool
    stage: Stage
    rows: Rows | None
    stamps: StampData | None

    @classmethod
    def of(
        cls,
        corrections: Corrections,
        keep_all: bool,
        rows: Rows | None,
        stamps: StampData | None,
        view: FrameView,
    ) -> _Plan:
        stage = view.stage
        if stage.bits > _BITS_MOST:
            raise CannotMeasure(
                f"The clip has {stage.bits} bits a sample; up to {_BITS_MOST} can be written.",
                "Convert a copy to 8 or 10 bit first.",
            )
        grey = colourless(view)
        if grey and corrections.colour is not None:
            raise WrongCall(
                "The clip is monochrome: there is no colour to correct.",
                "Leave the colour correction out (--without colour).",
            )
        lens, dark = corrections.lens, corrections.dark
        size = (stage.width, stage.height)
        if dark is not None and dark.size != size:
            raise WrongCall(
                f"The hot pixels were found at {dark.size[0]}×{dark.size[1]}, and the clip is "
                f"{size[0]}×{size[1]}: they lie elsewhere in it.",
                "Leave them out (--without dark), or film a dark clip in this mode.",
            )
        bent = None if lens is None else plan_undistortion(lens, size, keep_all)
        light = light_of(stage)
        if light.matrix == "RGB":
            # The planes that a clip of R, G and B gives have a matrix all the same.
            light = replace(light, range="full")
        return cls(corrections, light, bent, grey, stage, rows, stamps)

    def hand(self, view: FrameView) -> Callable[[Copied, float | None], Planes]:
        """Return what mends one frame's planes at its time (s)."""
        fillers: list[Filler | DotFiller] = []
        if self.corrections.dark is not None:
            shapes = [view.luma.shape, *(plane.shape for plane in view.chroma or ())]
            fillers.append(DotFiller(self.corrections.dark.places, shapes))
        if self.stamps:
            fillers.append(Filler(self.stamps.boxes, self.stage.bits))
        # With nothing but stamp and dots to fill, no other sample may change.
        touched = bool(set(self.corrections.kinds()) - {"dark"}) or self.rows is not None
        mender = self.mender() if touched or not _halved(view) else None
        rows = None
        if self.rows is not None:
            base = None if self.undistortion is None else self.undistortion.maps()
            rows = RowMaps(self.rows, (self.stage.width, self.stage.height), base)

        def mend(planes: Copied, moment: float | None) -> Planes:
            for filler in fillers:
                filler.apply(planes)
            if mender is None:
                return planes
            return mender.apply(*planes, rows.at(moment) if rows and moment is not None else None)

        return mend

    def mender(self) -> Mender:
        size = (self.stage.width, self.stage.height)
        shading, colour = self.corrections.shading, self.corrections.colour
        gain = None if shading is None else gain_field(shading, size)
        if gain is not None and self.grey:
            kr, kb = self.light.weights
            even = gain @ np.array([kr, 1 - kr - kb, kb], np.float32)
            gain = np.repeat(even[..., None], 3, axis=2)
        return Mender.of(
            self.light,
            gain,
            None if colour is None else colour.product,
            self.undistortion,
            half_chroma=pixel_format(self.stage).startswith("yuv420"),
        )

    def applied(self) -> tuple[str, ...]:
        found = []
        size = (self.stage.width, self.stage.height)
        if self.stamps is not None:
            found.append(_filled(self.stamps))
        if self.corrections.dark is not None:
            dark = self.corrections.dark
            found.append(f"Filled in {len(dark.places)} hot pixels, by {dark.origin}.")
        if self.rows is not None and self.corrections.rolling is not None:
            by = self.corrections.rolling
            motion = f"the gyroscope's {by.gyro.name}" if by.gyro else "the clip's own motion"
            when = by.origin if by.readout is not None else "the read-out time that both tell"
            found.append(
                f"Moved the rows to where one moment would have shown them, by {motion} and "
                f"{when}: in the brisker frames uprights leaned by up to {self.rows.lean():.1f}°."
            )
        if self.corrections.shading is not None:
            how = "brightness of" if self.grey else "brightness and tint of"
            spot = "" if self.corrections.shading.spot is None else " and of a hot spot"
            found.append(
                f"Evened out {how} the corners{spot}, by {self.corrections.shading.origin}."
            )
        if self.corrections.colour is not None:
            found.append(f"Corrected the colours, by {self.corrections.colour.origin}.")
        if self.undistortion is not None and self.corrections.lens is not None:
            lens = self.corrections.lens
            kept = "edges kept" if self.undistortion.keep_all else "edges cut to fill the frame"
            found.append(
                f"Made straight lines straight, {kept}; the picture now spans "
                f"{self.undistortion.hfov:.1f}° from side to side, by {lens.origin}."
            )
        for kind in ("lens", "shading"):
            data = getattr(self.corrections, kind)
            if data is not None and data.size != size:
                found.append(
                    f"The {kind} was measured at {data.size[0]}×{data.size[1]} and scaled; this "
                    "holds when both modes show the same view."
                )
        return tuple(found)

    def limits(self, left_out: list[str]) -> tuple[str, ...]:
        found = []
        shading, lens = self.corrections.shading, self.corrections.lens
        if self.rows is not None:
            by = self.corrections.rolling
            fast = "" if by is not None and by.gyro else ", and vibration faster than the frames,"
            found.append(
                f"Near things that the craft passes{fast} move rows by more than the rotation "
                "tells; that stays. Rows moved in from beyond the edge repeat the edge."
            )
        if self.stamps is not None and self.stamps.boxes:
            found.append("What stood behind the stamp is a guess; measure nothing there.")
        if self.corrections.dark is not None:
            found.append("What stood behind a hot pixel is a guess; a warmer sensor has more.")
        if shading is not None:
            most = float(shading.gain.max())
            if most > 2:
                found.append(
                    f"Noise in the corners is lifted with the light, up to {most:.1f} times."
                )
            if shading.capped:
                found.append(
                    f"{shading.capped:.0%} of the frame needs more than {shading.cap:g} times the "
                    "light and stays dark."
                )
            if shading.spot_left:
                found.append(
                    "A hot spot stays: by one take it may be a stain on the wall. Film the turned "
                    "take (turned=) too."
                )
            found.append("Clipped highlights stay as they are.")
        if lens is not None and lens.reach < 0.85:
            found.append(
                f"The board was seen only {lens.reach:.0%} of the way to the corners; beyond that "
                "the lines rest on the model."
            )
        if self.undistortion is not None and self.undistortion.narrowed:
            found.append("What the lens sees beyond 75° from its axis does not fit a flat picture.")
        if left_out:
            found.append(f"Not taken along: {'; '.join(left_out)}.")
        return tuple(found)


def _filled(stamps: StampData) -> str:
    if not stamps.boxes:
        return "No stamp is burned in; nothing was filled."
    where = "; ".join(f"{w}×{h} px at {x}, {y}" for x, y, w, h in stamps.boxes)
    return f"Filled the strokes of a burned-in stamp ({where} from the top left)."


def colourless(view: FrameView) -> bool:
    """Tell whether a clip has no colour: no chroma planes, or nothing in them."""
    chroma = view.chroma
    if chroma is None:
        return True
    scale = 1 << (view.stage.bits - 8)
    flat = all(
        int(np.ptp(p)) <= 2 * _COLOURLESS * scale
        and abs(int(p.flat[0]) - 128 * scale) <= _COLOURLESS * scale
        for p in chroma
    )
    # A black frame at the beginning says nothing of the frames that follow.
    return flat and int(view.luma.max()) > 48 * scale


class _Work(Observer):
    """Observer that mends every frame and writes it; frames are worked on side by side."""

    def __init__(self, source: Source, part: Path, plan: _Fit, only: int | None) -> None:
        self._source, self._part, self._fit, self._only = source, part, plan, only
        self._out: OutClip | None = None
        self._mend: Callable[[Copied, float | None], Planes] | None = None
        self._hands = min(4, os.cpu_count() or 1)
        self._pool = ThreadPoolExecutor(self._hands, "correct")
        self._waiting: deque[tuple[Future[Planes], int | None]] = deque()
        self.plan: _Plan | None = None
        self.moved = 0
        self.frames = 0
        self.left_out: list[str] = []

    def frame(self, view: FrameView) -> bool | None:
        """Hand a copy of the frame to a worker and write those that are done."""
        if self._only is not None and (self._mend is not None or view.index < self._only):
            return None if self._mend is None else False
        if self._mend is None:
            self.plan = self._fit(view)
            self._mend = self.plan.hand(view)
            note = " ".join(self.plan.applied())
            self._out = OutClip(self._part, self._source, view.stage, note)
        work = self._pool.submit(self._mend, _copied(view), view.seconds)
        self._waiting.append((work, view.pts))
        while len(self._waiting) > self._hands + 1:
            self._write_one()
        return None

    def _write_one(self) -> None:
        future, pts = self._waiting.popleft()
        assert self._out is not None
        self.moved += not self._out.add(future.result(), pts)

    def close(self) -> None:
        """Write what waits and finish the file."""
        if self._out is None:
            raise UnreadableInput(
                f"'{self._source.name}' holds no picture.", "Choose the clip that the camera wrote."
            )
        while self._waiting:
            self._write_one()
        self._pool.shutdown()
        self._out.finish()
        self.frames, self.left_out = self._out.frames, self._out.left_out

    def abandon(self) -> None:
        self._pool.shutdown(cancel_futures=True)
        if self._out is not None:
            self._out.abandon()


Copied = tuple[npt.NDArray[Any], Any, Any]


def _halved(view: FrameView) -> bool:
    """Tell whether chroma is as the new clip has it, or not there."""
    luma, chroma = view.luma.shape, view.chroma
    return chroma is None or all((2 * p.shape[0], 2 * p.shape[1]) == luma for p in chroma)


def _copied(view: FrameView) -> Copied:
    cb, cr = (None, None) if view.chroma is None else (p.copy() for p in view.chroma)
    return view.luma.copy(), cb, cr
