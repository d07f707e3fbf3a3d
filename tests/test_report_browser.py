"""The report in a browser: nothing sticks out, from a phone held upright to a desk."""

from __future__ import annotations

import html
import json
import re
import subprocess
from pathlib import Path

import pytest
from pypdf import PdfReader

from chromium import CHROMIUM, MISSING
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, result
from seeworthy.judge.claims.decide import Claimed, judge_all
from seeworthy.judge.glance.air import AirFigure
from seeworthy.publish.html import page
from seeworthy.publish.model import CameraReport, Refusal
from told import told

SIZES = [320, 360, 600, 740, 900, 1100, 1300]
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--window-size=1400,1000", "--virtual-time-budget=20000", "--dump-dom",
]  # fmt: skip
WRAPPER = """<!doctype html><body><pre id=out></pre><script>
const text = %s, sizes = %s, out = [];
(async () => {
  for (const width of sizes) {
    const frame = document.createElement('iframe');
    frame.style.width = width + 'px'; frame.style.height = '900px'; frame.srcdoc = text;
    const loaded = new Promise(done => frame.onload = done);
    document.body.append(frame); await loaded;
    const root = frame.contentDocument.documentElement;
    for (const folded of frame.contentDocument.querySelectorAll('details')) folded.open = true;
    const drawn = frame.contentDocument.querySelector('.plot svg').getBoundingClientRect();
    out.push([width, root.scrollWidth - root.clientWidth, drawn.width]);
    frame.remove();
  }
  document.getElementById('out').textContent = JSON.stringify(out);
})();
</script>"""


def crowded() -> CameraReport:
    long = "a_very_long_file_name_" * 4 + ".MOV"
    figure = Figure("f", "Title", "Sentence.", {"x": [1.0, 2.0], "y": [1.0, 2.0]},
                    Axis("x", "x"), Axis("y", "y"), (Mark("line", y="y"),))  # fmt: skip
    outcome = Outcome(
        (
            result("bit_rate_mean", 5.0283072, 4.6e-6, conditions={"method": "mean over clip"}),
            result("peak_acceleration", 1234.5, 0.5, n=100000),
        ),
        {"colour_tags_container": {"range": None, "matrix": 1, "transfer": 1}, "long": long},
        ("A warning that goes on for a while, and then for a little longer still.",),
        figures=(figure,),
        sentence="It weighs 17.20 ± 0.10 g and takes 16.56 ± 0.14 cm3 of the bay.",
    )  # fmt: skip
    takes = (
        told(1, "stream", outcome, unit="A-0000-1111-2222", firmware="1.0.0-beta7",
                   files=((long, ""),), readings=(("a", "1 in"),)),
        told(2, "stream", outcome, unit="B", firmware="1.1"),
        told(3, "timing", None, Refusal("cannot-measure", "No.", "Film it again.")),
    )  # fmt: skip
    claims = [Claimed("bit_rate_mean", 12.0, "12 Mbit/s", "a rather long place in the listing"),
              Claimed("hfov", 120.0, "120 deg")]  # fmt: skip
    air = (
        AirFigure("load", "Load survived", "g", None, "Not tested.", "no figure of " + "W" * 200),
    )
    judged = judge_all(claims, outcome.results)
    return CameraReport("W" * 200, takes=takes, judgements=judged, air=air)


@pytest.mark.browser
@pytest.mark.skipif(MISSING, reason="Chromium is not installed")
def test_nothing_sticks_out_at_any_width(tmp_path: Path):
    text = json.dumps(page(crowded())).replace("</", "<\\/")
    file = tmp_path / "wrapper.html"
    file.write_text(WRAPPER % (text, json.dumps(SIZES)))
    profile = f"--user-data-dir={tmp_path / 'profile'}"
    shown = subprocess.run(
        [str(CHROMIUM), *FLAGS, profile, file.as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    found = re.search(r'<pre id="out">(.+?)</pre>', shown.stdout, re.S)
    assert found, shown.stdout[:500]
    rows = json.loads(html.unescape(found.group(1)))
    assert [row[0] for row in rows] == SIZES
    assert [row[1] for row in rows] == [0] * len(SIZES)
    # A drawing is as wide as it was made for, or as the phone is: labels stay readable.
    assert all(200 < row[2] < width for row, width in zip(rows, SIZES, strict=True))


@pytest.mark.browser
@pytest.mark.skipif(MISSING, reason="Chromium is not installed")
def test_what_is_folded_on_the_screen_is_printed(tmp_path: Path):
    file, made = tmp_path / "report.html", tmp_path / "report.pdf"
    file.write_text(page(crowded()))
    profile = f"--user-data-dir={tmp_path / 'profile'}"
    flags = [f for f in FLAGS if f != "--dump-dom"]
    print_to = f"--print-to-pdf={made}"
    subprocess.run(
        [str(CHROMIUM), *flags, profile, print_to, file.as_uri()],
        capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    text = " ".join(p.extract_text() for p in PdfReader(made).pages)
    assert "Stop the recording with the camera" in " ".join(text.split())
