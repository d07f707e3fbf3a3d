"""Sound: weighting, levels against AES17 and PCM theory, clipping, rate, band, channels."""

from __future__ import annotations

import math

import av
import numpy as np
import pytest
from scipy import signal
from scipy.signal import lfilter

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.procedures.sound.bands import band
from seeworthy.procedures.sound.measure import (
    Listener,
    a_weighting,
    channels,
    noise_floor,
    rate_error,
)
from telling import says_its_budget

RATE = 48_000


def heard(samples, tone=None, rate=RATE, block=1024):
    data = np.atleast_2d(np.asarray(samples, np.float32).T).T
    listener = Listener(rate, data.shape[1], tone)
    for start in range(0, len(data), block):
        listener.feed(data[start : start + block])
    return listener


def seconds(n):
    return np.arange(int(n * RATE)) / RATE


# Published.


def test_a_weighting_rounds_to_the_table(published):
    for row in published("a_weighting.csv"):
        assert a_weighting(float(row["exact_Hz_10^(n/10)"])) == pytest.approx(
            float(row["A_table_dB"]), abs=0.0501
        )


def test_quantisation_noise_of_16_bits(published):
    # AES17: full-scale sine against quantisation noise, 6.0206 N + 1.7609 dB.
    row = next(r for r in published("pcm_dynamic_range.csv") if r["bits"] == "16")
    rng = np.random.default_rng(1)
    fine = rng.normal(0, 0.05, RATE * 4)  # far above one step, so that the error is uniform
    error = np.round(fine * 32768) / 32768 - fine
    plain, _ = noise_floor(heard(error))
    assert plain.value == pytest.approx(-float(row["dB (6.0206 N + 1.7609)"]), abs=0.1)


def test_a_full_scale_sine_is_0_dbfs():
    # AES17 convention; a Hann-windowed level agrees with the plain one at 1 kHz, where A is 0 dB.
    plain, weighted = noise_floor(heard(np.sin(2 * np.pi * 1000 * seconds(3))))
    assert plain.value == pytest.approx(0.0, abs=0.01)
    assert weighted.value == pytest.approx(0.0, abs=0.02)


# Injected truth.


@pytest.mark.parametrize("level", [-80.0, -60.0, -40.0])
def test_noise_floor_of_a_known_level(level):
    rng = np.random.default_rng(2)
    rms = 10 ** ((level - 10 * math.log10(2)) / 20)
    plain, _ = noise_floor(heard(rng.normal(0, rms, RATE * 10)))
    assert plain.value == pytest.approx(level, abs=max(0.05, 3 * plain.u))


def test_a_noise_floor_ignores_speech_before_and_after():
    rng = np.random.default_rng(3)
    x = rng.normal(0, 1e-3, RATE * 12)
    x[: RATE * 4] += 0.2 * np.sin(2 * np.pi * 300 * seconds(4))
    plain, _ = noise_floor(heard(x))
    assert plain.value == pytest.approx(20 * math.log10(1e-3) + 3.01, abs=0.3)
    named, _ = noise_floor(heard(x), (5, 11))
    assert named.value == pytest.approx(plain.value, abs=0.2)


def test_the_interval_of_the_noise_floor_holds_the_truth():
    rng = np.random.default_rng(4)
    truth = 20 * math.log10(1e-3) + 10 * math.log10(2)
    inside = 0
    for _ in range(40):
        # Slow wander of a fifth of a decibel, as an automatic gain makes.
        gain = 10 ** (np.repeat(rng.normal(0, 0.2, 20), RATE // 2) / 20)
        plain, _ = noise_floor(heard(rng.normal(0, 1e-3, gain.size) * gain, block=8192))
        inside += abs(plain.value - truth) <= 1.96 * plain.u
    assert 34 <= inside <= 40


def test_clipping_counts_flat_tops_only():
    x = 1.2 * np.sin(2 * np.pi * 200 * seconds(1))
    clipped = np.clip(x, -1, 1)
    listener = heard(clipped, block=777)
    assert listener.clipped == int((np.abs(clipped) >= 1 - 2.5 / 32768).sum())
    chance = np.zeros(RATE)
    chance[::1000] = 1.0
    assert heard(chance).clipped == 0


@pytest.mark.parametrize("ppm", [-300.0, -20.0, 0.0, 55.0, 900.0])
def test_rate_error_from_a_tone(ppm):
    rng = np.random.default_rng(5)
    real = RATE * (1 + ppm * 1e-6)  # the camera takes samples at this rate and says 48 kHz
    t = np.arange(RATE * 20) / real
    x = 0.3 * np.sin(2 * np.pi * 1000 * t + 0.4) + rng.normal(0, 0.01, t.size)
    found = rate_error(heard(x, tone=1000.0), u_tone=0.0)
    assert found.value == pytest.approx(ppm, abs=max(0.5, 3 * found.u))
    assert found.u < 2.0


def test_a_tone_of_another_frequency_is_refused():
    x = 0.3 * np.sin(2 * np.pi * 1100 * seconds(10))
    with pytest.raises(CannotMeasure, match="1000 Hz is not heard"):
        rate_error(heard(x, tone=1000.0), 0.0)


def sweep(length=20.0, low=20.0, high=20000.0):
    t = seconds(length)
    return 0.3 * signal.chirp(t, low, length, high, method="logarithmic")


@pytest.mark.parametrize(("low", "high"), [(200.0, 4000.0), (120.0, 7500.0)])
def test_band_limits_of_a_known_filter(low, high):
    # Butterworth of second order squared is −6.02 dB at its corner (two passes).
    sos = signal.butter(2, [low, high], "bandpass", fs=RATE, output="sos")
    x = signal.sosfiltfilt(sos, np.concatenate([np.zeros(RATE), sweep(), np.zeros(RATE)]))
    rng = np.random.default_rng(6)
    found = band(heard(x + rng.normal(0, 1e-4, x.size)))
    assert found.low.frequency == pytest.approx(low, rel=0.08)
    assert found.high.frequency == pytest.approx(high, rel=0.08)
    assert abs(found.low.frequency - low) < 3 * found.low.u
    assert abs(found.high.frequency - high) < 3 * found.high.u
    assert not found.low.bound
    assert not found.high.bound


def test_a_sweep_that_ends_before_the_band_does_is_a_bound():
    found = band(heard(sweep(high=6000.0)))
    assert found.high.bound
    assert found.high.frequency == pytest.approx(6000, rel=0.1)


def test_music_is_no_sweep():
    rng = np.random.default_rng(7)
    notes = np.concatenate(
        [np.sin(2 * np.pi * f * seconds(0.3)) for f in rng.uniform(200, 2000, 60)]
    )
    with pytest.raises(CannotMeasure, match="sweep"):
        band(heard(0.3 * notes))


def test_one_microphone_sold_as_two():
    rng = np.random.default_rng(8)
    mono = rng.normal(0, 0.05, RATE * 3)
    same = np.stack([mono, mono + rng.normal(0, 1e-6, mono.size)], 1)
    assert channels(heard(same)).identical
    two = np.stack([mono, 0.7 * mono + rng.normal(0, 0.02, mono.size)], 1)
    assert not channels(heard(two)).identical
    assert channels(heard(mono)) is None


# IEC 61672-1:2013, Table 3, at the exact frequencies of its bands (goals in dB).
@pytest.mark.parametrize(
    ("frequency", "goal"),
    [(31.623, -39.4), (39.811, -34.6), (63.096, -26.2), (125.89, -16.1), (1000.0, 0.0),
     (7943.3, -1.1)],
)  # fmt: skip
@pytest.mark.parametrize("phase", [0.0, 1.1])
def test_a_tone_through_the_windows_has_the_weight_of_the_standard(frequency, goal, phase):
    tone = 0.1 * np.sin(2 * np.pi * frequency * seconds(3) + phase)
    windows = heard(tone).windows
    plain = np.mean([w.power for w in windows])
    weighted = np.mean([w.weighted for w in windows])
    assert 10 * math.log10(weighted / plain) == pytest.approx(goal, abs=0.1)


# Through a file.


def write(path, samples, layout="mono", codec="aac", bit_rate=192_000, **options):
    with av.open(str(path), "w") as target:
        video = target.add_stream("libx264", rate=10)
        video.width = video.height = 64
        video.pix_fmt = "yuv420p"
        audio = target.add_stream(codec, rate=RATE, options=options)
        audio.layout = layout
        audio.bit_rate = bit_rate
        for i in range(len(samples) * 10 // RATE):
            frame = av.VideoFrame.from_ndarray(np.full((64, 64, 3), 90, np.uint8), format="rgb24")
            frame.pts = i
            target.mux(video.encode(frame))
        data = np.ascontiguousarray(np.atleast_2d(np.asarray(samples, np.float32).T))
        for start in range(0, data.shape[1], 1024):
            part = np.ascontiguousarray(data[:, start : start + 1024])
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout=layout)
            frame.sample_rate, frame.pts = RATE, start
            target.mux(audio.encode(frame))
        target.mux(video.encode())
        target.mux(audio.encode())
    return path


def test_the_procedure_through_aac(tmp_path):
    rng = np.random.default_rng(9)
    quiet = rng.normal(0, 2e-3, RATE * 8)
    tone = 0.3 * np.sin(2 * np.pi * 1000 * seconds(8))
    mono = np.concatenate([quiet, tone])
    path = write(tmp_path / "a.mp4", np.stack([mono, mono], 1), "stereo")
    found = measure(
        "sound", [path], readings={"tone": ["1000 Hz ± 0.01 Hz"]}, options={"quiet": ["1-7"]}
    )
    says_its_budget(found.outcome)
    results = {(r.measurand, r.conditions.get("weighting")): r for r in found.outcome.results}
    floor = results["noise_floor", "none"]
    # AAC takes some noise away: as delivered, a little under the truth.
    assert floor.value == pytest.approx(20 * math.log10(2e-3) + 3.01, abs=1.5)
    assert results["audio_rate_error", None].value == pytest.approx(0, abs=15)
    assert results["clipping_share", None].value == 0
    assert found.outcome.findings["channels_identical"] is True


def red_noise(seed, seconds_):
    """Rumble with hiss, as a room has it."""
    rng = np.random.default_rng(seed)
    return lfilter([1], [1, -0.95], rng.normal(0, 0.003, int(RATE * seconds_)))


@pytest.mark.parametrize(
    ("options", "known"),
    [
        ({"aac_pns": "1"}, True),  # the coder puts noise of its own into each channel
        ({"aac_pns": "0"}, True),
        ({"aac_pns": "1", "aac_ms": "0", "aac_is": "0"}, None),  # channels coded apart
    ],
)
def test_one_microphone_through_a_coder_that_makes_noise_of_its_own(tmp_path, options, known):
    mono = red_noise(1, 6) + 0.05 * np.sin(2 * np.pi * 400 * seconds(6))
    path = write(
        tmp_path / "a.mp4", np.stack([mono, mono], 1), "stereo", bit_rate=64_000, **options
    )
    assert measure("sound", [path]).outcome.findings["channels_identical"] is known


def test_two_microphones_are_told_through_the_coder(tmp_path):
    one, two, both = (red_noise(seed, 6) for seed in (1, 2, 3))
    path = write(tmp_path / "a.mp4", np.stack([both + one, both + two], 1), "stereo")
    assert measure("sound", [path]).outcome.findings["channels_identical"] is False


def test_digital_silence_is_no_noise_floor(tmp_path):
    """A camera that gates its quiet parts hides its noise; one that hears nothing is refused."""
    gated = np.concatenate([0.2 * np.sin(2 * np.pi * 300 * seconds(2)), np.zeros(RATE * 4)])
    outcome = measure("sound", [write(tmp_path / "g.mov", gated, codec="pcm_s16le")]).outcome
    assert not [r for r in outcome.results if r.measurand == "noise_floor"]
    assert any("silence" in w for w in outcome.warnings)
    for name, codec in (("s.mov", "pcm_s16le"), ("s.mp4", "aac")):
        path = write(tmp_path / name, np.zeros(RATE * 4), codec=codec)
        with pytest.raises(CannotMeasure, match=f"'{name}' is silence from beginning to end"):
            measure("sound", [path])


def test_a_noise_that_never_stops_is_only_a_bound(tmp_path):
    # A motor 12 dB below full scale all the time, as in the clip of a flight (karma.mp4: -5.5).
    path = write(tmp_path / "motor.mp4", np.random.default_rng(4).normal(0, 0.18, RATE * 4))
    outcome = measure("sound", [path]).outcome
    floor = next(r for r in outcome.results if r.measurand == "noise_floor")
    assert floor.conditions["bound"] == "upper"
    assert floor.interval[0] == -math.inf
    assert floor.interval[1] == pytest.approx(20 * math.log10(0.18) + 3.01, abs=1.5)
    assert "no silence" in outcome.sentence
    named = measure("sound", [path], options={"quiet": ["0-4"]}).outcome.results
    assert "bound" not in next(r for r in named if r.measurand == "noise_floor").conditions


def test_no_sound_is_refused(tmp_path):
    path = tmp_path / "v.mp4"
    with av.open(str(path), "w") as target:
        video = target.add_stream("libx264", rate=10)
        video.width = video.height = 64
        video.pix_fmt = "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8), format="rgb24")
        target.mux(video.encode(frame))
        target.mux(video.encode())
    with pytest.raises(CannotMeasure, match="no sound"):
        measure("sound", [path])


@pytest.mark.parametrize("quiet", ["3", "8-3", "a-b"])
def test_a_stretch_that_is_none(tmp_path, quiet):
    path = write(tmp_path / "q.mp4", np.random.default_rng(1).normal(0, 0.01, RATE * 3))
    with pytest.raises(WrongCall, match="quiet"):
        measure("sound", [path], options={"quiet": [quiet]})
