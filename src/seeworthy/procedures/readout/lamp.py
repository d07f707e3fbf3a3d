r"""Read-out time from the bands that a flickering lamp leaves in a rolling-shutter picture.

Light of frequency F shows in row y of the frame stamped T as

.. math:: r(y, T) = s(y) [1 + \sum_h a_h \cos(2 \pi h (F T + \nu y) + \varphi_h)]

with ``nu = F t_row`` cycles per row. F is known, so the phase step from frame to frame is
known and tells the fundamental from its harmonics: a candidate row time is worth the power
of *all* its harmonics, and its fundamental must be there. What stands still in the picture
(the scene, and bands where F is a multiple of the frame rate) drops out with s(y).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.propagation import u_rectangular

Doubles = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

HARMONICS = 5  # of a switched lamp; above, they are lost in the exposure (a judgement)
LEAST_BANDS = 0.7  # of a period in the frame: less tells no frequency (a judgement)
_STANDING = 0.93  # mean resultant of the phases between frames (a judgement)
# Part of the uncertainty shared by all frames of a take (tone curve, coding).
_FLOOR = 1e-4
_MOST_UNSURE = 0.1

CAMERA_CLOCK = 5e-5
"""Share by which the quartz behind a clip's time stamps may be off: rectangular, twice that either
way would be a bad one (common practice, no source)."""

_REACH = 2.5e-3  # share of the frequency that is searched either way: mains at its worst days


@dataclass(frozen=True, slots=True)
class LampReadout:
    """Read-out time from lamp bands.

    Attributes:
        row_time, u: s; `row_time` is positive, see `upwards`.
        frequency, u_frequency: Flicker frequency, Hz: as typed and as the bands ran from frame to
            frame, together.
        agrees: Whether the two agree.
        upwards: Rows are read from the bottom of the stored frame.
        bands: Bands per frame height.
        depth: Relative amplitude of the bands and their harmonics.
        frames: Frames used.
        rows: (R,) array. Row numbers.
        shown, fitted: (R,) arrays. Bands of one frame, relative: seen and fitted.
        parts: What `u` is made of, s.
    """

    row_time: float
    u: float
    dof: float
    frequency: float
    u_frequency: float
    agrees: bool
    upwards: bool
    bands: float
    depth: tuple[float, ...]
    frames: int
    rows: Doubles
    shown: Doubles
    fitted: Doubles
    parts: tuple[Component, ...]


def measure_lamp(
    times: Doubles,
    rows: Doubles,
    brightness: npt.NDArray[np.floating],
    frequency: float,
    frequency_u: float,
    height: int,
    interval: float,
) -> LampReadout:
    """Measure the row time from row brightness over time.

    Args:
        times: (K,) array. Time stamps, s.
        rows: (R,) array. Row numbers.
        brightness: Mean linear light of each row in C blocks of columns.
        frequency, frequency_u: Flicker frequency of the light, Hz, and its standard uncertainty.
        height: Rows of the frame.
        interval: Time between frames, s.

    Raises:
        CannotMeasure: No bands, standing bands, too few bands, or bands that do not fit the
            frequency.
    """
    if len(times) < 6:
        raise CannotMeasure(
            "The clip is too short for the lamp method.", "Film the lamp's light for 5 s or more."
        )
    times = times - times[0]
    blocks = _usable(np.asarray(brightness, float))
    light = blocks.mean(axis=2)
    if _stands_still(times, frequency):
        raise CannotMeasure(
            f"At this frame rate the bands of a {frequency:g} Hz light stand still, so they "
            "cannot be told from the scene.",
            "Use a lamp of another frequency, change the frame rate, or film uprights passing.",
        )
    drift = _drifts(times, frequency, frequency_u)
    found, shift = _search(times, rows, light, frequency, drift, height, interval)
    start = _Solution(found, frequency + shift)
    solved = _solve(times, rows, light, start)
    _check(solved, height, interval, frequency, light)
    return _conclude(times, rows, blocks, solved, frequency, frequency_u, height)


@dataclass(frozen=True, slots=True)
class _Solution:
    nu: float  # cycles per row
    rate: float  # cycles per second between frames
    terms: tuple[int, ...] = (1, 2, 3)
    amplitude: tuple[complex, ...] = ()
    noise: float = 0.0


def _usable(brightness: Doubles) -> Doubles:
    """Leave out blocks of columns that are clipped or nearly black."""
    level = brightness.mean(axis=(0, 1))
    peak = np.percentile(brightness, 99, axis=(0, 1))
    good = (level > 0.01) & (peak < 0.97)
    if not good.any():
        raise CannotMeasure(
            "The picture is clipped or too dark to show bands.",
            "Film an evenly lit wall with less (or more) exposure.",
        )
    return np.asarray(brightness[:, :, good], np.float64)


def _stands_still(times: Doubles, frequency: float) -> bool:
    turn = np.exp(2j * math.pi * frequency * times)
    return bool(abs(turn.mean()) > _STANDING)


def _drifts(times: Doubles, frequency: float, frequency_u: float) -> Doubles:
    """Return trial deviations of the frequency: mains and camera clocks are not exact."""
    reach = max(3 * frequency_u, _REACH * frequency)
    pitch = 0.2 / max(float(np.ptp(times)), 0.1)
    count = min(int(np.ceil(reach / pitch)), 60)
    return np.asarray(np.arange(-count, count + 1) * pitch, np.float64)


def _relative(light: Doubles) -> Doubles:
    return np.asarray(light / light.mean(axis=0, keepdims=True) - 1)


def _search(
    times: Doubles,
    rows: Doubles,
    light: Doubles,
    frequency: float,
    drift: Doubles,
    height: int,
    interval: float,
) -> tuple[float, float]:
    """Return cycles per row (signed) and the drift whose harmonics carry most power."""
    seen = _relative(light)
    most = 1.1 * frequency * interval
    bands = np.arange(0.3, most + 0.05, 0.05)
    bands = np.concatenate([-bands[::-1], bands])
    nu = bands / height
    power = np.zeros((HARMONICS, len(nu), len(drift)))
    for h in range(1, HARMONICS + 1):
        turn = np.exp(-2j * math.pi * h * np.outer(frequency + drift, times))
        turn = turn - turn.mean(axis=1, keepdims=True)  # what stands still carries nothing
        size = np.maximum(np.sum(np.abs(turn) ** 2, axis=1), 0.1 * len(times))
        across = turn @ seen / np.sqrt(size * len(times))[:, None]  # (drift, R)
        along = np.exp(-2j * math.pi * h * np.outer(nu, rows))
        power[h - 1] = np.abs(along @ across.T / len(rows)) ** 2
    noise = _noise(seen, times, frequency, most, rows, height)
    base = power[0]
    # A subharmonic would claim the true band as its own harmonic: the fundamental must lead.
    weight = 1 / np.arange(1, HARMONICS + 1)[:, None, None]
    worth = np.sum(weight * power, axis=0)
    leads = (base > 12 * noise) & (base > 0.25 * power.max(axis=0))
    worth = np.where(leads, worth, 0)
    best = np.unravel_index(int(np.argmax(worth)), worth.shape)
    if worth[best] <= 0 or base[best] < 12 * noise or base[best] < 1e-7:
        raise CannotMeasure(
            "No moving bands of light were found.",
            "Film a plain wall lit by the flickering lamp alone, with a short exposure (bright "
            "light), the camera still.",
        )
    return float(nu[best[0]]), float(drift[best[1]])


def _noise(
    seen: Doubles, times: Doubles, frequency: float, most: float, rows: Doubles, height: int
) -> float:
    """Return the power of row frequencies that no read-out could make of this lamp."""
    bands = most + 6 + np.arange(40) * 0.5
    turn = np.exp(-2j * math.pi * frequency * times)
    turn = turn - turn.mean()
    size = max(float(np.sum(np.abs(turn) ** 2)), 0.1 * len(times))
    across = turn @ seen / math.sqrt(size * len(times))
    along = np.exp(-2j * math.pi * np.outer(bands / height, rows))
    return float(np.median(np.abs(along @ across / len(rows)) ** 2))


def _basis(times: Doubles, rows: Doubles, s: _Solution) -> Complexes:
    """Return exp(2 pi i h (rate T + nu y)) for each harmonic, (H, K, R)."""
    one = np.exp(2j * math.pi * (s.rate * times[:, None] + s.nu * rows[None, :]))
    return np.stack([one**h for h in s.terms])


def _solve(
    times: Doubles, rows: Doubles, light: Doubles, start: _Solution, steps: int = 10
) -> _Solution:
    """Least squares of bands, phase step and scene by Gauss-Newton."""
    s = _Solution(start.nu, start.rate, start.terms, start.amplitude or (0j,) * len(start.terms))
    middle = float(rows.mean())
    scene = light.mean(axis=0)
    for step in range(steps):
        seen = light / scene[None, :] - 1
        wave = _basis(times, rows, s)
        columns = [part for w in wave for part in (w.real, -w.imag)]
        model = sum((a * w).real for a, w in zip(s.amplitude, wave, strict=True)) + np.zeros_like(
            seen
        )
        moving = step > 0 or bool(start.amplitude)
        if moving:
            turn = sum(
                (2j * math.pi * h * a * w).real
                for h, a, w in zip(s.terms, s.amplitude, wave, strict=True)
            )
            columns += [turn * (rows - middle)[None, :], turn * times[:, None]]
        design = np.stack([_still_free(c).ravel() for c in columns], axis=1)
        left = _still_free(seen - model).ravel()
        scale = np.linalg.norm(design, axis=0)
        # A harmonic that stands still at this frame rate carries nothing.
        scale = np.where(scale > 0.05 * math.sqrt(len(left)), scale, np.inf)
        design = design / scale
        normal = design.T @ design
        change = np.linalg.pinv(normal, rcond=1e-9, hermitian=True) @ (design.T @ left)
        noise = float(np.std(left - design @ change))
        change = change / scale
        n = len(s.terms)
        amplitude = np.array(s.amplitude) + change[0 : 2 * n : 2] + 1j * change[1 : 2 * n : 2]
        nu, rate = s.nu, s.rate
        if moving:
            nu, rate = nu + float(change[2 * n]), rate + float(change[2 * n + 1])
            # The place of phase zero moves with nu because nu was varied about the middle row.
            amplitude = amplitude * np.exp(
                -2j * math.pi * np.array(s.terms) * change[2 * n] * middle
            )
        s = _Solution(nu, rate, s.terms, tuple(complex(a) for a in amplitude), noise)
        wave = _basis(times, rows, s)
        bands = sum((a * w).real for a, w in zip(s.amplitude, wave, strict=True))
        scene = _scene(light, bands)
        if step > 2 and moving and abs(change[2 * n]) < 1e-6 * abs(nu):
            break
    return s


def _scene(light: Doubles, bands: Doubles) -> Doubles:
    """Return the still scene, (R,), that times the bands explains the light best."""
    shine = np.maximum(1 + bands, 0.0)
    return np.asarray(np.sum(light * shine, axis=0) / np.sum(shine**2, axis=0))


def _still_free(values: Doubles) -> Doubles:
    return np.asarray(values - values.mean(axis=0, keepdims=True))


def _check(s: _Solution, height: int, interval: float, frequency: float, light: Doubles) -> None:
    bands = abs(s.nu) * height
    depth = abs(s.amplitude[0])
    if depth < 3 * s.noise / math.sqrt(light.size) * 4 or depth < 2e-4:
        raise CannotMeasure(
            "The lamp's bands are too faint.",
            "Use a shorter exposure (more light) and a lamp that flickers more.",
        )
    if bands < LEAST_BANDS:
        raise CannotMeasure(
            f"Only {bands:.2f} of a band fits the picture's height, too little to measure.",
            "Use a lamp that flickers faster: at least one band must fit the picture.",
        )
    if bands / frequency > 1.05 * interval:
        raise CannotMeasure(
            "The bands would need a read-out longer than the time between two frames.",
            "Check the lamp's frequency: light on the mains flickers at twice the mains "
            "frequency (100 or 120 Hz).",
        )


def _conclude(
    times: Doubles,
    rows: Doubles,
    blocks: Doubles,
    s: _Solution,
    frequency: float,
    frequency_u: float,
    height: int,
) -> LampReadout:
    light = blocks.mean(axis=2)
    own, u_rate = _scatter(times, rows, blocks, s)
    own /= abs(s.nu)
    # A fault of the bands' shape weighs more the fewer bands there are.
    others = sum(abs(a) for a in s.amplitude[1:]) / max(abs(s.amplitude[0]), 1e-9)
    floor = _FLOOR * max(1.0, 4 / (abs(s.nu) * height)) * (1 + 2 * others)
    lamp, u_lamp, agrees = _frequency(s.rate, u_rate, frequency, frequency_u)
    row_time = abs(s.nu) / lamp
    parts = (
        Component("scatter of frames and columns", own, "", row_time, source="scatter"),
        Component(
            "shape of the bands, all frames alike", floor, "", row_time,
            source="our own rendered clips (docs/accuracy/readout.md)",
        ),
        Component(
            "frequency of the lamp", u_lamp, "Hz", -row_time / lamp,
            source="reading, and the bands from frame to frame by the camera's clock",
        ),
    )  # fmt: skip
    relative = combined(parts) / row_time
    if relative > _MOST_UNSURE:
        raise CannotMeasure(
            "The lamp's bands are too unsteady: the read-out time would be uncertain by "
            f"{100 * relative:.0f} %.",
            "Film a plain wall lit by the lamp alone, the camera still, with a short exposure.",
        )
    wave = _basis(times[:1], rows, s)
    fitted = sum((a * w).real for a, w in zip(s.amplitude, wave, strict=True)) + np.zeros(
        (1, len(rows))
    )
    bands = sum((a * w).real for a, w in zip(s.amplitude, _basis(times, rows, s), strict=True))
    scene = _scene(light, bands)
    return LampReadout(
        row_time,
        relative * row_time,
        min(200.0, 7.0 * (relative / max(own, 1e-12)) ** 4),
        lamp,
        u_lamp,
        agrees,
        s.nu < 0,
        abs(s.nu) * height,
        tuple(abs(a) for a in s.amplitude),
        len(times),
        rows,
        light[0] / scene - 1,
        fitted[0],
        parts,
    )


def _scatter(times: Doubles, rows: Doubles, blocks: Doubles, s: _Solution) -> tuple[float, float]:
    """Jackknife over time, and over columns where there are some: of `nu` and of the rate."""
    light = blocks.mean(axis=2)
    parts = np.arange(len(times)) * 8 // len(times)
    told = [_solve(times[parts != k], rows, light[parts != k], s, 3) for k in range(8)]
    own = _jackknife(np.array([t.nu for t in told]))
    columns = np.arange(blocks.shape[2])
    if len(columns) >= 4:
        without = (blocks[:, :, columns != c].mean(2) for c in columns)
        own = max(own, _jackknife(np.array([_solve(times, rows, b, s, 3).nu for b in without])))
    return own, _jackknife(np.array([t.rate for t in told]))


def _frequency(fitted: float, u: float, typed: float, u_typed: float) -> tuple[float, float, bool]:
    """Return the lamp's frequency, its u, and whether what was typed agrees with the bands.

    The bands run on from frame to frame by the camera's own clock: over seconds that tells the
    mains of the hour better than its nominal frequency does. Weighted mean of the two.
    """
    u = max(math.hypot(u, u_rectangular(2 * CAMERA_CLOCK) * typed), 1e-9 * typed)
    agrees = abs(fitted - typed) <= 3 * math.hypot(u, u_typed)
    if not agrees or u_typed == 0:
        # Typed as exact: what the clip shows stands against it only where they differ.
        return (typed, 0.0, True) if agrees else (fitted, u, False)
    weights = 1 / u**2, 1 / u_typed**2
    mean = (fitted * weights[0] + typed * weights[1]) / sum(weights)
    return mean, 1 / math.sqrt(sum(weights)), True


def _jackknife(values: Doubles) -> float:
    n = len(values)
    return math.sqrt((n - 1) / n * float(np.sum((values - values.mean()) ** 2)))
