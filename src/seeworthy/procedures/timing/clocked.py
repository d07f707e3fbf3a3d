"""What `timing` says when the clip shows the bench clock."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from seeworthy.clock.rate import ClockFit, Lost, beat_u, find_lost, fit_rate, without_hidden
from seeworthy.clock.watch import ClockTrack, ClockWatch
from seeworthy.ground.budget import Component, combined
from seeworthy.ground.digits import number, said
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Axis, Figure, Mark, Picture, Result, result
from seeworthy.observe.evidence import BLUE, canvas, draw_outline, encode
from seeworthy.procedures.timing.evidence import thin
from seeworthy.procedures.timing.words import SCREEN_PPM


@dataclass(frozen=True)
class ClockFacts:
    """Everything the clock says, frames numbered as in the file."""

    track: ClockTrack
    lost: Lost
    fit: ClockFit
    hidden: list[int]
    false_gaps: list[int]
    u_beat: float
    screen: Quantity | None


def judge(watch: ClockWatch, screen: Quantity | None) -> ClockFacts:
    """Compare the file's stamps with the clock.

    Raises:
        CannotMeasure: The clock was not read in enough frames.
    """
    track = watch.track()
    _check(watch, track)
    known = np.isfinite(track.stamp)
    if not known.all():
        raise CannotMeasure(
            "The file has no usable time stamps to compare with the clock.",
            "Use the camera's own file (MOV or MP4), not a bare stream.",
        )
    lost = find_lost(track.index, track.stamp, track.time)
    fit = fit_rate(without_hidden(track.stamp, lost), track.time)
    places = [int(track.index[place]) for place in lost.hidden]
    false = [int(track.index[place]) for place in lost.kept]
    u_beat = beat_u(track.time[fit.kept], track.u[fit.kept], fit.off)
    return ClockFacts(track, lost, fit, places, false, u_beat, screen)


def _check(watch: ClockWatch, track: ClockTrack) -> None:
    read = len(track.index)
    if read >= 64:
        return
    pictures = (evidence(watch),) if watch.sample is not None else ()
    if watch.mirrored:
        raise CannotMeasure(
            "The on-screen clock stands mirrored in the picture.",
            "Film the screen itself, not its reflection, and turn the camera's mirroring off.",
            pictures,
        )
    if read:
        raise CannotMeasure(
            f"The on-screen clock was read in {read} of {track.frames} frames; 64 are needed.",
            "Film it for a minute, sharp, whole in the picture, at a quarter of its width or more.",
            pictures,
        )
    white = watch.white_share
    if white > 0.2:
        raise CannotMeasure(
            "The on-screen clock was not found, and much of the picture is overexposed to white.",
            "Turn the screen's brightness down, or let the camera meter on the screen.",
            pictures,
        )
    raise CannotMeasure(
        f"The on-screen clock was not found in any of {track.frames} frames.",
        "Film it with at least its two marks of one side whole in the picture, sharp and neither "
        "too dark nor overexposed; or give --option clock=no.",
        pictures,
    )


def evidence(watch: ClockWatch) -> Picture:
    """Show the clock as it was found, or the frame in which it was not."""
    if watch.sample is None:
        raise ValueError("no frame was seen")
    picture = canvas(watch.sample)
    words = "The frame in which the on-screen clock was looked for first."
    if watch.outline is not None:
        draw_outline(picture, watch.outline, BLUE)
        words = "The on-screen clock as it was found in the first frame that could be read."
    return encode("timing-clock.png", words, picture)


def results(facts: ClockFacts) -> tuple[Result, ...]:
    """Rate error, with what is not known of the screen's own clock."""
    screen, u_screen = _screen(facts)
    value = facts.fit.rate_ppm + screen
    parts = (
        Component("scatter of the readings", facts.fit.u_ppm, "ppm", source="scatter"),
        Component("beat of camera and screen", facts.u_beat, "ppm", source="bend of the residuals"),
        Component(
            "the screen's own clock", u_screen, "ppm",
            source="reading" if facts.screen else "judgement: quartz of a phone or computer",
            common="" if facts.screen is None else "screen_error",
        ),
    )  # fmt: skip
    u = combined(parts)
    # JCGM 100, G.4 (Welch and Satterthwaite): only the scatter over blocks has few degrees.
    dof = facts.fit.dof * (u / facts.fit.u_ppm) ** 4 if facts.fit.u_ppm else math.inf
    return (
        result(
            "rate_error", value, budget=parts, n=facts.fit.n, dof=dof,
            evidence=("timing-clock.png",), conditions={"method": "clock"},
        ),
    )  # fmt: skip


def _screen(facts: ClockFacts) -> tuple[float, float]:
    if facts.screen is None:
        return 0.0, SCREEN_PPM
    return facts.screen.value, facts.screen.u


def findings(facts: ClockFacts) -> dict[str, Any]:
    """Findings of the clock."""
    track = facts.track
    return {
        "clock_read_share": round(len(track.index) / max(1, track.frames), 4),
        "hidden_drops": {"count": len(facts.hidden), "at": facts.hidden},
        "false_gaps": {"count": len(facts.false_gaps), "at": facts.false_gaps},
        "rate_against_screen": {
            "ppm": round(facts.fit.rate_ppm, 3),
            "u": round(math.hypot(facts.fit.u_ppm, facts.u_beat), 3),
        },
        "screen_rate_hz": round(track.refresh, 3) or None,
        "exposure_by_clock_ms": _exposure(track),
        "time_u_ms": round(float(np.sqrt(np.mean(track.u**2))) * 1e3, 3),
    }


def _exposure(track: ClockTrack) -> dict[str, float | None] | None:
    moments = track.moments
    if moments is None:
        return None
    low, high = moments.exposure_limits
    value = None if low == 0 else round(moments.exposure, 2)
    return {"least": round(low, 2), "most": round(high, 2), "value": value}


def warnings(facts: ClockFacts) -> list[str]:
    """Say what must be known to use the figures."""
    said = []
    if facts.screen is None:
        said.append(
            f"Nothing is known of the clock of the screen's computer: ±{SCREEN_PPM:g} ppm "
            "(standard uncertainty) was assumed and is in the interval of the rate error. Give "
            "--reading screen_clock=… where it was compared with a time server."
        )
    share = len(facts.track.index) / max(1, facts.track.frames)
    if share < 0.95:
        said.append(
            f"The on-screen clock was read in {share:.0%} of the frames; a picture lost where it "
            "was not read would not show."
        )
    if facts.track.refresh == 0:
        said.append(
            "The clock page did not say how often the screen is updated (leave it open for some "
            "seconds before filming): 60 times a second was assumed, and times are less certain."
        )
    if facts.false_gaps:
        said.append(
            f"At {len(facts.false_gaps)} gaps of the time stamps no picture is missing by the "
            "clock: the stamps are wrong there."
        )
    return said


def figure(facts: ClockFacts) -> Figure:
    """Stamps against the clock, the mean rate taken off."""
    track = facts.track
    off = _off(facts)
    after = [int(np.searchsorted(track.index, at)) + 1 for at in facts.hidden]
    rows = thin(off, after)
    columns: dict[str, Any] = {
        "time": [round(float(track.time[i] - track.time[0]), 4) for i in rows],
        "off": [round(float(off[i]), 3) for i in rows],
    }
    marks = [Mark("points", y="off")]
    if after:
        columns["step"] = [columns["off"][k] if i in after else None for k, i in enumerate(rows)]
        columns["kind"] = ["hidden loss before it" if i in after else None for i in rows]
        marks.append(Mark("points", y="step", series="kind"))
    return Figure(
        name="clock",
        title="The file's time against the on-screen clock",
        sentence="A level line follows the clock; each step down is a picture lost unseen.",
        columns=columns,
        x=Axis("time", "time by the clock", "s"),
        y=Axis("off", "file's time less the clock's, mean rate taken off", "ms"),
        marks=tuple(marks),
    )


def _off(facts: ClockFacts) -> npt.NDArray[np.float64]:
    """File's time less the clock's, ms, mean rate taken off, 0 at the start."""
    track = facts.track
    run = track.time - track.time[0]
    off = track.stamp - track.stamp[0] - run * (1 + facts.fit.rate_ppm * 1e-6)
    shifted: npt.NDArray[np.float64] = off * 1e3
    return shifted


def sentence(facts: ClockFacts) -> str:
    """Say it to a flyer."""
    value = results(facts)[0]
    low, high = value.interval
    lost = len(facts.hidden)
    hides = f"{lost} pictures are missing that the file hides" if lost else "no lost picture hides"
    if low > 0 or high < 0:
        way = "fast" if value.value > 0 else "slow"
        near, far = sorted((abs(low), abs(high)))
        shown = said(abs(value.value), near, far)
        run = f"its clock runs {way} by {shown} ppm"
    else:
        most = max(abs(low), abs(high))
        run = f"its clock is right within {number(most, most)} ppm"
    return f"By the on-screen clock {hides}, and {run}."
