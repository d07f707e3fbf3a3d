"""A real flight with its gyroscope: what the picture says of the rotation, and of the lens."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import field_data
from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.study import measured

# Karma.mp4 (gopro/gpmf-parser, samples, commit 9a715063, Apache-2.0 or MIT) with the 400 Hz
# readings of its own gyroscope. A straight fit of picture shift against the fast axis gave a
# focal length of 569 px (bands 561 to 577), the gyroscope ahead by 16 ms, R2 0.995.
_FOCAL = 569.0
_OFFSET = -16.0


@pytest.fixture(scope="module")
def karma():
    row = next(r for r in field_data.rows() if r["file"] == "media/karma.mp4")
    clip = field_data.find(row)
    if clip is None:
        pytest.skip(field_data.how(row))
    log = Path(clip).parent / "karma_gyro.csv"
    if not log.exists():
        pytest.skip("media/karma_gyro.csv is not there: extract the GYRO stream of karma.mp4")
    return clip, log


def _values(outcome):
    return {r.measurand: r for r in outcome.results}


def test_a_real_flight_and_its_gyroscope_give_the_lens_and_the_clock(karma):
    clip, log = karma
    outcome = measured("gyro", {"": [clip], "log": [log]})
    found = _values(outcome)
    focal = found["focal_length"]
    assert abs(focal.value / _FOCAL - 1) < 0.02
    assert focal.interval[0] < _FOCAL < focal.interval[1]
    assert abs(found["gyro_offset"].value - _OFFSET) < 5
    assert outcome.findings["explained"]["yaw"] > 0.99
    assert outcome.findings["log_columns"] == [f"sensor_{i}_deg_s" for i in (1, 2, 3)]
    # Near ground moves as if rows were late, on one side more than on the other.
    assert outcome.findings["rows_read"] == "cannot be told"


def test_the_rotation_of_a_real_flight_is_that_of_its_gyroscope(karma):
    clip, log = karma
    view = _values(measured("gyro", {"": [clip], "log": [log]}))["hfov"]
    outcome = measured("motion", [clip], readings={"hfov": [f"{view.value} deg ± {view.u} deg"]})
    yaw = next(
        r for r in outcome.results
        if r.measurand == "rotation_rms" and r.conditions["axis"] == "yaw"
    )  # fmt: skip
    rows = np.loadtxt(log, delimiter=",", skiprows=1)
    time, rate = rows[:, 0], rows[:, 1]
    angle = np.concatenate([[0], np.cumsum((rate[1:] + rate[:-1]) / 2 * np.diff(time))])
    frames = np.arange(362) * 1001 / 30000 + _OFFSET / 1e3
    mean = np.diff(np.interp(frames, time, angle)) / np.diff(frames)
    real = float(np.sqrt((mean**2).mean()))
    assert abs(yaw.value / real - 1) < 0.05
    assert yaw.interval[0] < real < yaw.interval[1]


def test_a_log_of_no_use_is_refused_with_a_reason(karma, tmp_path):
    clip, _ = karma
    rng = np.random.default_rng(3)
    rows = [f"{t:.4f},{a:.3f},{b:.3f},{c:.3f}" for t, (a, b, c) in zip(
        np.arange(0, 14, 0.005), rng.standard_normal((2800, 3)), strict=True
    )]  # fmt: skip
    log = tmp_path / "log.csv"
    log.write_text("time (s),gx (deg/s),gy (deg/s),gz (deg/s)\n" + "\n".join(rows), "utf-8")
    with pytest.raises(CannotMeasure, match="nowhere alike"):
        measured("gyro", {"": [clip], "log": [log]})


def test_the_exposure_of_a_real_flight_lies_below_the_bound_that_its_clip_gives(karma):
    clip, _ = karma
    outcome = measured("softness", [clip])
    found = {r.measurand: r for r in outcome.results}
    # The maker's telemetry gives 4.870 ms in every frame: under a tenth of a pixel of blur in
    # nearly all of them. That is too little for a value, and no bound may lie below it.
    exposure = found["flight_exposure"]
    assert exposure.conditions["bound"] == "upper"
    assert 4.87 <= exposure.interval[1] < 15
