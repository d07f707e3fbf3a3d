"""Repeated frames, judged from series of frame differences whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from seeworthy.procedures.timing.duplicates import STANDS, STILL, find_repeats


def series(n=200, level=5.0, spread=0.1, seed=1):
    rng = np.random.default_rng(seed)
    d = level * (1 + spread * rng.standard_normal(n))
    d[0] = np.nan
    return d


def in_doubt(said, frame):
    return any(s.holds(frame) for s in said.undecidable)


def test_notches_are_found_by_number():
    d = series()
    at = [20, 21, 22, 77, 150, 198]
    d[at] = 0.1
    assert find_repeats(d, [0]).at == tuple(at)
    assert not find_repeats(d, [0]).undecidable


def test_an_even_series_has_none_whatever_its_level():
    for level in (0.1, 0.6, 1.0, 5.0, 40.0):
        assert find_repeats(series(level=level), [0, 60, 120]).at == ()


@pytest.mark.parametrize(("period", "kept"), [(2, 1), (3, 1)])
def test_a_camera_that_repeats_most_frames_is_found_out(period, kept):
    d = series(300)
    slot = np.arange(300) % period
    d[slot >= kept] = 0.08
    d[0] = np.nan
    want = {int(i) for i in np.flatnonzero(slot >= kept)}
    assert set(find_repeats(d, [0]).at) == want


def doubled(rng, high, low, n=240):
    """Differences of a clip that shows every picture twice (uneven key frames left out)."""
    d = np.where(np.arange(n) % 2, low, high) * rng.uniform(0.8, 1.25, n)
    d[0] = np.nan
    return d


@pytest.mark.parametrize(("high", "low"), [(1.2, 0.45), (0.4, 0.03)])
def test_differences_that_alternate_are_every_picture_twice(high, low):
    """Below the level at which one repeat alone would show, the rhythm shows it."""
    said = find_repeats(doubled(np.random.default_rng(3), high, low), [0], reordered=True)
    assert set(said.at) == set(range(1, 240, 2))
    assert not in_doubt(said, 120)


def test_two_temporal_layers_and_lamps_do_not_alternate():
    """A B picture differs from both neighbours alike; a lamp at 5/3 of the rate has period 3."""
    rng = np.random.default_rng(4)
    layers = 1.0 * np.where(np.arange(240) % 4 < 2, 1.2, 0.8) * rng.uniform(0.8, 1.25, 240)
    lamp = np.abs(np.diff(np.sin(2 * np.pi * np.arange(241) * 5 / 3)))
    for d in (layers, lamp):
        d[0] = np.nan
        assert find_repeats(d, [0], reordered=True).at == ()


def test_a_clip_that_doubles_half_way_is_told_for_that_half():
    rng = np.random.default_rng(5)
    d = np.concatenate([1.1 * rng.uniform(0.8, 1.25, 120), doubled(rng, 1.2, 0.45, 120)])
    d[[0, 120]] = np.nan, 1.2
    at = find_repeats(d, [0], reordered=True).at
    assert {i for i in at if i > 130} == set(range(131, 240, 2))
    assert not [i for i in at if i < 110]


def test_a_key_frame_in_step_with_repeats_is_a_repeat_too():
    """Rendered anew it changes as much as any new picture; from the arithmetic of the series."""
    d = doubled(np.random.default_rng(3), 3.0, 0.1, n=301)
    keys = np.arange(0, 301, 30)
    for phase in (0, 1):
        shown = np.concatenate([[np.nan], d[1 + phase : 300]])
        shown[keys[keys < len(shown)]] = 3.0
        said = find_repeats(shown, [k for k in keys if k < len(shown)])
        want = set(range(1 + phase, len(shown), 2))
        assert set(said.at) == want
        assert said.blind_keys == 0


def test_where_doubling_begins_no_picture_before_it_is_a_repeat():
    """Of 200 uneven clips; chance alone dips below 0.6 of both neighbours about once in five."""
    false = 0
    for seed in range(200):
        d = series(400, level=3.0, spread=0.2, seed=seed)
        d[200:] = np.where(np.arange(200) % 2, 0.1, 3.0)
        false += sum(i < 200 for i in find_repeats(d, [0]).at)
    assert false < 100


@pytest.mark.parametrize("length", [20, 60])
def test_key_frames_do_not_hide_a_recording_that_freezes(length):
    d = series(600, level=3.0)
    d[200 : 200 + length] = 0.02
    keys = range(0, 600, 30)
    d[[k for k in keys if 200 <= k < 200 + length]] = 0.8
    said = find_repeats(d, keys)
    assert said.at == ()
    assert (200, 199 + length) in [
        (s.first, s.last) for s in said.undecidable if s.reason == STANDS
    ]


def test_a_recording_that_freezes_is_named_though_the_coder_settles_slowly():
    d = series(level=1.8)
    d[60:140] = 0.3 * 0.6 ** np.arange(80)
    said = find_repeats(d, [0], reordered=True)
    assert said.at == ()
    frozen = [s for s in said.undecidable if s.reason == STANDS]
    assert [(s.first < 70, s.last) for s in frozen] == [(True, 139)]


def test_a_denoised_still_scene_is_undecidable_throughout():
    said = find_repeats(series(level=0.02), [0])
    assert said.at == ()
    assert [(s.first, s.last, s.reason) for s in said.undecidable] == [(0, 199, STILL)]


def test_a_pan_that_stops_for_a_second_is_named_not_counted():
    d = series()
    d[80:110] = 0.05
    said = find_repeats(d, [0])
    assert said.at == ()
    assert in_doubt(said, 95)
    assert {s.reason for s in said.undecidable} <= {STANDS, STILL}


def test_slow_motion_between_fast_ones_is_not_a_repeat():
    t = np.arange(300)
    d = np.hypot(0.8, 5 * np.abs(np.sin(t / 20)))  # noise floor and a pendulum
    d[0] = np.nan
    assert find_repeats(d, [0]).at == ()


def test_the_dark_end_of_a_fade_is_undecidable():
    d = series(level=2.0)
    d[120:] = 0.001 * np.arange(80)
    said = find_repeats(d, [0])
    assert said.at == ()
    assert all(in_doubt(said, f) for f in range(121, 199))


def test_starved_frames_beside_a_key_frame_or_the_end_are_in_doubt():
    d = series(level=1.0)
    d[[2, 61, 199]] = 0.05
    d[60] = 2.0
    said = find_repeats(d, [0, 60])
    assert said.at == ()
    assert all(in_doubt(said, f) for f in (2, 61, 199))


def test_key_frames_are_blind_unless_much_moves():
    d = series(level=5.0)
    d[[60, 120]] = 2.0
    said = find_repeats(d, [0, 60, 120])
    assert said.at == ()
    assert said.blind_keys == 2
    fast = series(level=30.0)
    fast[60] = 2.0
    assert find_repeats(fast, [0, 60, 120]).at == (60,)
    assert find_repeats(fast, [0, 60, 120]).blind_keys == 0


def test_bidirectional_frames_raise_the_level_that_is_needed():
    d = series(level=1.2)
    d[100] = 0.05
    assert find_repeats(d, [0]).at == (100,)
    said = find_repeats(d, [0], reordered=True)
    assert said.at == ()
    assert in_doubt(said, 100)


def test_a_concealed_frame_is_damaged_not_repeated():
    d = series()
    d[[50, 90]] = 0.0
    assert find_repeats(d, [0], corrupt=[50]).at == (90,)


@pytest.mark.parametrize("n", [0, 1, 3])
def test_too_short_a_series_says_nothing(n):
    assert find_repeats(np.full(n, 0.01), []).at == ()


def test_a_shallow_notch_is_named_and_not_counted():
    changes = np.full(120, 1.2)
    changes[0] = np.nan
    changes[60] = 0.36  # deeper than chance, shallower than a repeat
    found = find_repeats(changes, keys=[0])
    assert 60 not in found.at
    assert any(s.holds(60) for s in found.undecidable)
    assert not any(s.holds(40) for s in found.undecidable)
