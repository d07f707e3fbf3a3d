"""Gyro: what a clip and the log of a gyroscope together say of the camera."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Option, Procedure, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="gyro",
    title="Clip and gyroscope",
    question="What do a clip and the log of its gyroscope together say about lens and clock?",
    version=4,
    yields=(
        "hfov",
        "focal_length",
        "readout_time",
        Measurand("gyro_offset", "clock offset of the gyroscope's log", "ms",
                  meaning="What to add to the clip's time (middle row) to get the log's.", feels=(),
                  of_take=True),
    ),
    order=236,
    steps=(
        Step("Fix the logger to the camera, so that both turn as one; switch steadying off."),
        Step("Log three axes of rotation, 100 times a second or more."),
        Step("Start both, then turn the camera by hand about all three axes for ten seconds, at "
             "things that are far off and rich in detail."),
        Step("Fly, or go on turning; the more briskly the direction changes, the better."),
    ),
    conclude=later(__name__, "conclude"),
    prepare=later(__name__, "prepare"),
    cautions=("airspace", "propellers", "launch", "lithium", "sun"),
    kit=("a logger with a gyroscope, or the camera's own",),
    findings={
        "lens_bend": "k of r = f tan(√k θ)/√k: 0 equal angles, 1 straight lines, and its u",
        "axes": "rows: the camera's axes (right, down, ahead) in those of the log",
        "axes_u_deg": "standard uncertainty of the axes about right, down and ahead",
        "left_handed": "whether the log's three columns are a left-handed set",
        "likeness": "how alike picture and log are, 0 to 1",
        "explained": "share of the picture's motion that the log explains, each axis",
        "rows_read": "top to bottom, bottom to top, or that the clip cannot tell",
        "log_columns": "what was taken for the three axes",
        "left_out_deg_s": "rotation that picture and log do not share, rms",
    },
    files=(
        Files("", ("clip",), "A clip of far things, steadying off."),
        Files("log", ("table",), "The gyroscope's log: time and three axes of rotation."),
    ),
    options=(
        Option("columns", "Which column is what.", "time:t"),
        Option("units", "Units of the columns, where the log does not say.", "rotation:rad/s"),
        Option("axes", "The three columns of rotation, by header or number.", "gx,gy,gz"),
    ),
    whole_pictures=True,
    setup="flight",
    minutes=5.0,
)
# fmt: on
