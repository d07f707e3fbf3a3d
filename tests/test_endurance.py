"""Recording time: card, battery, file rule."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.declare import gather
from seeworthy.procedures.endurance import PROCEDURE
from seeworthy.procedures.endurance.measure import (
    FAT32_LIMIT,
    Rate,
    card_hours,
    endurance,
    file_minutes,
    lost_share,
    rate_of_seconds,
    speed_class,
    typed_rate,
)


def run(*files, file_rule="", filesystem="", **readings):
    options = {"file_rule": file_rule, "filesystem": filesystem}
    return PROCEDURE.run(
        gather(
            PROCEDURE,
            {"": files},
            {k: [v] for k, v in readings.items()},
            {k: [v] for k, v in options.items() if v},
        )
    )


# --- arithmetic -------------------------------------------------------------


def test_the_first_limit_binds():
    long_card = endurance(card=(32, 0.1), rate=Rate(6.24, 0.1, math.inf), battery=(0.7, 0.02))
    assert long_card.binds == "battery"
    assert long_card.hours == pytest.approx(0.7)
    assert long_card.u == pytest.approx(0.02, rel=0.02)
    small_card = endurance(card=(1, 0.001), rate=Rate(6.24, 0.1, math.inf), battery=(0.7, 0.02))
    assert small_card.binds == "card"
    assert small_card.hours == pytest.approx(card_hours(1, 6.24, 0.985))


def test_two_limits_at_one_time_share_and_shorten():
    both = endurance(card=(2.0, 0.001), rate=Rate(6.24, 0.3, math.inf), battery=(0.70, 0.03))
    assert 0.2 < both.shares["card"] < 0.8
    assert sum(both.shares.values()) == pytest.approx(1)
    assert both.hours < min(hours for hours, _ in both.limits.values())


def test_a_file_rule_that_stops_binds():
    outcome = run(card="16 GB", bit_rate="6240 kbit/s ± 10", file_rule="stops")
    assert outcome.findings["binds"] == "file rule"
    assert outcome.results[0].value == pytest.approx(FAT32_LIMIT * 8 / 6.24e6 / 3600)
    timed = run(
        card="16 GB", bit_rate="6240 kbit/s ± 10", file_rule="stops", file_time="29 min 59 s"
    )
    assert timed.results[0].value * 60 == pytest.approx(29 + 59 / 60)


def test_a_file_that_goes_on_only_warns():
    outcome = run(card="16 GB", bit_rate="6240 kbit/s ± 10")
    assert outcome.findings["binds"] == "card"
    assert any("A file is full after 92 min" in w for w in outcome.warnings)
    silent = run(card="16 GB", bit_rate="6240 kbit/s ± 10", file_rule="continues")
    assert not any("A file is full" in w for w in silent.warnings)


def test_large_cards_have_no_small_file_limit():
    assert "time_per_file" not in run(card="64 GB", bit_rate="7 Mbit/s").findings
    forced = run(card="64 GB", bit_rate="7 Mbit/s", filesystem="fat32")
    assert forced.findings["time_per_file"]["value"] == pytest.approx(81.8, abs=0.05)


def test_a_typed_rate_without_spread_is_not_taken_at_its_word():
    loose = run(card="16 GB", bit_rate="6240 kbit/s")
    tight = run(card="16 GB", bit_rate="6240 kbit/s ± 10 kbit/s")
    assert loose.results[0].u > 2 * tight.results[0].u
    assert any("5 % is assumed" in w for w in loose.warnings)


def test_sound_counts():
    with_sound = run(card="16 GB", bit_rate="7 Mbit/s ± 0.1", audio_rate="1 Mbit/s ± 0")
    without = run(card="16 GB", bit_rate="8 Mbit/s ± 0.1")
    assert with_sound.results[0].value == pytest.approx(without.results[0].value)


def test_gaps_cost_time():
    share, u = lost_share((1.2, 0.1), (20, 0.01))
    assert share == pytest.approx(100 * 1.2 / 1201.2)
    assert u / share == pytest.approx(0.1 / 1.2, rel=0.01)
    outcome = run(card="16 GB", bit_rate="7 Mbit/s", segment="20 min", gap="1.2 s ± 0.1 s")
    assert outcome.findings["lost_share"]["value"] == pytest.approx(share)


def test_the_battery_alone_answers():
    outcome = run(run_time="48 min ± 2 min")
    assert outcome.results[0].value == pytest.approx(0.8)
    assert outcome.results[0].conditions == {"limit": "battery"}
    assert any("card was left out" in w for w in outcome.warnings)


# --- the measured rate ------------------------------------------------------


def test_the_spread_of_scenes_is_the_uncertainty():
    rng = np.random.default_rng(2)
    calm, busy = rng.normal(5, 0.1, 60), rng.normal(9, 0.1, 60)
    mixed = rate_of_seconds([np.concatenate([calm, busy])])
    assert mixed.mean == pytest.approx(7, abs=0.05)
    assert mixed.u == pytest.approx(2, rel=0.1)
    assert (mixed.low, mixed.high) == (pytest.approx(5, abs=0.3), pytest.approx(9, abs=0.3))
    apart = rate_of_seconds([calm, busy])
    assert apart.u == pytest.approx(4 / math.sqrt(2) * math.sqrt(1.5), rel=0.05)
    assert apart.dof == 1


def test_a_constant_rate_is_certain_and_a_short_clip_is_not():
    assert rate_of_seconds([np.full(100, 7.0)]).u == 0
    assert rate_of_seconds([np.full(8, 7.0)]).u == pytest.approx(0.35)


def test_intervals_hold_the_next_recording():
    rng, hits = np.random.default_rng(4), 0
    for _ in range(300):
        scenes = rng.normal(7, 0.6, 12)
        clip = np.repeat(scenes[:11], 10) + rng.normal(0, 0.1, 110)
        found = endurance(card=(32, 0.01), rate=rate_of_seconds([clip]), draws=5000)
        truth = card_hours(32, scenes[11], rng.uniform(0.97, 1.0))
        hits += found.interval[0] <= truth <= found.interval[1]
    assert hits / 300 == pytest.approx(0.95, abs=0.04)


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("endurance") / "dunes.mp4"
    rng = np.random.default_rng(0)
    with ClipWriter(path, 64, 48, 10, bit_rate=200_000) as writer:
        for _ in range(60):
            writer.write_luma(rng.integers(16, 235, (48, 64)).astype(np.uint8))
    return Source.of(path)


def test_the_rate_of_a_clip_is_its_size_over_its_length(clip):
    outcome = run(clip, card="16 GB", bit_rate="90 Mbit/s")
    rate = outcome.findings["bit_rate"]["value"]
    assert rate == pytest.approx(clip.size * 8 / 6.0 / 1e6, rel=0.03)
    assert outcome.results[0].value == pytest.approx(card_hours(16, rate, 0.985), rel=1e-6)
    assert outcome.findings["speed_class"]["from_peak"] is True
    assert outcome.findings["speed_class"]["peak_MB_s"] * 8 >= rate
    assert any("6 s" in w for w in outcome.warnings)
    assert any("was not used" in w for w in outcome.warnings)
    figure = outcome.figures[0]
    assert sum(figure.columns["share"]) == pytest.approx(100)


def test_several_clips_are_taken_together(clip):
    one, two = run(clip, card="8 GB"), run(clip, clip, card="8 GB")
    assert one.results[0].value == pytest.approx(two.results[0].value)


# --- published --------------------------------------------------------------


def test_card_times(published):
    # Arithmetic; the file limit of FAT32 from memory
    for row in published("card_capacity_time.csv"):
        card, rate = float(row["card_GB_decimal"]), float(row["bitrate_Mbit_s"])
        hours = card_hours(card, rate)
        assert hours * 3600 == pytest.approx(float(row["fill_time_s"]), abs=0.06)
        first = min(hours * 3600, file_minutes(rate) * 60)
        assert first == pytest.approx(float(row["time_to_FAT32_file_limit_or_card_s"]), abs=0.06)


def test_speed_classes(published):
    # SD Association, as four public pages have it
    families = {
        "Speed Class": "speed class",
        "UHS Speed Class": "UHS speed class",
        "Video Speed Class": "video speed class",
    }
    for row in published("sd_speed_classes.csv"):
        promised = float(row["equals_Mbit_s"])
        family = families[row["family"]]
        assert speed_class(promised)[family] == row["mark"]
        assert speed_class(promised + 0.01)[family] != row["mark"]
    assert speed_class(721) == dict.fromkeys(families.values())


# --- bad input --------------------------------------------------------------


@pytest.mark.parametrize(
    ("readings", "error", "match"),
    [
        ({}, CannotMeasure, "card and bit rate"),
        ({"card": "16 GB"}, CannotMeasure, "a clip or a bit rate"),
        ({"bit_rate": "7 Mbit/s"}, CannotMeasure, "a card size"),
        ({"card": "16 GB", "bit_rate": "30 Hz"}, WrongCall, "turned into"),
        ({"card": "32 mm", "bit_rate": "7 Mbit/s"}, WrongCall, "turned into"),
        ({"card": "0 GB", "bit_rate": "7 Mbit/s"}, WrongCall, "above zero"),
        ({"card": "16 GB", "bit_rate": "7 Mbit/s", "file_rule": "maybe"}, WrongCall, "cannot be"),
    ],
)
def test_what_does_not_tell_a_time(readings, error, match):
    with pytest.raises(error, match=match):
        run(**readings)


def test_a_clip_of_a_moment_tells_no_rate(tmp_path):
    path = tmp_path / "moment.mp4"
    with ClipWriter(path, 64, 48, 30, bit_rate=None) as writer:
        for _ in range(5):
            writer.write_luma(np.full((48, 64), 90, np.uint8))
    with pytest.raises(CannotMeasure, match="less than two seconds"):
        run(Source.of(path), card="16 GB")


def test_no_limit_and_no_second_are_refused():
    with pytest.raises(ValueError, match="needs a limit"):
        endurance()
    with pytest.raises(ValueError, match="at least one second"):
        rate_of_seconds([np.empty(0)])
    assert typed_rate(7.0, 0.1, True).u == 0.1
