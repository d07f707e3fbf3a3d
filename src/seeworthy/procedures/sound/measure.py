"""Sound: noise floor, clipping, sameness of channels, sample rate against a known tone.

Levels are dB below full scale by the convention of AES17: a sine that just reaches
full scale is 0 dBFS, so a level is its RMS plus 3.01 dB. A-weighting by its analytic
form (IEC 61672-1, Annex E). Samples are taken block by block; memory stays flat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_banded

from seeworthy.ground.budget import Component, Composed
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.examples import as_options

Floats = npt.NDArray[np.float64]

SINE = 10 * math.log10(2.0)  # dB between RMS and AES17 level
_FULL = 1 - 2.5 / 32768  # codes at or next to full scale, 16 bit
_RUN = 3  # consecutive samples at full scale that are a clip, not a chance peak
_QUIET_DB = 3.0  # twice the power of the quietest (a judgement)
_LEAST_WINDOWS = 8  # that a median of quiet ones needs (a judgement)
_SAME_DB = -50.0  # channels that differ by less than this part of their level are one
# Above, a coder may put noise of its own into each channel (ISO/IEC 14496-3, perceptual noise
# substitution; FFmpeg's coder does so from 4 kHz on): one sound in two channels then differs by
# -4 dB there, and by less than -75 dB below (measured with that coder, 64 and 128 kbit/s).
_SUBSTITUTED = 4000.0  # Hz
# Where a coder treats the channels apart, one sound differs by -17 to -30 dB below 4 kHz (the
# same coder without joint stereo), two microphones 2 cm apart by -9 to -22 dB (computed for sound
# from all sides): between these ends a coded file cannot tell.
_APART_DB = -8.0
_SELECTION_U = 0.3  # dB: choosing quiet windows by their level pulls the mean a little

# dB that a coder takes from hiss: 0.5 rms, 0.9 at most (fitted on our own clips, seed 1: FFmpeg's
# AAC at its own rate).
_CODED_U = 0.5
_CODED_FROM = "fitted on our own clips, seed 1"


def a_weighting(frequency: npt.ArrayLike) -> Floats:
    """Return A-weighting in dB (IEC 61672-1:2013, E.4.1).

    Args:
        frequency: Hz; 0 gives −inf.
    """
    f2 = np.asarray(frequency, float) ** 2
    low, high, mid1, mid2 = 20.598997**2, 12194.217**2, 107.65265**2, 737.86223**2
    top = high * f2**2
    bottom = (f2 + low) * np.sqrt((f2 + mid1) * (f2 + mid2)) * (f2 + high)
    with np.errstate(divide="ignore"):
        return np.asarray(20 * np.log10(top / bottom) + 2.0)  # 0 dB at 1 kHz


def _for_taper(weight: Floats) -> Floats:
    """Return weights that count a tone at its own weight although the taper spreads it.

    Hann's taper puts 2/3 of a tone's power into its bin and 1/6 into either neighbour; on the
    steep slope of the A curve at 31.5 Hz that alone reads 0.46 dB high.
    """
    bands = np.full((3, len(weight)), 1 / 6)
    bands[1] = 2 / 3
    bands[1, [0, -1]] = 5 / 6
    return np.asarray(np.maximum(solve_banded((1, 1), bands, weight), 0.0))


@dataclass(frozen=True, slots=True)
class Window:
    """One window of sound, all channels together.

    ``power`` and ``weighted`` are mean squares (A-weighted), ``peak`` the strongest
    frequency in Hz, ``tonal`` its share of the power, ``near`` the power within a sixth
    of an octave of it, ``tone`` the complex amplitude at the known tone.
    """

    start: int
    power: float
    weighted: float
    peak: float
    tonal: float
    near: float
    tone: complex


@dataclass
class Listener:
    """Takes sound block by block.

    Args:
        rate: Nominal samples per second.
        tone: Hz of a known tone, for the sample rate.
    """

    rate: int
    channels: int
    tone: float | None = None
    windows: list[Window] = field(default_factory=list)
    samples: int = 0
    clipped: int = 0
    peak: float = 0.0
    by_channel: Floats = field(default_factory=lambda: np.zeros(0))
    difference: float = 0.0
    compared: float = 0.0
    total: float = 0.0

    def __post_init__(self) -> None:
        # About a sixth of a second, a power of two for the transform.
        self.length = 1 << max(10, round(math.log2(self.rate / 6)))
        self._taper = np.hanning(self.length + 1)[:-1]
        self._frequency = np.fft.rfftfreq(self.length, 1 / self.rate)
        self._weight = _for_taper(10 ** (a_weighting(self._frequency) / 10))
        self._shared = self._frequency < _SUBSTITUTED
        self._rest = np.zeros((0, self.channels), np.float32)
        self._runs = np.zeros(self.channels, int)
        self.by_channel = np.zeros(self.channels)

    def feed(self, block: npt.NDArray[np.float32]) -> None:
        """Take consecutive samples, (n, channels), −1 to 1."""
        self._count_clips(block)
        self.peak = max(self.peak, float(np.abs(block).max(initial=0.0)))
        data = np.concatenate([self._rest, block]) if len(self._rest) else block
        whole = len(data) // self.length
        for i in range(whole):
            self._window(data[i * self.length : (i + 1) * self.length])
        self._rest = data[whole * self.length :].copy()

    def _count_clips(self, block: npt.NDArray[np.float32]) -> None:
        self.samples += block.size
        full = np.abs(block) >= _FULL
        if not full.any():
            self._runs[:] = 0
            return
        for channel in range(self.channels):
            column = full[:, channel]
            edges = np.flatnonzero(np.diff(np.concatenate([[0], column.view(np.int8), [0]])))
            for begin, end in edges.reshape(-1, 2):
                carried = int(self._runs[channel]) if begin == 0 else 0
                length = int(end - begin) + carried
                if length >= _RUN:
                    # What was carried is counted now, unless it was long enough before.
                    self.clipped += int(end - begin) + (carried if carried < _RUN else 0)
            last = edges[-1] if len(edges) else 0
            begin = edges[-2] if len(edges) else 0
            open_run = len(edges) > 0 and last == len(column)
            carried = int(self._runs[channel]) if open_run and begin == 0 else 0
            self._runs[channel] = int(last - begin) + carried if open_run else 0

    def _window(self, data: npt.NDArray[np.float32]) -> None:
        x = data.astype(float)
        x = x - x.mean(axis=0)
        powers = (x**2).mean(axis=0)
        self.by_channel = self.by_channel + powers
        self.total += float(powers.mean())
        spectrum = np.fft.rfft(x * self._taper[:, None], axis=0)
        if self.channels >= 2:
            low = spectrum[self._shared, :2]
            self.difference += float((np.abs(low[:, 0] - low[:, 1]) ** 2).sum())
            self.compared += float((np.abs(low) ** 2).sum())
        # One-sided power per bin; the taper's own power is taken out.
        scale = 2 / (self.length * float((self._taper**2).sum()))
        power = (np.abs(spectrum) ** 2).mean(axis=1) * scale
        power[0] = 0.0
        weighted = float((power * self._weight).sum())
        total = float(power.sum())
        best = int(np.argmax(power))
        peak = float(self._frequency[best])
        around = np.abs(np.log2(np.maximum(self._frequency, 1e-9) / max(peak, 1e-9))) <= 1 / 6
        around[max(0, best - 3) : best + 4] = True
        near = float(power[around].sum())
        start = len(self.windows) * self.length
        tone = 0j
        if self.tone is not None:
            n = np.arange(self.length) + start
            turn = np.exp(-2j * np.pi * self.tone * n / self.rate)
            tone = complex((x.mean(axis=1) * self._taper * turn).sum())
        self.windows.append(
            Window(
                start, float(powers.mean()), weighted, peak,
                near / total if total > 0 else 0.0, near, tone,
            )
        )  # fmt: skip


def noise_floor(
    listener: Listener, quiet: tuple[float, float] | None = None, *, coded: bool = False
) -> tuple[Composed, Composed]:
    """Return the noise floor, plain and A-weighted.

    Args:
        quiet: (start, end) seconds. Where it was quiet; else the quietest windows that are alike
            are found.
        coded: The sound was coded with loss.

    Raises:
        CannotMeasure: Too short, or digital silence.
    """
    windows = listener.windows
    if len(windows) < _LEAST_WINDOWS:
        raise CannotMeasure(
            "The sound is too short for a noise floor.",
            "Record ten seconds in a quiet room, the camera wrapped in a towel.",
        )
    if quiet is not None:
        step = listener.length / listener.rate
        chosen = [w for i, w in enumerate(windows) if quiet[0] <= i * step <= quiet[1] - step]
    else:
        level = np.percentile([w.power for w in windows], 10)
        chosen = [w for w in windows if w.power <= level * 10 ** (_QUIET_DB / 10)]
    if len(chosen) < _LEAST_WINDOWS:
        raise CannotMeasure(
            "There is no quiet stretch of a second and a half.",
            "Record ten seconds in a quiet room, or name one: --option quiet=3-8.",
        )
    if max(w.power for w in chosen) == 0:
        raise CannotMeasure(
            "The quiet part is digital silence: the microphone is off or the camera gates it.",
            "Record something first and then silence; a gate hides the noise floor.",
        )
    selected = _SELECTION_U if quiet is None and len(chosen) < len(windows) else 0.0
    known = [
        Component(name, u, "dB", source=source)
        for name, u, source in (
            ("quietest windows chosen", selected, "judgement"),
            ("hiss that a coder takes", _CODED_U if coded else 0.0, _CODED_FROM),
        )
        if u
    ]
    return _level([w.power for w in chosen], known), _level([w.weighted for w in chosen], known)


def _level(powers: list[float], known: Sequence[Component]) -> Composed:
    values = np.array(powers)
    mean = float(values.mean())
    # Windows next to each other share slow changes (gain control): count a quarter of them.
    independent = max(2.0, len(values) / 4)
    relative = float(values.std(ddof=1)) / mean / math.sqrt(independent)
    part = Component("scatter", relative, "", 10 / math.log(10), source="a quarter of the windows")
    return Composed(10 * math.log10(mean) + SINE, (part, *known), len(values))


@dataclass(frozen=True, slots=True)
class Channels:
    """How alike two channels are: `difference` in dB below their level, below 4 kHz.

    `identical` is None where what a coder leaves and what two near microphones hear are alike.
    """

    identical: bool | None
    difference: float


def channels(listener: Listener, coded: bool = False) -> Channels | None:
    """Tell whether two channels carry one and the same sound; None for mono or silence.

    Args:
        coded: The sound was coded with loss.
    """
    if listener.channels < 2 or listener.compared == 0:
        return None
    ratio = listener.difference / listener.compared
    difference = 10 * math.log10(ratio) if ratio > 0 else -math.inf
    if difference <= _SAME_DB:
        return Channels(True, difference)
    return Channels(None if coded and difference < _APART_DB else False, difference)


def rate_error(listener: Listener, u_tone: float) -> Composed:
    """Return the error of the sample rate from a tone of known frequency.

    The phase of the tone against the nominal one drifts by the error; a straight line
    through the phases of all windows gives it.

    Args:
        listener: Made with `tone`.
        u_tone: Standard uncertainty of the tone, Hz.

    Raises:
        CannotMeasure: No tone, or it is not where it should be.
    """
    tone = listener.tone
    if tone is None:
        raise CannotMeasure("No tone is known.", f"Give its frequency: {as_options('sound.tone')}.")
    scale = float((listener._taper).sum()) / 2
    found = [
        w for w in listener.windows
        if w.tonal > 0.5 and abs(w.peak - tone) <= 2 * listener.rate / listener.length
        and abs(w.tone) / scale > 1e-4
    ]  # fmt: skip
    if len(found) < 12:
        raise CannotMeasure(
            f"A tone of {tone:g} Hz is not heard for two seconds.",
            "Play it close to the microphone for ten seconds or more.",
        )
    time = np.array([w.start for w in found]) / listener.rate
    phase = np.unwrap(np.angle([w.tone for w in found])) / (2 * np.pi)
    x = time - time.mean()
    slope = float((x * phase).sum() / (x * x).sum())
    rest = phase - phase.mean() - slope * x
    u_slope = math.sqrt(float((rest**2).sum()) / (len(x) - 2) / float((x * x).sum()))
    heard = tone + slope
    value = (tone / heard - 1) * 1e6
    # Phases of neighbouring windows share reflections and wow of the player: doubled.
    parts = (
        Component("phase of the tone", 2 * u_slope, "Hz", 1e6 / tone, source="scatter, doubled"),
        Component("tone", u_tone, "Hz", 1e6 / tone, source="reading", common="tone"),
    )
    return Composed(value, parts, len(found))
