"""The bench clock: code, reading of rendered frames, page equal to code."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

import seeworthy
from seeworthy.targets import clock_code as code
from seeworthy.targets.find_clock import find_corners, is_mirrored, read_clock

PAGE = Path(seeworthy.__file__).parent / "web"
SCALE = 30


def screen(time_ms: int) -> npt.NDArray[np.float64]:
    """Light (0 to 1) of the layout at a time, `SCALE` px to the unit, with a margin of 2 units."""
    light = np.ones((int(code.HEIGHT * SCALE), int(code.WIDTH * SCALE)))

    def box(x: float, y: float, w: float, h: float, value: float) -> None:
        light[
            round(y * SCALE) : round((y + h) * SCALE), round(x * SCALE) : round((x + w) * SCALE)
        ] = value

    module = code.MARKER / 6
    for key, (x, y) in code.MARKERS.items():
        box(x, y, code.MARKER, code.MARKER, 0)
        for i, bit in enumerate(code.PATTERNS[key]):
            box(x + (1 + i % 4) * module, y + (1 + i // 4) * module, module, module, float(bit))
    x, y, w, h = code.CELLS
    for i, on in enumerate(code.bits(time_ms)):
        box(x + i * w / code.BITS, y, w / code.BITS, h, on)
        box(x + i * w / code.BITS, y + h, w / code.BITS, h, not on)
    x, y, w, h = code.SWEEP
    share = (np.arange(round(w * SCALE)) + 0.5) / round(w * SCALE)
    from_bar = (share - time_ms / code.SWEEP_MS + 0.5) % 1 - 0.5
    light[round(y * SCALE) : round((y + h) * SCALE), round(x * SCALE) : round((x + w) * SCALE)] = (
        np.abs(from_bar) < code.BAR / 2
    )
    return np.pad(light, 2 * SCALE, constant_values=1.0)


def filmed(
    *updates: tuple[int, float], tilt: float = 0.0, share: float = 0.6
) -> npt.NDArray[np.uint8]:
    """Frame 1280 by 720 that averages updates (time, weight), screen tilted by degrees."""
    light = sum(weight * screen(time) for time, weight in updates)
    high, wide = light.shape
    half = share * 640
    turn, tall = np.radians(tilt), half * high / wide
    corners = np.array([(-half, -tall), (half, -tall), (half, tall), (-half, tall)])
    depth = 1 + corners[:, 0] * np.sin(turn) / 1280
    spots = np.stack([corners[:, 0] * np.cos(turn) / depth + 640, corners[:, 1] / depth + 360], 1)
    source = np.array([(0, 0), (wide, 0), (wide, high), (0, high)], np.float32)
    matrix = cv2.getPerspectiveTransform(source, spots.astype(np.float32))
    seen = cv2.warpPerspective(
        cv2.GaussianBlur(light, (0, 0), 0.4 * SCALE * 36 / (share * 1280)),
        matrix,
        (1280, 720),
        flags=cv2.INTER_AREA,
    )
    return np.rint(16 + 210 * seen ** (1 / 2.2)).astype(np.uint8)


def read(luma: npt.NDArray[np.uint8]) -> float:
    corners = find_corners(luma)
    assert corners is not None
    reading = read_clock(luma, corners)
    assert reading is not None
    return reading.time_ms


def test_neighbouring_counts_differ_in_one_cell_over_a_day() -> None:
    assert code.RANGE_MS >= 24 * 3600 * 1000
    for count in (*range(3000), (1 << code.BITS) - 1):
        ahead = (count + 1) % (1 << code.BITS)
        assert (code.gray(count) ^ code.gray(ahead)).bit_count() == 1
        assert code.count_of(code.gray(count)) == count


def test_page_holds_the_same_constants_and_marks() -> None:
    script = (PAGE / "static" / "clock.js").read_text(encoding="utf-8")
    found = re.search(r"^const CODE = (\{.*\});$", script, re.MULTILINE)
    assert found is not None
    assert json.loads(found[1]) == code.constants()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for key, pattern in code.PATTERNS.items():
        mark = cv2.aruco.generateImageMarker(dictionary, key, 6)[1:5, 1:5]
        assert "".join("1" if cell else "0" for cell in mark.ravel()) == pattern


def test_page_keeps_to_the_content_policy() -> None:
    page = (PAGE / "templates" / "clock.html").read_text(encoding="utf-8")
    assert not re.search(r"<style|style=|\son\w+=|<script>", page)
    assert "photosensitive" in page


@pytest.mark.parametrize("time", [0, 63, 64, 127, 128, 51_234_567, code.RANGE_MS - 1])
def test_reads_one_update(time: int) -> None:
    error = (read(filmed((time, 1.0))) - time + 64) % code.RANGE_MS - 64
    assert abs(error) < 0.5


@pytest.mark.parametrize(("tilt", "share"), [(30.0, 0.6), (0.0, 0.25), (30.0, 0.35), (0.0, 0.95)])
def test_reads_small_and_tilted(tilt: float, share: float) -> None:
    assert read(filmed((7_654_321, 1.0), tilt=tilt, share=share)) == pytest.approx(
        7_654_321, abs=1.0
    )


@pytest.mark.parametrize("weight", [0.1, 0.5, 0.8])
@pytest.mark.parametrize("start", [64_000 - 8, 128_000 - 8, 100_020])
def test_reads_the_mean_of_a_frame_that_straddles_two_updates(weight: float, start: int) -> None:
    truth = start + 17 * (1 - weight)
    assert read(filmed((start, weight), (start + 17, 1 - weight))) == pytest.approx(truth, abs=1.0)


def test_says_mirrored_and_refuses_what_it_cannot_read() -> None:
    luma = filmed((5000, 1.0))
    corners = find_corners(luma)
    assert corners is not None
    assert is_mirrored(np.ascontiguousarray(luma[:, ::-1]))
    assert not is_mirrored(luma)
    assert find_corners(np.full((720, 1280), 128, np.uint8)) is None
    assert read_clock(np.full((720, 1280), 250, np.uint8), corners) is None


@pytest.mark.skipif(
    shutil.which("chromium") is None and "CI" not in os.environ, reason="needs Chromium"
)
@pytest.mark.parametrize("time", [5_000, 98_765_432])
def test_the_page_in_a_browser_is_read(tmp_path: Path, time: int) -> None:
    """The script draws the time asked for; the finder, which shares no code with it, reads it."""
    page = (PAGE / "templates" / "clock.html").read_text(encoding="utf-8")
    file = tmp_path / "clock.html"
    file.write_text(page.replace('"/static/', f'"{(PAGE / "static").as_uri()}/'), encoding="utf-8")
    shot = tmp_path / "shot.png"
    browser = shutil.which("chromium")
    assert browser is not None
    subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
         f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1280,800",
         f"--screenshot={shot}", f"{file.as_uri()}?at={time}"],
        check=True, capture_output=True, timeout=90,
    )  # fmt: skip
    luma = cv2.imread(str(shot), cv2.IMREAD_GRAYSCALE)
    assert luma is not None
    assert read(np.asarray(luma, np.uint8)) == pytest.approx(time, abs=1.0)
