"""Deliberate faults in formulas and constants, and the tests that must see each.

The first 33 are those of an examination of 0.1.0, moved to where the formula stands today; 16 of
them passed all tests then (`passed_once`).
"""

from __future__ import annotations

from dataclasses import dataclass

OUTSIDE = "tests/test_outside_truth.py"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: in `file` (below src/seeworthy) `old` becomes `new`; `tests` must fail."""

    id: str
    words: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]
    passed_once: bool = False


def _outside(*names: str) -> tuple[str, ...]:
    return tuple(f"{OUTSIDE}::test_{name}" for name in names)


_EDGE = "procedures/sharpness/slanted_edge.py"
_SURVIVAL = "procedures/survival/measure.py"
_STATISTICS = "ground/statistics.py"

FAULTS = (
    Fault("m01", "e-SFR: bins not corrected for", _EDGE,
          "np.sinc(2 * BIN * _FREQUENCIES) * np.sinc(BIN * _FREQUENCIES) ** 2",
          "np.sinc(2 * BIN * _FREQUENCIES)",
          ("tests/test_slanted_edge.py::test_derivative_and_bins_are_corrected_for",)),
    Fault("m02", "e-SFR: slant of the edge left out", _EDGE,
          "cosine = math.cos(math.radians(edge.angle))", "cosine = 1.0",
          ("tests/test_slanted_edge.py::test_within_one_percent_without_encoder",)),
    Fault("m03", "sharpness: no floor", "procedures/sharpness/measure.py",
          "FLOOR = 0.004", "FLOOR = 0.0",
          _outside("sharp_edges_without_scatter_leave_what_rendered_clips_leave"), True),
    Fault("m04", "shading: floor six times as large", "procedures/shading/measure.py",
          "_FLOOR_STOPS = 0.007", "_FLOOR_STOPS = 0.042",
          _outside("a_smooth_wall_leaves_what_rendered_walls_leave"), True),
    Fault("m05", "shading: doubt about the lamp halved", "procedures/shading/measure.py",
          "(abs(lamp[0]) + abs(lamp[1])) / 4 / math.sqrt(2)",
          "(abs(lamp[0]) + abs(lamp[1])) / 8 / math.sqrt(2)",
          ("tests/test_shading.py::test_with_one_take_the_worst_corner_is_doubtful",)),
    Fault("m06", "load: sign of warm air", "procedures/load/atmosphere.py",
          "+ site.warmer * per_kelvin", "- site.warmer * per_kelvin",
          ("tests/test_atmosphere.py::test_warmer_air_stretches_heights",)),
    Fault("m07", "load: felt without the 1 g", "procedures/load/accel.py",
          "change + G0 * rest / size", "change",
          ("tests/test_load_flights.py::test_three_axes_askew_give_the_launch_angle",
           "tests/test_load_flights.py::test_intervals_hold_the_truth")),
    Fault("m08", "survival: what matters at 40 %", _SURVIVAL,
          '"centre": 0.15, "corners": 0.15, "marked": 0.15',
          '"centre": 0.40, "corners": 0.40, "marked": 0.40',
          _outside("a_picture_softer_by_a_sixth_has_not_survived"), True),
    Fault("m09", "failure bound: half a failure too few", _STATISTICS,
          "betaincinv(failures + 1,", "betaincinv(failures + 0.5,",
          ("tests/test_statistics.py::test_nothing_failed",)),
    Fault("m10", "Bonferroni's correction for Holm's", _STATISTICS,
          "(values.size - np.arange(values.size)) * values[order]",
          "values.size * values[order]",
          ("tests/test_differences.py::test_holm_worked_by_hand",)),
    Fault("m11", "view: a slanted wall as in the middle", "procedures/view/measure.py",
          "wide = 1 + tangent**2", "wide = 1.0",
          ("tests/test_view.py::test_a_slanted_set_up_costs_more_at_wide_angles",
           "tests/test_view.py::test_intervals_hold_the_angle")),
    Fault("m12", "read-out: no floor for the encoder", "procedures/readout/passing.py",
          "ENCODER_FLOOR = 0.0015", "ENCODER_FLOOR = 0.0",
          _outside("a_perfect_clip_does_not_give_a_perfect_read_out"), True),
    Fault("m13", "read-out: neighbours' errors as independent", "procedures/readout/fit.py",
          "_NEIGHBOURS = 6.0", "_NEIGHBOURS = 1.0",
          _outside("errors_shared_by_neighbours_are_not_counted_six_times"), True),
    Fault("m14", "TV distortion twice", "optics/lens.py",
          "(ends - middle) / (2 * middle) * 100", "(ends - middle) / middle * 100",
          ("tests/test_lens.py::test_tv_distortion_of_the_published_table",)),
    Fault("m15", "noise: no rounding in the dynamic range", "procedures/noise/curve.py",
          "floor = read + step**2 / 12", "floor = read",
          _outside("rounding_to_codes_ends_the_dynamic_range"), True),
    Fault("m16", "battery: sign of the slope", "procedures/battery/measure.py",
          "            return b, u\n", "            return -b, u\n",
          ("tests/test_battery.py::test_a_slope_in_minutes_per_kelvin",)),
    Fault("m17", "plan: all of the card's label", "judge/plan/predict.py",
          "camera.quantity(card) * camera.uniform(*USABLE)", "camera.quantity(card) * 1.1",
          ("tests/test_plan.py::test_card_margin_published",)),
    Fault("m18", "load: a peak of twelve times the mean", "procedures/load/flight.py",
          "CREST = 4.0", "CREST = 12.0",
          ("tests/test_load_flights.py::test_a_slow_log_gives_a_lower_bound",), True),
    Fault("m19", "colour: noise added again", "procedures/colour/measure.py",
          "seen - bias,", "seen + bias,",
          _outside("the_length_that_noise_adds_is_taken_off"), True),
    Fault("m20", "view: a set-up that is exactly square", "procedures/view/measure.py",
          "squareness**2, math.sqrt(2) * squareness**2", "0.0 * squareness, 0.0 * squareness",
          ("tests/test_view.py::test_a_wall_that_is_not_square_is_in_the_uncertainty",)),
    Fault("m21", "battery: scatter assumed a fifth", "procedures/battery/measure.py",
          "ASSUMED_SCATTER = 0.05", "ASSUMED_SCATTER = 0.01",
          ("tests/test_battery.py::test_one_run_scatters_as_a_real_cell_does",)),
    Fault("m22", "plan: no blur by turning", "judge/plan/predict.py",
          " + speeds.turning * radius * time", "",
          ("tests/test_plan.py::test_turning_about_the_line_of_sight",), True),
    Fault("m23", "sync: sign of the screen's and the sound's way", "procedures/sync/run.py",
          "found.offset_ms + 1e3 * (screen - delay)", "found.offset_ms - 1e3 * (screen - delay)",
          ("tests/test_clock_recordings.py::test_sync_through_a_file",)),
    Fault("m25", "exposure: scatter left out", "procedures/exposure/measure.py",
          'Component("passes", scatter,', 'Component("passes", 0.0 * scatter,',
          _outside("passes_that_scatter_widen_the_exposure"), True),
    Fault("m27", "noise: root of the degrees of freedom", "procedures/noise/measure.py",
          "temporal, temporal / math.sqrt(2 * dof), dof,",
          "temporal, temporal / math.sqrt(dof), dof,",
          ("tests/test_noise.py::test_intervals_of_the_noise_hold_the_truth",)),
    Fault("m28", "clock: no beat", "clock/rate.py", "np.hypot(drift, _WANDER_S)",
          "np.hypot(0.0, _WANDER_S)", _outside("a_slow_beat_is_no_rate"), True),
    Fault("m29", "lens: models that fit as well do not widen", "procedures/lens/measure.py",
          "u_rectangular(float(off[i]))", "0.0",
          ("tests/test_lens.py::test_a_model_that_fits_as_well_is_inside_the_uncertainty",), True),
    Fault("m31", "shading: luminance of BT.601", "optics/colour.py",
          "[0.2126, 0.7152, 0.0722]", "[0.2990, 0.5870, 0.1140]",
          _outside("luminance_is_that_of_srgb"), True),
    Fault("m32", "low light: straight between takes", "procedures/low_light/measure.py",
          "bend = _SMOOTHNESS * 4", "bend = 0.0 * 4",
          _outside("the_curve_between_two_takes_is_not_straight"), True),
    Fault("m33", "claims: the widest decides", "judge/compare/combine.py",
          "s[0].interval[1] - s[0].interval[0])", "s[0].interval[0] - s[0].interval[1])",
          _outside("of_two_like_sets_the_narrower_decides"), True),
    Fault("m34", "exposure: floor ten times as large", "procedures/exposure/measure.py",
          "_U_LENGTH = 0.0055", "_U_LENGTH = 0.055",
          _outside("passes_that_agree_leave_what_the_encoder_does"), True),
    Fault("m35", "load: scale of an accelerometer exact", "procedures/load/accel.py",
          "SCALE_U = 0.02\n", "SCALE_U = 0.0001\n",
          ("tests/test_load_flights.py::test_intervals_hold_the_truth",
           "tests/test_load_flights.py::test_height_mends_the_scale_of_the_accelerometer")),
    Fault("m36", "plan: nothing lost in the cold", "judge/plan/camera.py",
          "_COLD_LOSS = (0.0, 0.015)", "_COLD_LOSS = (0.0, 0.0)",
          ("tests/test_plan.py::test_one_temperature_only_is_widened_by_a_published_cell",)),
    Fault("n01", "body: sides of one calliper as independent", "procedures/body/measure.py",
          "instrument = sum(c * s.instrument for c, s in zip(shares, sides, strict=True))",
          "instrument = math.hypot(*(c * s.instrument for c, s in zip(shares, sides)))",
          ("tests/test_body.py",)),
    Fault("n02", "gap: an interval below zero", "ground/results.py",
          "numbers if least is None else tuple(least if x < least else x for x in numbers)",
          "numbers",
          ("tests/test_results.py::test_a_gap_cannot_be_negative_and_its_interval_ends_at_zero",)),
    Fault("n03", "clock: bounds of the exposure by the best model alone", "clock/moments.py",
          "low, high = min(least, *own), max(most, *own)",
          "low, high = 0.8 * min(own), 1.3 * max(own)",
          ("tests/test_clock.py::test_bounds_of_the_exposure_hold_it_in_step_and_out_of_step",)),
)  # fmt: skip
