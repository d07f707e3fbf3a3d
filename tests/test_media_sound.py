"""Sound: samples, stamps and bits as the file has them."""

from __future__ import annotations

import struct
import wave
from fractions import Fraction

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.sound import open_sound
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter


def whole(sound):
    blocks = list(sound.blocks())
    return blocks, np.concatenate([b.samples for b in blocks])


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_of_a_wave_file_come_back_exactly(tmp_path, bits, channels):
    # Written by Python's own wave module.
    top = 2 ** (bits - 1)
    values = np.random.default_rng(3).integers(-top, top, (5000, channels))
    path = tmp_path / "a.wav"
    with wave.open(str(path), "wb") as out:
        out.setnchannels(channels)
        out.setsampwidth(bits // 8)
        out.setframerate(44100)
        if bits == 8:
            out.writeframes((values + 128).astype(np.uint8).tobytes())
        else:
            packed = b"".join(struct.pack("<i", int(v)) for v in values.ravel() << (32 - bits))
            keep = np.frombuffer(packed, np.uint8).reshape(-1, 4)[:, 4 - bits // 8 :]
            out.writeframes(keep.tobytes())
    sound = open_sound(Source.of(path))
    assert (sound.rate, sound.channels, sound.bits) == (44100, channels, bits)
    blocks, samples = whole(sound)
    assert samples.dtype == np.float32
    assert np.array_equal(samples, (values / top).astype(np.float32))
    # Stamps are integers in the file's time base and follow each other without gaps.
    at = 0
    for block in blocks:
        assert block.pts * sound.time_base == Fraction(at, 44100)
        at += len(block.samples)


def test_sound_of_a_clip_keeps_its_tone(tmp_path):
    t = np.arange(48000) / 48000
    path = tmp_path / "a.mp4"
    with ClipWriter(path, 64, 64, 30, bit_rate=None, sound=(48000, 2)) as clip:
        for _ in range(30):
            clip.write_luma(np.zeros((64, 64), np.uint8))
        clip.write_sound(np.stack([0.5 * np.sin(2 * np.pi * 1000 * t), 0 * t], axis=1))
    sound = open_sound(Source.of(path))
    assert (sound.codec, sound.rate, sound.channels, sound.bits) == ("aac", 48000, 2, None)
    _, samples = whole(sound)
    assert samples.shape[1] == 2
    middle = samples[12000:36000, 0]
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(middle.size)))
    assert np.argmax(spectrum) * 48000 / middle.size == pytest.approx(1000)
    assert np.sqrt(2 * np.mean(middle**2)) == pytest.approx(0.5, rel=0.01)
    assert np.abs(samples[12000:36000, 1]).max() < 1e-3
    assert sound.warnings == []


def test_a_silent_film_is_refused(tmp_path):
    path = tmp_path / "a.mp4"
    with ClipWriter(path, 64, 64, 30, bit_rate=None) as clip:
        clip.write_luma(np.zeros((64, 64), np.uint8))
    with pytest.raises(CannotMeasure, match="no sound"):
        open_sound(Source.of(path))
