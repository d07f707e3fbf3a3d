"""What else makes a picture soft: focus, shake, fog and coding, each with what it rests on.

All are told as what they take off the contrast of one and the same detail, lines four pixels
wide, so that they can be set side by side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.observe.edge_widths import EdgeWidthWatch
from seeworthy.observe.soft_patches import FREQUENCIES, SIDE, SoftPatches
from seeworthy.procedures.softness.blur import TOO_COARSE, BlurExposure

Floats = npt.NDArray[np.float64]

DETAIL = 1 / 8  # cycles per px of the stored frame: lines four px wide
_far = np.hypot(*FREQUENCIES.T)
_LEAST_EDGES = 60  # that a percentile needs (a judgement)
# Edges of rendered clips of known focus came out up to 0.5 px too narrow where thin things
# stand side by side (own rendered clips, seeds 100 to 119).
_EDGE_SHORT = 0.5
_ALONG = math.radians(35)  # from the motion's own direction: such edges it does not smear
_LEAST_FRAMES = 64
# A line in noise is 15 times the median of its neighbours with a chance of 2^-15.
_STANDS_OUT = 15.0
_HOLE = 3  # frames that are bridged, where corners were picked anew
# A coder's pictures by turns make a rhythm of 1 to 3 % by themselves (own rendered clips, seeds
# 100 to 119, and a real clip without a shake to be seen).
_CODER_BEATS = 0.03
_SLOW_ENDS = 6.0  # Hz: below are swings, and what they leave of motion blur at four times theirs
_MINUTE = 60.0  # s: fog comes in minutes; a shorter clip shows the scene change alone
_FOG_PARTS = 12
_LEAST_SEEN = 6  # frames of a track
# A blur one way shows by this much in the bins nearer to it against the others: the mean of
# cos² less that of sin² over a quarter turn, 2/π.
_ONE_WAY = 2 / math.pi
_SURE = 3.0  # standard errors


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause.

    Attributes:
        low, high: Share of the contrast that it takes; None where it cannot be told.
        rests_on: What that rests on, or why it cannot be told.
    """

    low: float | None
    high: float | None
    rests_on: str

    @property
    def words(self) -> str:
        """The share in words."""
        if self.low is None or self.high is None:
            return "cannot tell"
        if self.low == 0:
            return f"at most {100 * self.high:.0f} %"
        return f"{100 * self.low:.0f} to {100 * self.high:.0f} %"


def of_motion(exposed: BlurExposure | str, speeds: Floats, low: float, high: float) -> Cause:
    """Return the part of motion: what sinc takes at the speeds of the clip, on the average.

    Args:
        exposed: Exposed, or the reason why it cannot be told
        speeds: (n,), px per frame interval, of frames.
        low, high: Ends of the exposure's share.
    """
    if isinstance(exposed, str):
        return Cause(None, None, exposed)
    ends = [float(1 - np.abs(np.sinc(s * speeds * DETAIL)).mean()) for s in (low, high)]
    smear = exposed.smear
    return Cause(
        ends[0], ends[1],
        f"{smear.patches} patches of {smear.tracks} followed corners, up to "
        f"{smear.fastest:.1f} px per frame",
    )  # fmt: skip


def of_focus(edges: EdgeWidthWatch, ways: dict[float, float]) -> tuple[Cause, float | None]:
    """Return the part of what is soft everywhere, and the width of the strong edges, px.

    A scene can be soft by itself, so that this is never more than a bound.

    Args:
        ways: mapping of time stamp to the motion's direction, rad
    """
    found = []
    for time, table in edges.frames:
        good = np.isfinite(table[:, 0])
        if time in ways:
            across = np.abs(np.sin(table[:, 1] - ways[time]))
            good &= across > math.cos(_ALONG)
        found.append(table[good, 0])
    all_ = np.concatenate(found) if found else np.zeros(0)
    if len(all_) < _LEAST_EDGES:
        return Cause(None, None, f"only {len(all_)} strong edges along the motion"), None
    width = float(np.median(all_))
    most = 1 - math.exp(-2 * (math.pi * DETAIL * (width + _EDGE_SHORT)) ** 2)
    text = f"{len(all_)} strong edges along the motion; the scene may be as soft by itself"
    return Cause(0.0, most, text), width


def of_coding(patches: SoftPatches | None) -> Cause:
    """Return the part of coding: detail that lies below the coder's rounding."""
    if patches is None or not np.isfinite(patches.step).any():
        return Cause(None, None, "the stream does not tell how coarsely it was coded (H.264 does)")
    if patches.scale != 1:
        return Cause(None, None, "the picture is too large for its detail to be looked at")
    near = np.abs(_far - DETAIL) < 1 / SIDE
    step = patches.step[:, None]
    # A coefficient below two thirds of a step is coded as none (dead zone of usual encoders).
    lost = (0.375 * SIDE) ** 2 * (2 / 3 * step) ** 2
    gone = patches.power[:, near] < lost
    power = patches.power[:, near]
    taken = float((power * gone).sum() / max(float(power.sum()), 1e-9))
    text = f"a step of {np.nanmedian(step):.1f} codes against the detail of {len(power)} patches"
    return Cause(1 - math.sqrt(max(1 - taken, 0.0)), float(gone.mean()), text)


def of_shake(patches: SoftPatches | None, share: float) -> tuple[Cause, float | None]:
    """Return the part of blur that comes and goes with a rhythm, and the rhythm as seen, Hz.

    Args:
        share: Exposure as a share of the frame interval, whose own blur is taken out first.
    """
    if patches is not None and np.nanmax(np.r_[0.0, patches.step]) > 0:
        step = float(np.nanmedian(patches.step))
        if step > TOO_COARSE:
            return Cause(None, None, f"coded too coarsely, a step of {step:.1f} codes"), None
    found = None if patches is None else _sharpness(patches, share)
    if patches is None or found is None:
        return Cause(None, None, f"needs {_LEAST_FRAMES} frames in a row with detail"), None
    n = len(found)
    window = np.hanning(n)[:, None]
    lines = np.abs(np.fft.rfft((found - found.mean(0)) * window, axis=0)) * 2 / window.sum()
    hz = np.fft.rfftfreq(n, patches.interval)
    wide = np.flatnonzero(hz > _SLOW_ENDS)
    if len(wide) < 16:
        return Cause(None, None, "too few frames a second to show a rhythm"), None
    level = np.median(lines[wide] ** 2, axis=0)
    place, way = np.unravel_index(int(np.argmax(lines[wide] ** 2 / level)), (len(wide), 2))
    peak, noise = float(lines[wide[place], way]) / _ONE_WAY, math.sqrt(float(level[way])) / _ONE_WAY
    text = f"detail along and across, of followed corners over {n} frames in a row"
    if peak**2 < _STANDS_OUT * noise**2:
        # A line that stands out just so, would take this much.
        most = 1 - math.exp(-math.sqrt(_STANDS_OUT) * noise / 2)
        return Cause(
            0.0, most, f"no rhythm stands out in the {text}; an even shake looks like focus"
        ), None
    if _of_coder(patches, float(hz[wide[place]]), n):
        return Cause(None, None, "the rhythm seen is that of the coder's key pictures"), None
    taken, u = 1 - math.exp(-peak / 2), noise / 2
    ends = max(taken - _SURE * u, 0.0), min(taken + _SURE * u, 1.0)
    if ends[0] < _CODER_BEATS:
        return Cause(0.0, ends[1], f"a rhythm in the {text}, as weak as coding makes"), None
    return Cause(*ends, text), float(hz[wide[place]])


def _of_coder(patches: SoftPatches, hz: float, n: int) -> bool:
    """Tell whether a rhythm is that of key pictures or a multiple of it, within a line's width."""
    keys = np.unique(patches.frame[patches.key])
    if len(keys) < 2:
        return False
    often = 1 / (float(np.diff(keys).min()) * patches.interval)
    times = min(max(round(hz / often), 1), 3)  # beyond, a pulse has little left
    return abs(hz - often * times) < 1.5 / (n * patches.interval)


def _sharpness(patches: SoftPatches, share: float) -> Floats | None:
    """Return log power of detail one way against across it, frame by frame, (frames, 2).

    Down against across, and one diagonal against the other. Texture and motion are taken out;
    the coder, whose pictures take turns in being good, softens all directions alike.
    """
    near = (_far > 0.8 * DETAIL) & (_far < 1.6 * DETAIL)
    across, down = FREQUENCIES[near].T
    phase = np.abs(patches.speed / patches.scale @ FREQUENCIES[near].T)
    blur = np.maximum(np.sinc(np.minimum(share * phase, 0.6)) ** 2, 0.1)
    detail = np.log(patches.power[:, near] + 1e-3) - np.log(blur)
    steep, rising = np.abs(down) > np.abs(across), across * down > 0
    sides = ((steep, ~steep), (rising, ~rising & (across * down < 0)))
    value = np.stack([detail[:, a].mean(1) - detail[:, b].mean(1) for a, b in sides], axis=1)
    _, track = np.unique(patches.track, return_inverse=True)
    count = np.bincount(track)
    good = count[track] >= _LEAST_SEEN
    frames, at = np.unique(patches.frame[good], return_inverse=True)
    runs = np.split(np.arange(len(frames)), np.flatnonzero(np.diff(frames) > _HOLE) + 1)
    run = max(runs, key=len)
    if len(run) < _LEAST_FRAMES:
        return None
    whole = np.arange(frames[run[0]], frames[run[-1]] + 1)
    t = np.linspace(-1, 1, len(whole))
    found = []
    for column in value.T:
        own = column - (np.bincount(track, column) / count)[track]
        series = np.bincount(at, own[good]) / np.bincount(at)
        even = np.interp(whole, frames[run], series[run])
        found.append(even - np.polyval(np.polyfit(t, even, 3), t))
    return np.stack(found, axis=1)


def of_fog(table: Floats) -> Cause:
    """Return the part of a veil that grows over minutes, from light and contrast of frames.

    A fogged lens lifts the darkest parts against the mean and lowers the contrast with it, and
    goes on doing so. A scene that changes does one of these now and then.

    Args:
        table: (n, 6). See `seeworthy.observe.light_run.LightRun`.
    """
    if len(table) < 2 * _FOG_PARTS or table[-1, 0] - table[0, 0] < _MINUTE:
        return Cause(None, None, "a clip of a minute and more tells it")
    mean = np.maximum(table[:, 1], 1e-3)
    contrast = np.log(np.maximum((table[:, 3] - table[:, 2]) / mean, 1e-3))
    dark = table[:, 2] / mean
    parts = np.array_split(np.arange(len(table)), _FOG_PARTS)
    x = np.linspace(0, 1, _FOG_PARTS)
    fall, u_fall = _trend(x, np.array([contrast[p].mean() for p in parts]))
    rise, u_rise = _trend(x, np.array([dark[p].mean() for p in parts]))
    text = f"darkest parts and contrast of {len(table)} frames in {_FOG_PARTS} stretches"
    if -fall > _SURE * u_fall and rise > _SURE * u_rise:
        low, high = (1 - math.exp(min(fall + s * 2 * u_fall, 0.0)) for s in (1, -1))
        return Cause(low, high, f"{text}: the dark rises as the contrast sinks")
    most = 1 - math.exp(min(fall, 0.0) - 2 * u_fall)
    if most > 0.5:
        return Cause(None, None, "the scene changes more than a veil would")
    return Cause(0.0, most, text)


def _trend(x: Floats, y: Floats) -> tuple[float, float]:
    """Return rise over the whole clip and its standard error, neighbours being alike."""
    design = np.column_stack([np.ones_like(x), x])
    c = np.linalg.lstsq(design, y, rcond=None)[0]
    left = y - design @ c
    alike = float((left[1:] * left[:-1]).sum() / max(float((left**2).sum()), 1e-12))
    wider = math.sqrt((1 + max(alike, 0.0)) / max(1 - alike, 0.2)) if alike > 0 else 1.0
    u = math.sqrt(float((left**2).sum()) / (len(x) - 2) / float(((x - x.mean()) ** 2).sum()))
    return float(c[1]), u * wider
