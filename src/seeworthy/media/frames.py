"""One decode pass over a clip, feeding any number of observers.

A clip is decoded once per run, streamed, never held whole in memory. An observer sees every frame
as a `FrameView` whose planes are views into the decoder's own buffer: they are valid only until
`Observer.frame` returns, so keep a copy of what you need and of no more.

Conventions: pixel centres at integers, x right, y down; arrays are indexed ``[row, column]``; time
stamps are integers with a rational time base; what the file does not say is ``None``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal, Protocol

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    from av.packet import Packet
    from av.video.frame import VideoFrame

    from seeworthy.media.scan import Scan
    from seeworthy.media.source import Source

Range = Literal["limited", "full"]


@dataclass(frozen=True, slots=True)
class ColourTags:
    """Colour description as tagged; None where the file does not say.

    Code points are those of ITU-T H.273. `range_assumed` and the like are not
    here: assumptions are made, and reported, by ``media.light``.
    """

    range: Range | None = None
    matrix: int | None = None
    transfer: int | None = None
    primaries: int | None = None


@dataclass(frozen=True, slots=True)
class Stage:
    """What every observer is told before the first frame.

    Attributes:
        width, height: Of the decoded (stored) frame, before any display rotation.
        rotation: Degrees clockwise that a player turns the picture: 0, 90, 180, 270.
        time_base: Seconds per tick of `FrameView.pts`.
        nominal_rate: What the container calls the average rate.
        bits: Bits per sample of the luma plane (8, 10, ...).
        frames_hint: Frame count by the container; may be wrong.
    """

    width: int
    height: int
    rotation: int
    time_base: Fraction
    nominal_rate: Fraction | None
    bits: int
    pixel_format: str
    tags: ColourTags
    frames_hint: int | None = None
    coder: str = ""


class FrameView:
    """One decoded frame, borrowed.

    Attributes:
        index: Number of the frame in the file, in presentation order, from 0; it skips the numbers
            of frames that could not be decoded at all.
        pts: Time stamp in ticks of `Stage.time_base`.
        key: Intra-coded random access picture.
        corrupt: The decoder flagged or concealed an error in it. In passing a flag can be missed;
            `PassSummary.corrupt` is exact.
        interlaced: The stream says that it holds two fields (see `PassSummary.scan` for what is
            true).
    """

    __slots__ = (
        "_av",
        "_chroma",
        "_luma",
        "_packet",
        "corrupt",
        "index",
        "interlaced",
        "key",
        "pts",
        "stage",
    )

    def __init__(
        self, stage: Stage, index: int, frame: VideoFrame, *, key: bool, corrupt: bool,
        packet: Packet[Any] | None = None,
    ) -> None:  # fmt: skip
        self.stage = stage
        self.index = index
        self.pts = frame.pts
        self.key = key
        self.corrupt = corrupt
        self.interlaced = bool(frame.interlaced_frame)
        self._av = frame
        self._packet = packet
        self._luma: npt.NDArray[Any] | None = None
        self._chroma: tuple[npt.NDArray[Any], npt.NDArray[Any]] | None = None

    @property
    def seconds(self) -> float | None:
        """Time stamp in seconds, None where the file has none."""
        return None if self.pts is None else float(self.pts * self.stage.time_base)

    @property
    def luma(self) -> npt.NDArray[Any]:
        """Luma code values as stored, (H, W), uint8 or uint16, no copy, read-only."""
        if self._luma is None:
            from seeworthy.media.planes import luma_view

            self._luma = luma_view(self._av, self.stage)
        return self._luma

    @property
    def chroma(self) -> tuple[npt.NDArray[Any], npt.NDArray[Any]] | None:
        """Cb and Cr code values at their stored resolution, or None (grey)."""
        if self._chroma is None:
            from seeworthy.media.planes import chroma_views

            self._chroma = chroma_views(self._av, self.stage)
        return self._chroma

    @property
    def quantiser(self) -> npt.NDArray[np.float32] | None:
        """Quantiser step in 8-bit code values per 16×16 block, None where not told (not H.264)."""
        from seeworthy.media.quantiser import steps

        return steps(self._av)

    @property
    def fine_quantiser(self) -> npt.NDArray[np.float32] | None:
        """The step of fine detail, as `quantiser`, also of Motion JPEG."""
        from seeworthy.media.quantiser import fine_steps

        data = b"" if self._packet is None else bytes(self._packet)
        return fine_steps(self._av, self.stage.coder, data)

    def rgb(self) -> npt.NDArray[np.uint8]:
        """Return (H, W, 3) gamma-coded 8-bit RGB by the tags (a conversion: costs time)."""
        from seeworthy.media.planes import rgb_copy

        return rgb_copy(self._av, self.stage)


class Observer(Protocol):
    """What a measure registers with the pass; who inherits it leaves out what it has no use for."""

    def begin(self, stage: Stage) -> None:
        """Take the clip's geometry; called once, before the first frame."""
        return

    def frame(self, view: FrameView) -> bool | None:
        """Look at one frame. Return False to be left out of the rest of the pass."""

    def finish(self) -> None:
        """Called once after the last frame, also when the clip broke off."""
        return


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of a clip, for observers that need no more.

    Attributes:
        start: Seconds after the first frame; negative: seconds before the end.
        seconds: Length.
    """

    start: float
    seconds: float


@dataclass(slots=True)
class PassSummary:
    """What the pass itself saw.

    Attributes:
        frames: Frames in the file (in the part looked at, when stopped), lost ones included.
        corrupt: Numbers of frames with decoder errors or concealment, lost ones included; exact.
        lost: Numbers of frames that are in the file and could not be decoded at all.
        warnings: Sentences for the user (the clip broke off, packets could not be decoded).
        stopped: True when every observer had seen enough before the end.
        scan: Whole pictures or two fields, by flags and by what the pictures show.
    """

    stage: Stage
    frames: int = 0
    corrupt: list[int] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    stopped: bool = False
    scan: Scan | None = None


def watch(
    source: Source,
    observers: Sequence[Observer],
    *,
    parts: Sequence[Sequence[Part]] = (),
    progress: Callable[[float], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> PassSummary:
    """Decode a clip once and show every frame to every observer.

    Args:
        source: The clip.
        observers: Each leaves the pass when its `frame` returns False; when all have left, decoding
            stops.
        parts: For each observer the parts that it wants, none for the whole clip. Where all want
            parts only, the pass seeks to them: frames are then numbered as they are shown, and
            their time stamps say where they stand in the clip.
        progress: Called now and then with the share done, 0 to 1.
        stop: Polled; True ends the pass early.

    Raises:
        UnreadableInput: No video, or nothing could be decoded.
    """
    if any(parts):
        from seeworthy.media.parts import run_watch

        return run_watch(source, observers, parts, progress=progress, stop=stop)
    from seeworthy.media.decode import run_pass

    return run_pass(source, observers, progress=progress, stop=stop)
