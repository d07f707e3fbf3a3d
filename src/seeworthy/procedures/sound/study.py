"""Accuracy of `sound`: recordings of known noise, tone and band, through files as cameras write."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import signal

from seeworthy.media.write import ClipWriter
from seeworthy.procedures.study import Goal, Study, Trial, asked, cases, held, measured

Floats = npt.NDArray[np.float64]

PLAIN, CODED = "silence, uncoded", "silence, AAC"
LOUD = "no silence in it"
TONE, SWEEP = "a steady tone", "a sweep through a known band"
_HZ = 48_000
_U_TONE = 0.01  # Hz, of what was played


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield noise floors, rate errors and band limits against what was put in."""
    with tempfile.TemporaryDirectory() as folder:
        for group, rng in cases(repeats, seed, (PLAIN, CODED, LOUD, TONE, SWEEP), (LOUD,)):
            path = Path(folder) / ("clip.mp4" if group == CODED else "clip.mov")
            yield from (_tone if group == TONE else _sweep if group == SWEEP else _floor)(
                group, path, rng
            )


def _write(path: Path, samples: Floats, rng: np.random.Generator) -> Path:
    codec = "aac" if path.suffix == ".mp4" else "pcm_s16le"
    dither = rng.uniform(-0.5, 0.5, samples.shape) / 32768
    with ClipWriter(path, 64, 48, 10, sound=(_HZ, 1), sound_codec=codec) as clip:
        for k in range(len(samples) * 10 // _HZ):
            clip.write_luma(np.full((48, 64), 90, np.uint8), k / 10)
        clip.write_sound((samples + dither).astype(np.float32))
    return path


def _floor(group: str, path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """Hiss with rumble under it whose gain wanders; before it somebody talks, or all is noise."""
    level = float(rng.uniform(-30, -8) if group == LOUD else rng.uniform(-72, -48))
    noise = rng.standard_normal(12 * _HZ)
    rumble = signal.lfilter([1], [1, -0.97], rng.standard_normal(12 * _HZ))
    noise = noise / noise.std() + rng.uniform(0, 1) * rumble / rumble.std()
    knots = rng.normal(0, 0.15, 13)  # dB, a gain control that is never quite at rest
    gain = 10 ** (np.interp(np.arange(12 * _HZ) / _HZ, np.arange(13), knots) / 20)
    noise = 10 ** ((level - 10 * math.log10(2)) / 20) * noise / noise.std() * gain
    talk = 0.1 * np.sin(2 * np.pi * 220 * np.arange(4 * _HZ) / _HZ)
    samples = noise if group == LOUD else np.concatenate([talk, noise])
    said = measured("sound", [_write(path, np.clip(samples, -1, 1), rng)])
    found = [r for r in said.results if r.conditions.get("weighting") == "none"]
    if group == LOUD:  # the camera's own noise is not in it: only a bound is right
        bound = found[0].conditions.get("bound") == "upper"
        yield Trial(
            group, "noise_floor", level, refused="bound" if bound else "", should_refuse=True
        )
    else:
        yield held(group, level, found[0])


def _tone(group: str, path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """A player that is right to `_U_TONE`, a room that answers, a camera whose clock is off."""
    off, played = float(rng.uniform(-90, 90)), 1000 + float(rng.normal(0, _U_TONE))
    t = np.arange(30 * _HZ) / (_HZ * (1 + off * 1e-6))
    samples = 0.2 * np.sin(2 * np.pi * played * t) + 0.003 * rng.standard_normal(len(t))
    for _ in range(3):
        late = int(rng.uniform(0.005, 0.05) * _HZ)
        samples[late:] += rng.uniform(0.05, 0.3) * samples[:-late]
    path = _write(path, samples, rng)
    typed = {"tone": [f"1000 Hz ± {_U_TONE} Hz"]}
    said = yield from asked(
        group, "audio_rate_error", off, lambda: measured("sound", [path], readings=typed)
    )
    for found in said.results if said else ():
        if found.measurand == "audio_rate_error":
            yield held(group, off, found)


def _sweep(group: str, path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """Two passes of a Butterworth filter of second order lose 6.02 dB at its corners (derived)."""
    low, high = float(rng.uniform(90, 300)), float(rng.uniform(2500, 9000))
    t = np.arange(20 * _HZ) / _HZ
    samples = 0.2 * signal.chirp(t, 20, 20, 20_000, method="logarithmic")
    sos = signal.butter(2, [low, high], "bandpass", fs=_HZ, output="sos")
    samples = signal.sosfiltfilt(sos, samples)
    for _ in range(3):  # what a table and a wall send back
        late = int(rng.uniform(0.0005, 0.01) * _HZ)
        samples[late:] += rng.uniform(0.02, 0.12) * samples[:-late]
    path = _write(path, samples + 1e-4 * rng.standard_normal(len(t)), rng)
    for found in measured("sound", [path]).results:
        if found.measurand in ("band_low", "band_high"):
            yield held(group, low if found.measurand == "band_low" else high, found)


STUDY = Study(
    id="sound",
    title="Sound: noise floor, sample rate and band limits of recordings made by computation",
    run=run,
    goals={
        PLAIN: (Goal("coverage", 0.93),),
        CODED: (Goal("coverage", 0.93),),
        LOUD: (Goal("right", 1.0),),
        TONE: (Goal("coverage", 0.93),),
        SWEEP: (Goal("coverage", 0.93),),
    },
)
