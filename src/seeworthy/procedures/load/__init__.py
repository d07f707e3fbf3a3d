"""Load: how hard, how fast, how high; from the log of an altimeter or accelerometer."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Reading, Step, later

PROCEDURE = Procedure(
    id="load",
    title="Flight loads",
    question="How hard is the launch, and how fast and high does it go?",
    version=1,
    yields=(
        Measurand(
            "peak_acceleration",
            "peak acceleration along the path",
            "m/s2",
            of_take=True,
            meaning="Largest change of speed, without gravity.",
        ),
        Measurand(
            "mean_boost_acceleration",
            "mean acceleration in boost",
            "m/s2",
            of_take=True,
            meaning="Average change of speed in boost.",
        ),
        Measurand(
            "felt_peak",
            "largest felt load",
            "g",
            better="less",
            pint="standard_gravity",
            also=("g load", "g force"),
            of_take=True,
            meaning="What an accelerometer bolted to the camera reads.",
        ),
        Measurand(
            "boost_time",
            "boost time",
            "s",
            of_take=True,
            meaning="From first push to burnout or release.",
        ),
        Measurand(
            "max_speed", "largest speed", "m/s", of_take=True, meaning="Along the flight path."
        ),
        Measurand(
            "apogee",
            "largest height",
            "m",
            also=("height", "altitude"),
            of_take=True,
            meaning="Above the launch site.",
        ),
        Measurand(
            "landing_peak",
            "landing deceleration",
            "m/s2",
            better="less",
            of_take=True,
            meaning="Largest change of speed at touch-down.",
        ),
    ),
    order=190,
    steps=(
        Step("Fix the logger in the craft, firmly, one axis along it; note which way it points."),
        Step("Set its fastest rate: the push should last ten samples or more."),
        Step("Switch it on and leave the craft at rest on the pad for at least two seconds."),
        Step("Read air temperature and pressure at the site; not the pressure at sea level."),
        Step("Fly. After landing let it lie for some seconds before you pick it up."),
        Step("Save the log as CSV with its header, one file per logger."),
    ),
    conclude=later(__name__, "conclude"),
    cautions=("launch", "airspace", "verdict"),
    kit=("logging altimeter or accelerometer", "thermometer", "barometer"),
    findings=(
        Finding(
            "columns",
            "",
            "Every column with what it was taken for; correct with columns= and units=.",
        ),
        Finding("used", "", "What the figures come from."),
        Finding("events", "", "Launch, burnout, apogee, landing: times in s."),
        Finding("bandwidth", "", "Sampling and filter limits of the acceleration, Hz."),
        Finding("method", "", "fused (height and acceleration), acceleration, or height."),
        Finding("boost", "", "found, or none for a slow ascent."),
        Finding(
            "lower_bound",
            "",
            "Figures that the log is too slow or too short-ranged to show in full.",
        ),
        Finding("pad", "", "What the accelerometer read at rest: samples, mean, noise, bias."),
        Finding("gravity", "", "Whether the readings hold gravity (included) or not (removed)."),
        Finding("gravity_from", "", "How that was told; correct with gravity=."),
        Finding("direction", "", "Which way the path points in the sensor's axes."),
        Finding("launch_angle_deg", "deg", "Angle of the path at launch, 90 straight up."),
        Finding("sensor_scale", "", "Scale of the accelerometer against height, and its u."),
        Finding("barometer_delay_s", "s", "Delay of the barometer that fits best."),
        Finding("clock_offset", "s", "Shift that brings two loggers' clocks together, s."),
        Finding("pressure_spike", "", "Highest sample left out as a pressure wave, and how many."),
        Finding("peak_time", "s", "When the peak acceleration was, s."),
        Finding("peak_is_one_sample", "", "The peak is a single sample that stands alone."),
        Finding(
            "logger_max_speed_m_s",
            "m/s",
            "What the logger itself wrote as speed, for comparison only.",
        ),
        Finding("acceleration_log", "", "Samples, left out, repeated times, gaps."),
        Finding("height_log", "", "Samples, left out, repeated times, gaps."),
        Finding("hand", "", "Estimate from boost_height and boost_duration."),
    ),
    files=(Files("", ("table",), "The log, or the logs, of one flight as CSV.", least=0, most=0),),
    readings=(
        Reading("site_pressure", "Pa", "Air pressure at the pad.", EXAMPLES["load.site_pressure"]),
        Reading(
            "site_temperature",
            "degC",
            "Air temperature at the pad.",
            EXAMPLES["load.site_temperature"],
            positive=False,
        ),
        Reading(
            "site_height",
            "m",
            "Height of the pad above the sea.",
            EXAMPLES["load.site_height"],
            positive=False,
        ),
        Reading(
            "launch_angle",
            "degree",
            "Launch angle above the horizon.",
            EXAMPLES["load.launch_angle"],
        ),
        Reading(
            "sensor_bandwidth",
            "Hz",
            "The accelerometer's own −3 dB frequency.",
            EXAMPLES["load.sensor_bandwidth"],
        ),
        Reading(
            "boost_height",
            "m",
            "Height gained in the push, for a hand estimate.",
            EXAMPLES["load.boost_height"],
        ),
        Reading(
            "boost_duration",
            "s",
            "Time of the push, for a hand estimate.",
            EXAMPLES["load.boost_duration"],
        ),
    ),
    options=(
        Option(
            "columns",
            "Which column is what, where the guess is wrong.",
            "time:t,height:alt",
            repeat=True,
        ),
        Option("units", "Units, where the guess is wrong.", "height:ft", repeat=True),
        Option(
            "gravity",
            "Whether the readings hold gravity, where the guess is wrong.",
            "included",
            ("included", "removed"),
        ),
        Option(
            "filter",
            "Channel class of SAE J211 for the acceleration.",
            "cfc60",
            ("none", "cfc60", "cfc180", "cfc600", "cfc1000"),
        ),
    ),
    setup="flight",
    minutes=10.0,
)
