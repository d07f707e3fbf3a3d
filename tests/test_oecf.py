"""The tone curve: measured from grey steps, kept on the bench, used by what needs linear light.

The looks are rendered by `virtual/looks.py`, formulas that share nothing with the measure.
"""

from __future__ import annotations

import json
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from seeworthy.bench.cameras import add_camera, add_firmware
from seeworthy.bench.outcomes import get_outcome, list_results
from seeworthy.bench.running import due_takes, run_bench
from seeworthy.bench.takes import add_take, edit_take, get_take
from seeworthy.cli.main import app
from seeworthy.ground.errors import CannotMeasure, UnreadableInput
from seeworthy.media.tone_curve import Mode, ToneCurve
from seeworthy.media.transfer import transfer_of
from seeworthy.optics.tone import BY_TAG, Tone
from seeworthy.procedures.oecf import study
from seeworthy.procedures.oecf.measure import StepPatch, fit_curve
from seeworthy.targets.greys import DENSITIES
from seeworthy.virtual.looks import LOOKS, signal_of

MODE = Mode(960, 540, 30.0, "BT.709", "limited")


def tag_stops(light, look):
    """log2 of light by the tag BT.709 (ITU-R BT.709-6 item 1.2 inverted, written here)."""
    v = signal_of(np.asarray(light, float), look)
    return np.log2(np.where(v < 0.081, v / 4.5, ((v + 0.099) / 1.099) ** (1 / 0.45)))


def patches(look, off=(0.0,) * 12, u=0.01, fall=0.5, slope=0.2, exposure=0.85):
    """What a camera of this look shows of the scale, lens dark to the corners, lamp sloping."""
    found = []

    def see(density, x, y, typed):
        light = exposure * 10**-density * 2 ** (-fall * (x * x + y * y) + slope * x)
        tag = float(tag_stops(light, look))
        found.append(StepPatch(tag, 0.005, (x, y), typed, 0.0 if typed is None else u))

    for i, density in enumerate(np.array(DENSITIES) + 0.07):
        row, column = divmod(i, 6)
        column = 5 - column if row else column
        see(density, -0.6 + 0.22 * column, -0.3 + 0.6 * row, density + off[i])
    for row in (-0.6, 0.0, 0.6):
        for column in range(6):
            see(0.07, -0.6 + 0.22 * column, row, None)
    return found


def stop_by(curve, look, bright, dark):
    light = curve.light(2.0 ** tag_stops([bright, dark], look))
    return math.log2(light[0] / light[1]), curve.u_between(*light)


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize(("bright", "dark"), [(0.35, 0.175), (0.5, 0.25), (0.3, 0.075)])
def test_a_look_is_undone_within_a_narrow_interval(look, bright, dark):
    curve = fit_curve(patches(look), MODE, 0.07).curve
    stops, u = stop_by(curve, look, bright, dark)
    true = math.log2(bright / dark)
    assert abs(stops - true) < 1.96 * u
    # A stop by the tag is known to 0.33 / √3 = 0.19 only.
    assert u < 0.05 * true
    assert abs(stops - true) < 0.05 * true


def test_lamp_and_lens_over_the_scale_are_told_from_the_tones():
    even = fit_curve(patches("S 0.6", fall=0.0, slope=0.0), MODE, 0.07)
    uneven = fit_curve(patches("S 0.6", fall=0.6, slope=0.4), MODE, 0.07)
    assert uneven.slope == pytest.approx(even.slope, rel=0.05)
    assert even.uneven < 0.1 < uneven.uneven


@pytest.mark.parametrize("look", ["gamma 2.2", "S 0.6", "logarithmic"])
def test_intervals_hold_when_densities_are_off(look):
    rng = np.random.default_rng(3)
    off = []
    for _ in range(60):
        curve = fit_curve(patches(look, rng.normal(0, 0.01, 12)), MODE, 0.07).curve
        stops, u = stop_by(curve, look, 0.35, 0.175)
        off.append((stops - 1) / u)
    inside = np.mean(np.abs(off) < 1.96)
    assert inside >= 0.9
    # Two-sided: an interval of any width would hold.
    assert np.std(off) > 0.5


def test_one_density_is_wrong_alike_in_all_clips():
    """Six clips of one print are not six prints: filming again makes no density more certain."""
    once = patches("gamma 2.2", u=0.03)
    often = [replace(p, clip=k) for k in range(6) for p in once]
    one, six = fit_curve(once, MODE, 0.07), fit_curve(often, MODE, 0.07)
    assert six.u_slope > 0.8 * one.u_slope


def test_a_ladder_of_exposures_tells_the_curve_beyond_the_densities():
    """Steps at other places of the curve: what is alike between clips is the scene."""
    once = patches("S 0.6", u=0.03)
    dark = [replace(p, clip=1) for p in patches("S 0.6", u=0.03, exposure=0.85 / 2.5)]
    one, two = fit_curve(once, MODE, 0.07), fit_curve([*once, *dark], MODE, 0.07)
    assert two.u_slope < 0.8 * one.u_slope
    assert two.exposures[0] == pytest.approx(-math.log2(2.5), abs=0.1)
    assert two.curve.seen[0] < one.curve.seen[0] - 0.5


def test_steps_that_contradict_each_other_give_no_curve():
    shuffled = patches("gamma 2.2", off=[0.3 * (-1) ** i for i in range(12)])
    with pytest.raises(CannotMeasure, match="contradict"):
        fit_curve(shuffled, MODE, 0.07)
    with pytest.raises(CannotMeasure, match="needs 6 steps"):
        fit_curve(patches("gamma 2.2")[:5], MODE, 0.07)


def test_a_curve_goes_both_ways_and_through_json():
    curve = fit_curve(patches("S 0.6"), MODE, 0.07).curve
    again = ToneCurve.from_json(json.loads(json.dumps(curve.to_json())), "take 7")
    light = np.geomspace(1e-4, 1.1, 60)
    assert again.light(again.by_tag(light)) == pytest.approx(light, rel=1e-3)
    assert again.light([0.2]) == pytest.approx(curve.light([0.2]), rel=1e-3)
    assert again.light([1.0]) == pytest.approx([1.0], abs=1e-6)
    own = again.transfer(transfer_of(1))
    signal = np.linspace(0.02, 1.0, 40)
    assert own.encode(own.decode(signal)) == pytest.approx(signal, abs=2e-3)
    assert own.decode(np.array([-0.01]))[0] < 0  # below black stays below


@pytest.mark.parametrize(
    "spoil",
    [
        {"kind": "lens"},
        {"stops": [0.0, 1.0]},
        {"covariance": [[1.0]]},
        {"size": "wide"},
        {"seen": [1]},
        {"stops_by_tag": None},
    ],
)
def test_other_data_is_no_curve(spoil):
    data = {**fit_curve(patches("S 0.6"), MODE, 0.07).curve.to_json(), **spoil}
    with pytest.raises(UnreadableInput, match="no measured tone curve"):
        ToneCurve.from_json(data, "x.json")


def test_a_measured_curve_leaves_less_open_than_the_tag():
    curve = fit_curve(patches("S 0.6"), MODE, 0.07).curve
    by_tag, by_curve = Tone(), Tone(curve, "")
    for of in (
        lambda t: t.of_stops(1.0, 0.3, 0.15),
        lambda t: t.of_share(0.01, 0.2),
        lambda t: t.of_decibels(0.18),
        lambda t: t.of_edge(0.2, 0.6, 0.05),
        lambda t: t.of_run(1.0, 2.0, 0.2),
        lambda t: t.of_scale(0.5, 0.18),
    ):
        assert 0 < of(by_curve).part < 0.4 * of(by_tag).part
        assert of(by_curve).name != of(by_tag).name


# Through files, as a user has them.


@pytest.fixture(scope="module")
def filmed(tmp_path_factory):
    """One camera of an S-shaped look: its steps, a wall that falls off by 1.00 stop."""
    folder = tmp_path_factory.mktemp("oecf")
    rng = np.random.default_rng(11)
    camera = replace(study.random_camera("S 0.6", rng), shade=study.Shading(1.0, 2.0))
    steps = study.film_greys(folder / "greys.mp4", camera, rng)
    light = camera.shade.gain(study.WIDTH, study.HEIGHT).astype(float) * 0.35
    wall = study._write(folder / "wall.mp4", light, camera, rng)
    typed = " ".join(f"{d + 0.07:.3f}" for d in DENSITIES) + " ± 0.01"
    return folder, steps, wall, typed


def run_cli(*words):
    found = CliRunner().invoke(app, [*map(str, words)])
    assert found.exit_code == 0, found.output
    return json.loads(found.stdout)


def test_a_stop_of_shading_by_the_curve_from_the_command_line(filmed):
    folder, steps, wall, typed = filmed
    said = run_cli("measure", "oecf", steps, "--reading", f"densities={typed}", "--json")
    assert said["results"][0]["measurand"] == "mid_tone_slope"
    kept = folder / "curve.json"
    kept.write_text(json.dumps(said), "utf-8")
    flat = ("--reading", "evenness=0.001 stops", "--json")
    tag = run_cli("measure", "shading", wall, *flat)
    curve = run_cli("measure", "shading", wall, "--with", f"oecf={kept}", *flat)
    assert tag["findings"]["tone"] == BY_TAG
    assert curve["findings"]["tone"] == "by the measured tone curve (curve.json)"
    wide, narrow = tag["results"][0], curve["results"][0]
    assert wide["value"] > 1.2
    assert narrow["interval"][0] < 1.0 < narrow["interval"][1]
    assert narrow["value"] == pytest.approx(1.0, abs=0.07)
    assert narrow["u"] < 0.25 * wide["u"]
    assert [c["name"] for c in narrow["budget"]][1] == "tone curve, as measured"


def test_a_curve_of_another_mode_is_not_used_and_it_is_said(filmed, tmp_path):
    _, steps, wall, typed = filmed
    said = run_cli("measure", "oecf", steps, "--reading", f"densities={typed}", "--json")
    said["correction"]["rate"] = 60.0
    kept = tmp_path / "sixty.json"
    kept.write_text(json.dumps(said), "utf-8")
    found = run_cli("measure", "shading", wall, "--with", f"oecf={kept}", "--json")
    plain = run_cli("measure", "shading", wall, "--json")
    assert found["findings"]["tone"].startswith("by the tag: sixty.json is of 960×540 px at 60")
    assert any("sixty.json" in w for w in found["warnings"])
    assert found["results"][0]["value"] == plain["results"][0]["value"]


def test_a_file_that_is_no_curve_is_refused(filmed, tmp_path):
    wrong = tmp_path / "wrong.json"
    wrong.write_text('{"results": []}', "utf-8")
    found = CliRunner().invoke(
        app, ["measure", "shading", str(filmed[2]), "--with", f"oecf={wrong}"]
    )
    assert isinstance(found.exception, UnreadableInput)
    assert "no measured tone curve" in str(found.exception)


def measured(bench):
    with ThreadPoolExecutor(1) as threads:
        return run_bench(bench, executor=threads, workers=1)


def test_the_bench_keeps_the_curve_and_redoes_what_it_changes(filmed, empty_bench):
    _, steps, wall, typed = filmed
    bench = empty_bench
    add_camera(bench, "Dunlin")
    add_camera(bench, "Knot")
    flat = {"evenness": ["0.001 stops"]}
    shade = add_take(bench, "shading", "Dunlin", files={"": [wall]}, readings=flat).id
    other = add_take(bench, "shading", "Knot", files={"": [wall]}, readings=flat).id
    measured(bench)
    assert get_outcome(bench, shade).outcome.findings["tone"] == BY_TAG
    curve = add_take(
        bench, "oecf", "Dunlin", files={"": [steps]}, readings={"densities": [typed]}
    ).id
    assert due_takes(bench) == [curve]
    # One run: the curve first, then what it makes stale.
    report = measured(bench)
    assert [e.take for e in report.done] == [curve, shade]
    found = get_outcome(bench, shade)
    assert found.outcome.findings["tone"] == f"by the measured tone curve (take {curve})"
    assert found.results[0].value == pytest.approx(1.0, abs=0.07)
    assert get_outcome(bench, other).outcome.findings["tone"] == BY_TAG
    assert not any(r.stale for r in list_results(bench, with_stale=True))
    # Measured anew with other densities: stale, and redone.
    shifted = " ".join(f"{1.05 * d + 0.07:.3f}" for d in DENSITIES) + " ± 0.01"
    newer = add_take(
        bench, "oecf", "Dunlin", files={"": [steps]}, readings={"densities": [shifted]}
    ).id
    measured(bench)
    again = get_outcome(bench, shade)
    assert again.outcome.findings["tone"] == f"by the measured tone curve (take {newer})"
    assert again.results[0].value > found.results[0].value
    edit_take(bench, newer, readings={"densities": [typed]})
    assert get_take(bench, shade).state == "measured"  # its curve is not redone yet
    assert measured(bench).count("measured") == 2
    assert due_takes(bench) == []


def test_a_curve_of_another_firmware_is_not_used_and_it_is_said(filmed, empty_bench):
    import datetime as dt

    _, steps, wall, typed = filmed
    bench = empty_bench
    add_camera(bench, "Dunlin")
    add_firmware(bench, "Dunlin", "1.0", since=dt.date(2026, 1, 1))
    add_firmware(bench, "Dunlin", "2.0", since=dt.date(2026, 6, 1))
    old, new = dt.date(2026, 2, 1), dt.date(2026, 7, 1)
    take = add_take(
        bench, "oecf", "Dunlin", files={"": [steps]}, readings={"densities": [typed]}, taken=old
    ).id
    shade = [
        add_take(bench, "shading", "Dunlin", files={"": [wall]}, taken=day).id for day in (old, new)
    ]
    measured(bench)
    tones = [get_outcome(bench, n).outcome.findings["tone"] for n in shade]
    assert tones[0] == f"by the measured tone curve (take {take})"
    assert tones[1] == f"by the tag: the curve of take {take} is of firmware 1.0"
