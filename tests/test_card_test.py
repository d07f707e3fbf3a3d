"""Memory cards: waits counted from the stamps, and what few of them allow to say."""

from __future__ import annotations

import datetime as dt
from fractions import Fraction
from types import SimpleNamespace

import av
import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import result
from seeworthy.ground.uncertainty import counted
from seeworthy.judge.compare.comparison import compare_results
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.card_test.run import _loss
from seeworthy.procedures.study import measured
from telling import says_its_budget


def film(path, frames, gaps, rate=30, **how):
    """Write grey frames; `gaps` maps a frame's number to how many are left out after it."""
    how = {"options": {"preset": "ultrafast"}, **how}
    with ClipWriter(path, 64, 48, rate, bit_rate=200_000, **how) as clip:
        place = 0
        for k in range(frames):
            clip.write_luma(np.full((48, 64), 60 + k % 90, np.uint8), place / rate)
            place += 1 + gaps.get(k, 0)
    return path


# Garwood (1936), Biometrika 28, 437: 95 % limits of a Poisson mean; as tabled in handbooks.
@pytest.mark.parametrize(
    ("seen", "low", "high"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)],
)
def test_limits_of_a_count(seen, low, high):
    assert counted(seen) == pytest.approx((low, high), abs=6e-4)


def test_waits_are_counted_over_all_files(tmp_path):
    first = film(tmp_path / "a.mp4", 600, {100: 2, 400: 1})
    second = film(tmp_path / "b.mp4", 600, {300: 5})
    said = measured("card-test", [first, second], options={"card": ["red"]})
    says_its_budget(said)
    waits, loss, peak = said.results
    minutes = (1200 + 8) / 30 / 60
    assert waits.value == pytest.approx(3 / minutes, rel=1e-3)
    assert waits.interval == pytest.approx([x / minutes for x in counted(3)], rel=1e-3)
    assert loss.value == pytest.approx(100 * 8 / 1208)
    assert waits.conditions == peak.conditions == {"card": "red"}
    assert said.findings["lost"] == 8
    assert said.findings["longest_wait_ms"] == pytest.approx(200, abs=0.1)
    assert [w["after_frame"] for w in said.findings["waits"]["at"]] == [100, 400, 300]


def test_the_fullest_second_is_that_of_the_packets(tmp_path):
    path = film(tmp_path / "a.mp4", 200, {50: 3})
    with av.open(str(path)) as clip:  # PyAV: the largest sum that begins with a packet
        packets = [(float(p.pts * p.time_base), p.size) for p in clip.demux(video=0) if p.size]
    sums = [sum(s for at, s in packets if start <= at < start + 1 - 1e-6) for start, _ in packets]
    peak = measured("card-test", [path]).results[2]
    assert peak.value == pytest.approx(8e-6 * max(sums), rel=0.02)


def test_frames_lost_in_waits_of_any_length_lie_inside_the_interval():
    # Own world: waits by chance, each of a length by chance (geometric, mean 4 frames).
    rng = np.random.default_rng(1)
    mean, frames, below, above = 8, 36_000, 0, 0
    for _ in range(2000):
        sizes = rng.geometric(1 / 4, rng.poisson(mean)).tolist()
        low, high = _loss(sizes, (), frames, {}).interval
        below += 100 * mean * 4 / frames < low
        above += 100 * mean * 4 / frames > high
    assert below + above < 0.068 * 2000  # Clopper and Pearson's 99.9 % of 2000 at 0.05
    assert min(below, above) > 0, "wider than it says"


def test_no_wait_seen_is_not_no_wait(tmp_path):
    said = measured("card-test", [film(tmp_path / "a.mp4", 900, {})])
    waits = said.results[0]
    assert waits.value == 0
    assert waits.interval == pytest.approx((0, 3.689 / 0.5), rel=2e-3)
    assert "may still be one" in said.warnings[0]


def test_a_burst_of_waits_that_may_be_a_slower_rate_is_in_the_upper_ends(tmp_path):
    """Every second frame lost for half a second: by arithmetic 15 waits, 15 of 1815 frames."""
    path = film(tmp_path / "a.mp4", 1800, dict.fromkeys(range(500, 530, 2), 1))
    said = measured("card-test", [path])
    waits, loss, _ = said.results
    assert said.findings["undecidable"] == 1
    assert waits.interval[1] > 15 / (1815 / 1800)
    assert loss.interval[1] > 100 * 15 / 1815
    assert "No sure wait" in said.sentence


def test_a_file_that_counts_its_frames_is_refused(tmp_path):
    path = film(
        tmp_path / "a.avi",
        300,
        {},
        codec="mjpeg",
        pixel_format="yuvj420p",
        options={},
        time_base=Fraction(1, 30),
    )
    with pytest.raises(CannotMeasure, match="counts its frames"):
        measured("card-test", [path])


def test_two_cards_of_a_camera_are_set_side_by_side():
    def taken(number, card, value):
        found = result("card_wait_rate", value, 0.3, conditions={"card": card})
        return SimpleNamespace(
            camera="Dunlin", unit="1", firmware="", procedure="card-test", take_id=number,
            taken=dt.date(2026, 5, number), files=(str(number),), result=found,
        )  # fmt: skip

    found = compare_results([taken(1, "red", 8.0), taken(2, "blue", 0.5)], "card")
    assert found.subjects == ("Dunlin, red", "Dunlin, blue")
    (row,) = found.rows
    assert row.best == ("Dunlin, blue",)
