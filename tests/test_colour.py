"""Colour: cells on two pictures, ΔE00, exposure match, matrix; known spectra, published values."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import CannotMeasure, UnreadableInput, WrongCall
from seeworthy.media.glimpse import sniff
from seeworthy.media.icc import through_profile
from seeworthy.media.patches import read_patches
from seeworthy.media.source import Source
from seeworthy.media.stills import read_still
from seeworthy.media.transfer import transfer_of
from seeworthy.optics.colour import (
    WHITE_D50,
    WHITE_D65,
    adapt,
    de00,
    hue_of_xyz,
    lab_of,
    lab_of_xyz,
    rgb_of,
    xyz_of,
    xyz_of_lab,
)
from seeworthy.procedures.colour.cells import Plate, find_cells, sample
from seeworthy.procedures.colour.match import differences, exposure_gain, fit_matrix, white_gains
from seeworthy.procedures.colour.measure import ColourPairs, measure_colour
from seeworthy.procedures.colour.register import coded, register
from seeworthy.virtual.colour_scene import (
    Shoot,
    SmallCamera,
    Viewpoint,
    good_linear,
    picture,
    random_paints,
    random_table,
    write_clip,
    write_still,
)

CAMERA = SmallCamera(0.6, (1.06, 0.93), 0.85)


class Set:
    """Objects, the two viewpoints and what the cameras get of each paint."""

    def __init__(self, seed=3, camera=CAMERA, **view):
        rng = np.random.default_rng(seed)
        self.rng = rng
        self.table = random_table(rng)
        self.still = Viewpoint.near(rng, 960, 720)
        self.clip = Viewpoint.near(rng, 800, 450)
        self.good = np.clip(good_linear(self.table.paints), 0, 1)
        self.seen = camera.linear(self.table.paints)

    def reference(self):
        return picture(self.table, self.good, self.still)

    def filmed(self, table=None):
        return picture(table or self.table, self.seen, self.clip)

    def true_cells(self, places):
        """Linear RGB of both cameras at places of the clip."""
        mm = self.clip.to_mm(places)
        paints = [self.table.paint_at(x, y) for x, y in mm]
        light = self.table.light_at(mm[:, 0], mm[:, 1])[:, None]
        return self.good[paints] * light, self.seen[paints] * light


@pytest.fixture(scope="module")
def shot():
    return Set()


@pytest.fixture(scope="module")
def files(shot, tmp_path_factory):
    folder = tmp_path_factory.mktemp("colour")
    rng = np.random.default_rng(1)
    still, clip = folder / "dunes.png", folder / "TUR0042.mp4"
    write_still(still, shot.reference(), rng, sensor=Shoot().good_sensor)
    write_clip(clip, shot.filmed(), rng, Shoot())
    return clip, still


def run(clip, reference, **more):
    from seeworthy.procedures import procedure
    from seeworthy.procedures.declare import gather

    files = {"": (Source.of(clip),), "reference": (Source.of(reference),)}
    this = procedure("colour")
    return this.run(gather(this, files, more.get("readings", {}), more.get("options", {})))


@pytest.fixture(scope="module")
def outcome(files):
    return run(*files, readings={"light": ["10.2 EV dome"]})


def values(outcome):
    return {r.measurand: r for r in outcome.results}


def places(outcome):
    columns = outcome.figures[0].columns
    return [
        (x, y)
        for x, y, shown in zip(columns["x_px"], columns["y_px"], columns["shown"], strict=True)
        if shown == "reference"
    ]


# Geometry


def test_the_reference_is_laid_on_the_picture(shot):
    found = register(coded(shot.reference()), coded(shot.filmed()))
    true = shot.clip.matrix @ np.linalg.inv(shot.still.matrix)
    grid = np.array([[[x, y]] for x in (150, 480, 800) for y in (200, 360, 520)], float)
    apart = cv2.perspectiveTransform(grid, found.matrix) - cv2.perspectiveTransform(grid, true)
    assert np.hypot(*apart[:, 0].T).max() < 1.5
    assert found.alike > 0.8


def test_plain_discs_are_aligned_by_their_edges():
    # Discs have no corners, and all look alike: features fail, edges do not.
    def draw(dx, dy):
        made = np.zeros((360, 640, 3), np.float32)
        for i, (x, y) in enumerate([(120, 100), (330, 80), (520, 140), (200, 260), (430, 280)]):
            colour = tuple(float(v) for v in np.roll((0.2, 0.4, 0.7), i))
            cv2.circle(made, (round((x + dx) * 16), round((y + dy) * 16)), 720, colour, -1, shift=4)
        return cv2.GaussianBlur(made, (0, 0), 1.0)

    found = register(coded(draw(0, 0)), coded(draw(7.5, -4.0)))
    middle = cv2.perspectiveTransform(np.array([[[320.0, 180.0]]]), found.matrix)[0, 0]
    assert middle == pytest.approx([327.5, 176.0], abs=0.7)


def test_cells_lie_inside_one_object_each(shot):
    place = register(coded(shot.reference()), coded(shot.filmed()))
    clear = np.zeros((720, 960), bool), np.zeros((450, 800), bool)
    cells = find_cells(
        Plate(shot.reference(), clear[0]), Plate(shot.filmed(), clear[1]), place.matrix
    )
    assert len(cells.discs) >= 20
    paints = set()
    for disc in cells.discs:
        around = [
            (disc.x + disc.radius * np.cos(a), disc.y + disc.radius * np.sin(a))
            for a in np.linspace(0, 2 * np.pi, 8, endpoint=False)
        ]
        here = {shot.table.paint_at(*p) for p in shot.clip.to_mm(around)}
        there = shot.table.paint_at(*shot.still.to_mm([disc.reference])[0])
        assert here == {there}
        paints |= here
    assert len(paints) == len(cells.discs)


def test_a_slope_of_the_light_is_no_noise():
    y, x = np.mgrid[0:60, 0:60]
    ramp = np.repeat((0.3 + 0.002 * x + 0.001 * y)[..., None], 3, axis=2).astype(np.float32)
    mean, u = sample(ramp, 30.0, 30.0, 12.0)
    assert mean == pytest.approx([0.39] * 3, abs=1e-4)
    assert np.all(u < 1e-5)


# Injected truth


def test_gain_is_found_again():
    rng = np.random.default_rng(2)
    colours = rng.uniform(0.05, 0.6, (12, 3))
    assert float(exposure_gain(colours, colours / 1.7)) == pytest.approx(1.7, rel=1e-4)


def test_matrix_is_found_again_and_left_out_cells_agree():
    rng = np.random.default_rng(3)
    true = np.array([[1.5, -0.4, -0.1], [-0.2, 1.4, -0.2], [0.0, -0.5, 1.5]])
    test = rng.uniform(0.1, 0.5, (20, 3))
    fit = fit_matrix(test @ true.T, test)
    assert fit.matrix == pytest.approx(true, abs=1e-3)
    assert differences(test @ true.T, fit.left_out).max() < 0.05


def test_what_the_cells_do_not_show_is_not_corrected():
    # Greys alone say nothing of saturation: the matrix must leave colours as they are.
    grey = np.linspace(0.05, 0.6, 14)[:, None] * np.ones(3)
    matrix = fit_matrix(grey, grey * [1.1, 1.0, 0.9]).matrix
    assert matrix @ [1.1, 1.0, 0.9] == pytest.approx([1, 1, 1], abs=0.01)
    red = np.array([0.5, 0.1, 0.1])
    assert differences(matrix @ red, red) < 5


def test_white_gains_undo_a_tint():
    rng = np.random.default_rng(4)
    colours = rng.uniform(0.1, 0.5, (9, 3))
    gains = white_gains(colours, colours * [0.8, 1.0, 1.25])
    assert gains / gains[1] == pytest.approx([1.25, 1.0, 0.8], rel=1e-6)


def test_figures_through_h264_are_near_the_truth(shot, outcome):
    reference, seen = shot.true_cells(places(outcome))
    error = differences(reference, seen)
    found = values(outcome)
    assert found["de00_mean"].value == pytest.approx(error.mean(), abs=0.3)
    assert found["de00_p95"].value == pytest.approx(np.quantile(error, 0.95), abs=0.6)
    for name, true in (("de00_mean", error.mean()), ("de00_p95", np.quantile(error, 0.95))):
        low, high = found[name].interval
        assert low - found[name].u < true < high + found[name].u
    gain = float(exposure_gain(reference, seen))
    matched = differences(reference, gain * seen).mean()
    assert found["de00_mean_matched"].value == pytest.approx(matched, abs=0.3)
    chroma = [np.hypot(*lab_of(c)[:, 1:].T) for c in (reference, gain * seen)]
    strong = chroma[0] > 10
    ratio = chroma[1][strong].sum() / chroma[0][strong].sum()
    assert found["chroma_ratio"].value == pytest.approx(ratio, abs=0.01)


def test_correction_helps_colours_that_were_in_no_scene(outcome):
    made = outcome.correction
    assert made["kind"] == "colour"
    json.dumps(made)
    paints = random_paints(np.random.default_rng(77), 80)
    reference, seen = good_linear(paints), CAMERA.linear(paints)
    inside = (reference.min(axis=1) > 0.002) & (reference.max(axis=1) < 0.95)
    matrix = np.array(made["matrix"]) * made["exposure"]
    before = differences(reference[inside], seen[inside]).mean()
    after = differences(reference[inside], seen[inside] @ matrix.T).mean()
    assert after < 0.2 * before
    # What the left-out cells promise is what other colours get, within their scatter.
    assert after == pytest.approx(values(outcome)["de00_mean_corrected"].value, abs=0.6)


def test_what_is_said(outcome):
    assert outcome.method == "scene"
    assert "washed out" in outcome.sentence
    # 330 lx · 2^10.2 / 100, ISO 2720 for a dome
    assert outcome.results[0].conditions["light"] == pytest.approx(3881.7, rel=1e-3)
    assert {p.name for p in outcome.pictures} == {"cells_clip.png", "cells_reference.png"}
    assert outcome.findings["cells"] == len(places(outcome))
    assert any("sRGB was assumed" in w for w in outcome.warnings)


def test_swatches_are_painted_as_they_are(outcome):
    from seeworthy.publish.figures import render, table

    swatches, diagram = outcome.figures
    svg = render(swatches, "svg").decode()
    assert all(f'fill="{c}"' in svg for c in set(swatches.columns["colour"]))
    assert table(swatches)[0][3] == "ΔE00"
    # One link per cell, from the reference to the camera.
    assert render(diagram, "svg").decode().count("<line") >= len(places(outcome))


def test_few_cells_give_differences_but_no_matrix():
    rng = np.random.default_rng(5)
    colours = rng.uniform(0.1, 0.5, (6, 3))
    small = np.full((6, 3), 1e-4)
    found = measure_colour(ColourPairs(colours, colours * 0.9, small, small, small))
    assert found.matrix is None
    assert "de00_mean_corrected" not in found.figures
    assert found.gain == pytest.approx(1 / 0.9, rel=1e-3)


# Published values


def test_ciede2000_reproduces_the_published_pairs(published):
    """Sharma, Wu and Dalal, Color Res. Appl. 30 (2005) 21, Table 1: 34 pairs, 4 decimals."""
    rows = published("ciede2000_sharma2005.csv")
    assert len(rows) == 34
    for row in rows:
        one = [float(row[k]) for k in ("L1", "a1", "b1")]
        two = [float(row[k]) for k in ("L2", "a2", "b2")]
        assert float(de00(one, two)) == pytest.approx(float(row["dE00"]), abs=0.5001e-4)
        assert float(de00(two, one)) == pytest.approx(float(row["dE00"]), abs=0.5001e-4)


def test_srgb_to_lab(published):
    """IEC 61966-2-1 matrix and ISO/CIE 11664-4; the white is the sum of the matrix's rows."""
    for row in published("srgb_lab.csv"):
        code = np.array([float(row[k]) for k in "RGB"]) / 255
        linear = transfer_of(13).decode(code)
        assert xyz_of(linear) == pytest.approx([float(row[k]) for k in "XYZ"], abs=1e-6)
        assert lab_of(linear) == pytest.approx([float(row[k]) for k in "Lab"], abs=2e-3)


def test_lightness(published):
    """ISO/CIE 11664-4: L* of Y, 5 decimals."""
    for row in published("cie_lightness.csv"):
        y = float(row["Y_percent"]) / 100
        found = lab_of_xyz(y * WHITE_D65)
        assert found == pytest.approx([float(row["L_star"]), 0, 0], abs=1e-5)


def test_uniform_chromaticities(published):
    """CIE 15:2018 white points and the primaries of BT.601 and BT.709, 6 decimals."""
    for row in published("chromaticities_uv.csv"):
        x, y = float(row["x"]), float(row["y"])
        found = hue_of_xyz([x / y, 1.0, (1 - x - y) / y])
        assert found == pytest.approx([float(row["u_prime"]), float(row["v_prime"])], abs=1e-6)


def test_adaptation_carries_white_to_white_and_back():
    assert adapt(WHITE_D50, WHITE_D50, WHITE_D65) == pytest.approx(WHITE_D65, abs=1e-9)
    lab = np.array([[53.0, 40.0, -20.0]])
    assert lab_of_xyz(xyz_of_lab(lab, WHITE_D50), WHITE_D50) == pytest.approx(lab, abs=1e-6)


# Files: profiles and tables


def _with_profile(path, profile, codes):
    from PIL import Image

    Image.fromarray(codes).save(path, icc_profile=profile)
    return path


def test_srgb_profile_gives_srgb(tmp_path):
    from PIL import ImageCms

    codes = np.random.default_rng(6).integers(0, 256, (20, 20, 3)).astype(np.uint8)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    still = read_still(Source.of(_with_profile(tmp_path / "a.png", profile, codes)))
    made = through_profile(still)
    assert not made.coarse
    linear = rgb_of(adapt(made.xyz, WHITE_D50, WHITE_D65))
    assert linear == pytest.approx(still.linear_rgb(), abs=2e-3)


def test_wide_profile_is_not_taken_for_srgb(tmp_path, files, shot):
    """A profile with gamma 2.2 and the primaries turned round: read by it, nothing changes."""
    import struct

    from PIL import ImageCms

    plain = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    (count,) = struct.unpack_from(">I", plain, 128)
    entries = {bytes(plain[132 + 12 * i : 136 + 12 * i]): 132 + 12 * i for i in range(count)}
    # Swap the elements of red and blue, and the name, so that nobody takes it for sRGB.
    red, blue = entries[b"rXYZ"], entries[b"bXYZ"]
    plain[red + 4 : red + 12], plain[blue + 4 : blue + 12] = (
        plain[blue + 4 : blue + 12],
        plain[red + 4 : red + 12],
    )
    name = entries[b"desc"]
    start, size = struct.unpack_from(">II", plain, name + 4)
    text = bytes(plain[start : start + size]).replace(b"s\0R\0G\0B", b"d\0u\0n\0e")
    plain[start : start + size] = text.replace(b"sRGB", b"dune")
    clip, still = files
    codes = cv2.imread(str(still))  # blue first: red and blue are swapped in the file
    path = _with_profile(tmp_path / "swapped.png", bytes(plain), np.ascontiguousarray(codes))
    assert "srgb" not in read_still(Source.of(path)).profile_name.lower()
    swapped, first = values(run(clip, path)), values(run(clip, still))
    assert swapped["de00_mean"].value == pytest.approx(first["de00_mean"].value, abs=0.05)


def test_damaged_profile_is_named(tmp_path):
    codes = np.zeros((8, 8, 3), np.uint8)
    path = _with_profile(tmp_path / "bad.png", b"\0" * 16 + b"RGB " + b"\0" * 200, codes)
    with pytest.raises(UnreadableInput, match=r"profile inside 'bad\.png'"):
        through_profile(read_still(Source.of(path)))


def test_sixteen_bits_are_kept(tmp_path, files, shot):
    clip, _ = files
    deep = tmp_path / "deep.png"
    write_still(
        deep, shot.reference(), np.random.default_rng(1), sensor=Shoot().good_sensor, bits=16
    )
    assert read_still(Source.of(deep)).bits == 16
    assert values(run(clip, deep))["de00_mean"].value > 3


CGATS = """CGATS.17
ORIGINATOR "Marram Point dune watch"
NUMBER_OF_FIELDS 5
BEGIN_DATA_FORMAT
SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
1 "sea green" 51.2 -28.1 3.5
2 sand 74.0 4.2 22.8
END_DATA
"""


def test_tables_of_patches(tmp_path):
    path = tmp_path / "patches.txt"
    path.write_text(CGATS, encoding="utf-8")
    assert sniff(path) == "table"
    found = read_patches(Source.of(path))
    assert (found.names, found.space, found.cgats) == (("sea green", "sand"), "Lab", True)
    assert found.values[1] == pytest.approx([74.0, 4.2, 22.8])
    path = tmp_path / "patches.csv"
    path.write_text("name,X,Y,Z,left,top,width,height\nsand,42,45,30,10,20,30,40\n" * 1, "utf-8")
    found = read_patches(Source.of(path))
    assert found.boxes == ((10, 20, 30, 40),)
    assert found.values[0] == pytest.approx([0.42, 0.45, 0.30])


def test_known_patches_are_measured(files, shot, outcome, tmp_path):
    clip, _ = files
    middle = places(outcome)
    reference, _ = shot.true_cells(middle)
    xyz = adapt(xyz_of(reference), WHITE_D65, WHITE_D50) * 100
    lines = ["name,X,Y,Z,left,top,width,height"]
    for i, ((x, y), row) in enumerate(zip(middle, xyz, strict=True)):
        box = f"{round(x) - 6},{round(y) - 6},13,13"
        lines.append(f"p{i},{','.join(f'{v:.4f}' for v in row)},{box}")
    table = tmp_path / "known.csv"
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = run(clip, table)
    assert found.method == "patches"
    assert values(found)["de00_mean"].value == pytest.approx(
        values(outcome)["de00_mean"].value, abs=0.3
    )
    assert any("D50 was taken" in w for w in found.warnings)
    assert not any("D50" in w for w in run(clip, table, options={"white": ["D50"]}).warnings)


def test_cells_may_be_marked(files, outcome):
    spots = places(outcome)[:8]
    regions = [f"{round(x) - 8},{round(y) - 8},17,17" for x, y in spots]
    found = run(*files, options={"region": regions})
    assert found.method == "marked cells"
    assert found.findings["cells"] == 8
    assert found.correction == {}


# Bad input


def test_another_scene_is_refused(files, tmp_path):
    other = Set(seed=8)
    path = tmp_path / "other.png"
    write_still(path, other.reference(), other.rng, sensor=Shoot().good_sensor)
    with pytest.raises(CannotMeasure, match="another scene") as refusal:
        run(files[0], path)
    assert len(refusal.value.pictures) == 2


def test_objects_that_moved_are_left_out_and_said(files, shot, tmp_path):
    first = [t for t in shot.table.things if t.paint > 1 and len(t.outline) > 5][:2]
    # Clear of the place where it was, and of the neighbours' corners.
    things = [
        replace(t, outline=tuple((x + 19, y + 17) for x, y in t.outline)) if t in first else t
        for t in shot.table.things
    ]
    clip = tmp_path / "moved.mp4"
    write_clip(clip, shot.filmed(replace(shot.table, things=things)), shot.rng, Shoot())
    found = run(clip, files[1])
    assert found.findings["left_out"]["moved"] + found.findings["left_out"]["uneven"] >= 1
    assert any("left out" in w for w in found.warnings)
    compared = {shot.table.paint_at(*p) for p in shot.clip.to_mm(places(found))}
    assert not compared & {t.paint for t in first}
    assert len(compared) >= 16


def test_another_light_is_said(files, shot, tmp_path):
    clip = tmp_path / "evening.mp4"
    evening = picture(shot.table, CAMERA.linear(shot.table.paints, kelvin=3800.0), shot.clip)
    write_clip(clip, evening, shot.rng, Shoot())
    assert any(w.startswith("White is shifted") for w in run(clip, files[1]).warnings)


def test_clipped_colours_are_left_out_and_counted(files, shot, tmp_path):
    clip = tmp_path / "bright.mp4"
    write_clip(clip, shot.filmed() * 2.2, shot.rng, Shoot())
    found = run(clip, files[1])
    assert found.findings["left_out"]["clipped"] >= 3
    assert any("clipped" in w for w in found.warnings)


def test_a_scene_without_plain_objects_is_refused(tmp_path):
    from skimage import data

    fur = data.chelsea()[:, :450]
    still, clip = tmp_path / "cat.png", tmp_path / "cat.mp4"
    cv2.imwrite(str(still), fur[:, :, ::-1])
    linear = transfer_of(13).decode(fur / 255).astype(np.float32)
    write_clip(clip, linear, np.random.default_rng(1), Shoot())
    with pytest.raises(CannotMeasure, match="Evenly coloured places"):
        run(clip, still)


def test_monochrome_clip_is_refused(files, shot, tmp_path):
    clip = tmp_path / "night.mp4"
    grey = np.repeat(shot.filmed().mean(axis=2, keepdims=True), 3, axis=2)
    write_clip(clip, grey, shot.rng, Shoot())
    with pytest.raises(CannotMeasure, match="no colour"):
        run(clip, files[1])


def test_grey_reference_is_refused(files, tmp_path):
    path = tmp_path / "grey.png"
    cv2.imwrite(str(path), cv2.imread(str(files[1]), cv2.IMREAD_GRAYSCALE))
    with pytest.raises(CannotMeasure, match="stores brightness only"):
        run(files[0], path)


def test_table_without_places_asks_for_them(files, tmp_path):
    path = tmp_path / "patches.txt"
    path.write_text(CGATS, encoding="utf-8")
    with pytest.raises(WrongCall, match="does not say where"):
        run(files[0], path)
    with pytest.raises(WrongCall, match="1 regions were marked for 2"):
        run(files[0], path, options={"region": ["10,10,30,30"]})


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name,L,a,b\nx,140,0,0\ny,50,0,0\n", "out of range"),
        ("name,p,q\nx,1,2\ny,3,4\n", "no columns"),
        ("BEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n1 2\nEND_DATA\n",
         "another number of cells"),
    ],
)  # fmt: skip
def test_bad_tables_are_named(tmp_path, text, message):
    path = tmp_path / "patches.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UnreadableInput, match=message):
        read_patches(Source.of(path))


def test_reference_of_another_kind_is_named(files, tmp_path):
    with pytest.raises(UnreadableInput, match="is a clip"):
        run(files[0], files[0])
    path = tmp_path / "note.txt"
    path.write_text("nothing but words\n", encoding="utf-8")
    with pytest.raises(UnreadableInput, match="no table") as refusal:
        run(files[0], path)
    assert "CGATS" in refusal.value.hint


def test_wrong_light_is_refused_before_decoding(files):
    from seeworthy.ground.errors import BadQuantity

    with pytest.raises(BadQuantity):
        run(*files, readings={"light": ["20 degC"]})


def test_the_engine_measures_it_like_any_other(files):
    made = measure("colour", [files[0]], roles={"reference": [files[1]]})
    names = [r.measurand for r in made.outcome.results]
    assert len(names) == len(set(names)) == 9


@pytest.mark.parametrize(("balanced", "blamed"), [(3.1, True), (8.2, False)])
def test_white_balance_is_blamed_only_where_a_gain_mends_the_colours(balanced, blamed):
    from types import SimpleNamespace

    from seeworthy.procedures.colour import words

    colour = SimpleNamespace(
        figures={"white_shift": SimpleNamespace(value=0.021, u=0.0015, low=0.018, high=0.024)},
        per_cell={"matched": np.full(12, 7.9)},
        balanced=balanced,
    )
    (said,) = words._light(colour)
    assert ("white balance is off" in said) is blamed
    assert f"{balanced:.1f}" in said
