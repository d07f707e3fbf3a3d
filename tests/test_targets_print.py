"""Layouts, and the true millimetres of the printed PDF."""

import io
import json
import re
import subprocess
import sys

import pypdf
import pytest

from seeworthy.ground.errors import WrongCall
from seeworthy.targets import NAMES, owners, printing, slate, target
from seeworthy.targets.layout import RULER_LINE, marker_bits

MM = 25.4 / 72


def drawn(page):
    """Return (grey, x0, y0, x1, y1) of every filled path in mm from the sheet's top left."""
    height = float(page.mediabox.height)
    shapes, path, grey = [], [], [0.0]

    def visit(operator, args, matrix, _):
        a, b, c, d, e, f = (float(v) for v in matrix)
        if operator in (b"m", b"l", b"c"):
            for i in range(0, len(args), 2):
                x, y = float(args[i]), float(args[i + 1])
                path.append((a * x + c * y + e, height - (b * x + d * y + f)))
        elif operator == b"scn":
            grey[0] = float(args[0])
        elif operator in (b"f", b"f*", b"n"):
            if operator != b"n" and path:
                xs, ys = zip(*path, strict=True)
                box = [v * MM for v in (min(xs), min(ys), max(xs), max(ys))]
                shapes.append((grey[0], *box))
            path.clear()

    page.extract_text(visitor_operand_before=visit)
    return shapes


def printed(name, paper="A4", columns=1, rows=1):
    layout = target(name)
    sheets = printing.plan(layout, paper, columns, rows)
    return layout, sheets, pypdf.PdfReader(io.BytesIO(printing.pdf(layout, sheets)))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("paper", list(printing.PAPERS))
def test_ruler_has_its_length_on_paper(name, paper):
    layout, sheets, reader = printed(name, paper)
    page = reader.pages[0]
    width, height = printing.PAPERS[paper]
    assert float(page.mediabox.width) * MM == pytest.approx(width, abs=0.01)
    assert float(page.mediabox.height) * MM == pytest.approx(height, abs=0.01)
    marks = [
        s for s in drawn(page)
        if s[3] - s[1] == pytest.approx(RULER_LINE * sheets.scale, abs=0.002)
        and s[4] - s[2] == pytest.approx(5.0 * sheets.scale, abs=0.002)
    ]  # fmt: skip
    assert len(marks) == 2
    length = max(m[3] for m in marks) - min(m[1] for m in marks)
    assert length == pytest.approx(printing.ruler_length(layout, sheets), abs=0.005)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("paper", list(printing.PAPERS))
def test_everything_lies_within_the_printable_part(name, paper):
    _, _, reader = printed(name, paper)
    width, height = printing.PAPERS[paper]
    m = printing.MARGIN - 0.01
    for _, x0, y0, x1, y1 in drawn(reader.pages[0]):
        assert m <= x0 < x1 <= width - m
        assert m <= y0 < y1 <= height - m


def test_squares_and_circles_measure_what_the_layout_says():
    layout, sheets, reader = printed("board")
    squares = [s for s in drawn(reader.pages[0]) if s[3] - s[1] == pytest.approx(22.0, abs=0.005)]
    assert len(squares) == 48
    assert sheets.scale == 1.0
    assert len(layout.points) == 77
    layout, _, reader = printed("rings")
    widths = sorted(s[3] - s[1] for s in drawn(reader.pages[0]))
    for _, _, radius in layout.circles:
        # The box of a circle's control points is the circle's own.
        assert any(w == pytest.approx(2 * radius, abs=0.005) for w in widths)


def test_greys_are_printed_as_their_densities():
    layout, _, reader = printed("greys")
    greys = sorted(
        g for g, x0, y0, x1, y1 in drawn(reader.pages[0])
        if x1 - x0 == pytest.approx(34.0, abs=0.01)
    )  # fmt: skip
    tones = sorted(10**-r.density for r in layout.regions)
    # Source: IEC 61966-2-1, the code value that shows a linear tone.
    codes = [1.055 * t ** (1 / 2.4) - 0.055 for t in tones]
    assert greys == pytest.approx(codes, abs=0.002)


def test_tiles_repeat_an_overlap_and_keep_the_scale():
    layout, sheets, reader = printed("board", "letter", 2, 2)
    assert len(reader.pages) == 4
    assert sheets.scale > 1.8
    side = 22.0 * sheets.scale
    for page in reader.pages:
        squares = [s for s in drawn(page) if s[3] - s[1] == pytest.approx(side, abs=0.01)]
        assert squares
    assert layout.ruler.length * sheets.scale == pytest.approx(
        printing.ruler_length(layout, sheets)
    )


def cut_places(sheets):
    """Return where the sheets are cut, in the drawing's own millimetres, across and down."""
    ways = (sheets.across, sheets.down)
    return [[(c - way.offset) / sheets.scale for c in way.cuts] for way in ways]


@pytest.mark.parametrize("name", [n for n in NAMES if n != "slate"])  # whose code is the sheet
@pytest.mark.parametrize("paper", list(printing.PAPERS))
@pytest.mark.parametrize("tiles", [(2, 2), (2, 1), (3, 2)])
def test_no_joint_runs_through_what_is_measured(name, paper, tiles):
    layout = target(name)
    sheets = printing.plan(layout, paper, *tiles)
    clear = 1.0 / sheets.scale  # mm on paper, within the 1.5 that are kept
    for way, cuts in enumerate(cut_places(sheets)):
        for at in cuts:
            for region in layout.regions:
                ends = [p[way] for p in region.corners]
                assert not min(ends) - clear < at < max(ends) + clear, region.name
            for point in layout.points.values():
                assert abs(point[way] - at) > clear
            if name.startswith("edges"):  # squares that are cut have steps in their edges
                for patch in layout.patches:
                    ends = [p[way] for p in patch.points]
                    assert not min(ends) - clear < at < max(ends) + clear


@pytest.mark.parametrize("paper", list(printing.PAPERS))
def test_marks_stay_six_millimetres_inside_and_meet_their_neighbours(paper):
    # 6 mm: common practice of home printers, no source.
    sheets = printing.plan(target("edges"), paper, 2, 2)
    width, height = printing.PAPERS[paper]
    use_w, _ = printing._usable(paper)
    cuts = {}
    for row in range(2):
        for column in range(2):
            marks = "\n".join(printing._cut_marks(sheets, row, column))
            numbers = [
                tuple(map(float, found))
                for found in re.findall(r"\(([\d.]+)mm, ([\d.]+)mm\)", marks)
            ]
            assert len(numbers) == 8
            for x, y in numbers:
                assert 6.0 <= x <= width - 6.0
                assert 6.0 <= y <= height - 6.0
            # The mark that runs down, in millimetres of all sheets together.
            cuts[row, column] = numbers[0][0] - printing.MARGIN + column * (use_w - 10.0)
    assert len({round(x, 3) for x in cuts.values()}) == 1


def test_the_foot_is_eight_points_and_fits_its_sheet():
    # 8 pt: what is read at arm's length; common practice, no source.
    for name in NAMES:
        for tiles in ((1, 1), (2, 2)):
            _, _, reader = printed(name, "letter", *tiles)
            for page in reader.pages:
                sizes = []
                page.extract_text(
                    visitor_text=lambda text, _cm, tm, _font, size, kept=sizes: kept.append(
                        (text, size * abs(tm[0]))
                    )
                )
                foot = [s for text, s in sizes if "Print at 100" in text]
                assert foot
                assert min(foot) > 7.5
                assert page.extract_text().count("keeps the scale") == 1


def test_marker_numbers_belong_to_one_target_each():
    every = [m.id for name in NAMES for m in target(name).markers]
    assert len(every) == len(set(every)) == len(owners())
    assert max(every) < 250
    assert not any(marker_bits(0)[0])  # a border of ink


def test_edges_are_slanted_by_five_to_eight_degrees():
    import math

    layout = target("edges")
    angles = []
    for region in layout.regions:
        (ax, ay), (bx, by), *_ = region.corners
        lean = math.degrees(math.atan2(by - ay, bx - ax)) % 90
        angles.append(min(lean, 90 - lean))
    assert len(angles) == 36
    assert min(angles) == pytest.approx(5.0)
    assert max(angles) == pytest.approx(7.5)
    assert {r.position for r in layout.regions} >= {"centre", "top_left", "bottom_right", "left"}


def test_slate_carries_text_that_can_be_read_back():
    import cv2
    import numpy as np

    layout = slate.layout("take=7;unit=dunlin-2", ("Dunlin 2", "take 7"))
    picture = np.full((744, 1088), 255, np.uint8)
    for patch in layout.patches:
        corners = np.rint(np.array(patch.points) * 4).astype(np.int32)
        cv2.fillPoly(picture, [corners], 0)
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == "take=7;unit=dunlin-2"


def test_wrong_calls_are_told():
    with pytest.raises(WrongCall, match="no target 'bord'"):
        target("bord")
    with pytest.raises(WrongCall, match="no paper 'A5'"):
        printing.plan(target("board"), "A5")
    with pytest.raises(WrongCall, match="1 to 6 sheets"):
        printing.plan(target("board"), "A4", 9, 1)


def test_command_writes_a_file(tmp_path):
    out = tmp_path / "board.pdf"
    done = subprocess.run(
        [sys.executable, "-m", "seeworthy.cli.main", "target", "board", "-o", str(out), "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    said = json.loads(done.stdout)
    assert said["ruler_mm"] == 176.0
    assert len(pypdf.PdfReader(out).pages) == 1
