"""The bench clock at the ends of a file: read while it lasts, given up where it is not seen."""

from __future__ import annotations

from seeworthy.clock.watch import ClockTrack, ClockWatch
from seeworthy.media.frames import FrameView, Stage

_PATIENCE = 30  # frames in vain after which there is no clock


class EndWatch:
    """Observer of one end of one file.

    Attributes:
        first, last: Stamps of the first and of the last frame shown, seconds.
    """

    def __init__(self) -> None:
        self.clock = ClockWatch()
        self.first: float | None = None
        self.last: float | None = None
        self._shown = 0
        self._gave_up = False

    def begin(self, stage: Stage) -> None:
        """Pass on."""
        self.clock.begin(stage)

    def frame(self, view: FrameView) -> bool | None:
        """Note the stamp; read the clock unless it was looked for in vain."""
        stamp = view.seconds
        self.first = stamp if self.first is None else self.first
        self.last = stamp
        self._shown += 1
        if not self._gave_up:
            self.clock.frame(view)
            self._gave_up = self._shown >= _PATIENCE and self.clock.outline is None
        # A head that shows no clock is done with; so is a tail, whose stamps the file gives.
        return not self._gave_up

    def finish(self) -> None:
        """Pass on."""
        self.clock.finish()

    def track(self) -> ClockTrack:
        """Return what was read."""
        return self.clock.track()


def short_exposure(track: ClockTrack) -> bool:
    """Tell whether the exposure may lie well below an update of the screen.

    Such frames see single updates, and what they tell of the moment errs alike in all of them.
    """
    moments = track.moments
    return moments is None or moments.short
