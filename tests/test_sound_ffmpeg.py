"""Levels and silence against FFmpeg's own filters, and the published loudness of tones."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import wave

import numpy as np
import pytest

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure

RATE = 48_000
AES17 = 10 * np.log10(2.0)


def ffmpeg(path, filters):
    """Run FFmpeg's audio filters over a file and return what they say."""
    if shutil.which("ffmpeg") is None:
        if os.environ.get("CI"):
            pytest.fail("CI needs ffmpeg")
        pytest.skip("ffmpeg is not installed")
    command = ["ffmpeg", "-hide_banner", "-nostats", "-i", str(path), "-af", filters]
    done = subprocess.run([*command, "-f", "null", "-"], capture_output=True, text=True, check=True)
    return done.stderr


def write(path, samples):
    """24 bit WAVE, by Python's own module."""
    data = np.atleast_2d(np.asarray(samples, float).T).T
    whole = np.rint(np.clip(data, -1, 1) * (2**23 - 1)).astype("<i4")
    with wave.open(str(path), "wb") as out:
        out.setnchannels(data.shape[1])
        out.setsampwidth(3)
        out.setframerate(RATE)
        out.writeframes(whole.ravel().view(np.uint8).reshape(-1, 4)[:, :3].tobytes())
    return path


def floor(path, **options):
    found = measure("sound", [path], options=options).outcome.results
    return {
        r.conditions["weighting"]: r.value for r in found if r.measurand == "noise_floor"
    }  # fmt: skip


def tone(hertz, level, channels, seconds=8):
    t = np.arange(seconds * RATE) / RATE
    one = 10 ** (level / 20) * np.sin(2 * np.pi * hertz * t)
    return np.stack([one] * channels, 1)


CASES = [
    ("997 Hz sine, 0 dBFS peak, one", 997, 0.0, 1),
    ("997 Hz sine, 0 dBFS peak, both", 997, 0.0, 2),
    ("1 kHz sine, -23", 1000, -23.0, 2),
    ("1 kHz sine, -33", 1000, -33.0, 2),
    ("1 kHz sine, -18", 1000, -18.0, 1),
]


@pytest.mark.parametrize(("row", "hertz", "level", "channels"), CASES)
def test_loudness_of_tones_published(published, tmp_path, row, hertz, level, channels):
    """ITU-R BS.1770-4, EBU Tech 3341 tests 1 and 2 (expected values from memory).

    At 1 kHz the weightings A and K are 0 dB (K with its constant), so the level of a tone by
    AES17 less 3.01 dB, plus 10 lg of the number of channels, is its loudness.
    """
    entry = next(r for r in published("audio_loudness.csv") if r["signal"].startswith(row))
    expected = float(re.match(r"-?[\d.]+", entry["expected"])[0])
    path = write(tmp_path / "tone.wav", tone(hertz, level, channels))
    told = re.findall(r"I:\s+(-?[\d.]+) LUFS", ffmpeg(path, "ebur128"))
    assert float(told[-1]) == pytest.approx(expected, abs=0.1)
    for weighting in ("none", "A"):
        loudness = floor(path, quiet=["0-8"])[weighting] - AES17 + 10 * np.log10(channels)
        assert loudness == pytest.approx(expected, abs=0.03), weighting
        assert loudness == pytest.approx(float(told[-1]), abs=0.1)


def test_full_scale_sine_and_square_published(published, tmp_path):
    """AES17: a full-scale sine is 0 dBFS, a square 3.01 dB more; FFmpeg counts from the square."""
    rows = {r["signal"]: r["expected"] for r in published("audio_loudness.csv")}
    sine = np.sin(2 * np.pi * 500 * (np.arange(4 * RATE) + 0.5) / RATE)
    for name, samples in (
        ("full-scale sine RMS", sine),
        ("full-scale square RMS", np.sign(sine)),
    ):
        path = write(tmp_path / "full.wav", samples)
        expected = float(re.match(r"-?[\d.]+", rows[name])[0])
        told = re.findall(r"RMS level dB: (-?[\d.]+)", ffmpeg(path, "astats"))
        assert float(told[-1]) == pytest.approx(expected, abs=1e-3)
        level = floor(path, quiet=["0-4"])["none"]
        assert level == pytest.approx(expected + AES17, abs=2e-3)


def test_the_floor_is_that_of_the_stretch_in_which_ffmpeg_hears_silence(tmp_path):
    """Noise that is quiet for 6 of 12 s: FFmpeg's `silencedetect` and `astats` name the same."""
    rng = np.random.default_rng(3)
    samples = rng.normal(0, 3e-4, 12 * RATE)
    samples[: 3 * RATE] += rng.normal(0, 0.1, 3 * RATE)
    samples[9 * RATE :] += rng.normal(0, 0.1, 3 * RATE)
    path = write(tmp_path / "quiet.wav", samples)
    said = ffmpeg(path, "silencedetect=noise=-55dB:duration=1")
    start = float(re.search(r"silence_start: ([\d.]+)", said)[1])
    end = float(re.search(r"silence_end: ([\d.]+)", said)[1])
    assert (start, end) == (pytest.approx(3, abs=0.01), pytest.approx(9, abs=0.01))
    told = ffmpeg(path, f"atrim={start + 0.1}:{end - 0.1},astats")
    theirs = float(re.findall(r"RMS level dB: (-?[\d.]+)", told)[-1])
    assert floor(path)["none"] == pytest.approx(theirs + AES17, abs=0.1)
    named = floor(path, quiet=[f"{start + 0.1:.2f}-{end - 0.1:.2f}"])
    assert named["none"] == pytest.approx(theirs + AES17, abs=0.05)


def test_digital_silence_is_silence_to_ffmpeg_too(tmp_path):
    path = write(tmp_path / "none.wav", np.zeros(4 * RATE))
    assert "silence_start: 0" in ffmpeg(path, "silencedetect=noise=-90dB:duration=1")
    with pytest.raises(CannotMeasure, match="silence"):
        measure("sound", [path])
