"""Read-out from a clip of anything: a renderer of its own, whose rows are taken one by one."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from seeworthy.cli.main import run as seeworthy
from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.write import ClipWriter
from seeworthy.observe.motion_tracks import FramePair
from seeworthy.procedures.readout.from_flight import readout_of_flight
from seeworthy.procedures.study import measured

WIDTH, HEIGHT, RATE = 320, 240, 30
OFF = {"method": ["flight"], "steadying": ["off"]}


def way(t, size, buzz=0.0):
    """Five rhythms on each axis, px; of a hand that shakes a camera."""
    f = np.array([[0.7, 1.3, 2.6, 4.1, 6.3], [0.9, 1.7, 2.2, 4.9, 7.1]])
    phase = np.array([[0, 1, 2, 3, 4], [5, 4, 1, 2, 0]])
    moved = size * (np.sin(2 * np.pi * f * t[..., None, None] + phase) / np.sqrt(f)).sum(-1)
    return moved + buzz * np.sin(2 * np.pi * 47.3 * t)[..., None] * (1.0, 0.6)


def film(path, readout, size=6.0, seconds=6, buzz=0.0):
    """Pan over a still picture, every row at its own moment; plain means of four moments."""
    rng = np.random.default_rng(3)
    ground = np.zeros((700, 800), np.float32)
    for cell in (3, 7, 16, 50):
        small = rng.normal(0, 30, (700 // cell + 1, 800 // cell + 1)).astype(np.float32)
        ground += cv2.resize(small, (800, 700), interpolation=cv2.INTER_CUBIC)
    ground = np.clip(125 + ground, 20, 230)
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    rows = (np.arange(HEIGHT) / HEIGHT - 0.5) * readout
    with ClipWriter(path, WIDTH, HEIGHT, RATE, bit_rate=3_000_000) as clip:
        for k in range(seconds * RATE):
            light = np.zeros((HEIGHT, WIDTH), np.float32)
            for share in (-0.375, -0.125, 0.125, 0.375):
                at = way(k / RATE + rows + 0.003 * share, size, buzz)
                u, v = (x + 240 + at[:, :1]), (y + 230 + at[:, 1:])
                light += cv2.remap(
                    ground, u.astype(np.float32), v.astype(np.float32), cv2.INTER_CUBIC
                )
            noisy = light / 4 + rng.normal(0, 1.5, light.shape)
            clip.write_luma(np.clip(noisy, 16, 235).astype(np.uint8))
    return path


@pytest.mark.parametrize(("readout", "order"), [(0.009, "top"), (0.027, "top"), (-0.018, "bottom")])
def test_a_shaken_clip_tells_its_read_out(tmp_path, readout, order):
    """Truth: the moments at which the rows were taken, by this file's own renderer."""
    found = measured("readout", [film(tmp_path / "a.mp4", readout)], {}, OFF)
    time = found.results[0]
    assert time.measurand == "readout_time"
    assert time.conditions["method"] == "flight"
    low, high = time.interval
    assert low < 1e3 * abs(readout) < high
    assert high - low < 0.2 * 1e3 * abs(readout)
    assert found.findings["rows_read"].startswith(order)


def test_what_does_not_tell_is_refused(tmp_path):
    with pytest.raises(CannotMeasure, match="too little"):
        measured("readout", [film(tmp_path / "calm.mp4", 0.02, 0.0)], {}, OFF)
    shaken = film(tmp_path / "shaken.mp4", 0.02, 1.5)
    with pytest.raises(CannotMeasure, match="Whether the camera steadied"):
        measured("readout", [shaken], {}, {"method": ["flight"]})
    with pytest.raises(CannotMeasure, match=r"steadied|leans the rows|shakes faster"):
        measured("readout", [film(tmp_path / "buzz.mp4", 0.02, 1.0, buzz=3.0)], {}, OFF)
    with pytest.raises(CannotMeasure, match="Too few"):
        readout_of_flight([], WIDTH, HEIGHT)


def test_it_is_typed(tmp_path, capsys):
    clip = str(film(tmp_path / "a.mp4", 0.02))
    typed = ["measure", "readout", clip, "--option", "method=flight", "--option", "steadying=off"]
    assert seeworthy([*typed, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["method"] == "flight"
    assert told["results"][0]["value"] == pytest.approx(20, rel=0.05)
    assert seeworthy(typed[:5]) == 3


def test_points_of_a_lens_that_bends_tell_it_too():
    """By geometry: straight lines at 95° across, so that the edge moves 2.2 times as far."""
    rng, readout, focal = np.random.default_rng(8), 0.024, 293.0
    pairs = []
    for k in range(240):
        x, y = rng.uniform(-1, 1, (2, 110)) * [[310], [170]]
        late = k / RATE + (y / 360) * readout
        turned = (way(late + 1 / RATE, 5.0) - way(late, 5.0)) / focal
        moved = [
            focal * (turned[:, 0] * (1 + (x / focal) ** 2) + turned[:, 1] * x * y / focal**2),
            focal * (turned[:, 1] * (1 + (y / focal) ** 2) + turned[:, 0] * x * y / focal**2),
        ]
        start = np.stack([x + 319.5, y + 179.5], 1)
        after = start + np.stack(moved, 1) + rng.normal(0, 0.05, (110, 2))
        both = np.hstack([start, after]).astype(np.float32)
        pairs.append(FramePair(k + 1, k / RATE, (k + 1) / RATE, both))
    found = readout_of_flight(pairs, 640, 360)
    assert abs(found.readout - readout) < 2.2 * found.u
    assert found.u < 0.04 * readout
