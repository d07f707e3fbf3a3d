"""Rate of a camera against the clock; gaps and rule of the files of a recording."""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.clock.rate import fit_rate
from seeworthy.ground.errors import CannotMeasure
from seeworthy.procedures.continuity.measure import SIZE_LIMIT, Segment, segment_rule


def test_rate_is_found_through_noise_a_restart_and_misread_frames() -> None:
    chance = np.random.default_rng(5)
    truth = np.arange(1800) / 30
    read = (truth + 100 + chance.normal(0, 0.5e-3, truth.size)) % 128
    read[[50, 700, 1500]] += 0.064
    fit = fit_rate(truth * (1 + 40e-6), np.unwrap(read, period=128.0))
    assert fit.rate_ppm == pytest.approx(40, abs=3)
    assert not fit.kept[[50, 700, 1500]].any()
    assert fit.scatter_ms == pytest.approx(0.5, rel=0.1)


def test_intervals_of_the_rate_hold_the_truth() -> None:
    """Student's t of 14 degrees at 95 % is 2.145 (any table)."""
    chance = np.random.default_rng(6)
    truth = np.arange(1800) / 30
    held = 0
    for _ in range(200):
        fit = fit_rate(truth, truth + chance.normal(0, 0.5e-3, truth.size))
        held += abs(fit.rate_ppm) <= 2.145 * fit.u_ppm
    assert 180 <= held <= 198


def test_rate_refuses_few_frames() -> None:
    with pytest.raises(CannotMeasure, match="in 10 frames"):
        fit_rate(np.arange(10.0), np.arange(10.0))


def test_rule_by_time_by_size_or_unknown() -> None:
    def files(lengths: list[float], sizes: list[int]) -> list[Segment]:
        ends = np.cumsum(lengths)
        return [Segment(e - n, e, 0, s) for n, e, s in zip(lengths, ends, sizes, strict=True)]

    assert segment_rule(files([600, 601, 599, 50], [9, 8, 9, 1])) == "time"
    assert segment_rule(files([600, 900, 70], [SIZE_LIMIT, SIZE_LIMIT - 10**6, 5])) == "size"
    assert segment_rule(files([600, 900, 70], [8, 9, 1])) is None
    assert segment_rule(files([600], [9])) is None
