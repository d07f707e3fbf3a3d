"""What `timing` reads and finds when the clip shows the bench clock."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.procedures.declare import Finding, Reading

SCREEN_PPM = 20.0
"""Standard uncertainty of a computer's clock of which nothing is known; common practice, no
source: quartz is sold within 50 or 100 ppm and time servers keep it nearer."""

# fmt: off
READING = Reading(
    "screen_clock",
    "ppm",
    "With the on-screen clock: how much the clock of its computer runs fast, from a comparison "
    f"with a time server; 0 ± {SCREEN_PPM:g} ppm is taken where it is not given.",
    EXAMPLES["timing.screen_clock"],
    positive=False,
)
# fmt: on

# fmt: off
FINDINGS = (
    Finding("clock_read_share", "", "share of the frames in which the on-screen clock was read"),
    Finding("hidden_drops", "",
            "pictures that are missing by the on-screen clock without a gap in the time stamps: "
            "count, and the frame before each, once per picture; dropped_frames holds them too"),
    Finding("false_gaps", "",
            "gaps of the time stamps where by the on-screen clock no picture is missing"),
    Finding("rate_against_screen", "ppm",
            "rate error against the screen's own clock, ppm, and its u"),
    Finding("screen_rate_hz", "Hz", "updates of the screen per second"),
    Finding("exposure_by_clock_ms", "ms",
            "exposure time by how many updates of the screen one frame straddles: least, most "
            "and, where it is known better than by a bound, value; the answer of the screen's "
            "pixels lengthens it"),
    Finding("time_u_ms", "ms",
            "standard uncertainty of the clock time of one frame, root mean square, ms"),
)
# fmt: on
