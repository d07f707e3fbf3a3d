"""Continuity: what is lost where the camera starts a new file, and when its power is cut."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="continuity",
    title="Continuity over files",
    question="What is lost where a new file starts, or when power is cut?",
    version=2,
    yields=(
        Measurand("gap", "gap between files", "s", better="less", least=0.0,
                  meaning="Time that is not recorded at each new file."),
        Measurand("lost_share", "share of time lost", "%", better="less", least=0.0,
                  meaning="Part of a recording that falls into gaps."),
        Measurand("segment_length", "length of one file", "min", better="more",
                  also=("loop", "loop length", "segment"), least=0.0,
                  meaning="How often the camera starts a new file."),
        Measurand("power_cut_failure", "power cuts that leave no file that opens", "%",
                  better="less", least=0.0,
                  meaning="How often the recording is gone when power dies."),
        Measurand("lost_on_power_cut", "time lost at a power cut", "s", better="less", least=0.0,
                  meaning="What is missing at the end of the file that a power cut leaves."),
    ),
    order=170,
    findings=(
        Finding("order", "", "Files as they follow each other."),
        Finding("ordered_by", "", "What the order rests on: clock, creation time or file name."),
        Finding("joints", "",
                "Gap at every joint by clock, sound and metadata, with standard uncertainty."),
        Finding("overlap_s", "s", "Time that two files in a row both hold, mean."),
        Finding("segment_rule", "",
                "Whether a new file starts by time or by size, or neither is seen."),
        Finding("unfinalised_files", "",
                "Files without an index, and what `recover` could save of them."),
        Finding("methods_agree", "", "Whether clock, sound and metadata agree."),
        Finding("clock_ppm", "ppm",
                "How much the files' time runs fast against the bench clock, ppm."),
        Finding("clock_ppm_u", "ppm", "Standard uncertainty of it.",
                title="clock, standard uncertainty"),
        Finding("lost_inside", "", "Time missing inside files that their stamps do not show."),
        Finding("power_cuts", "", "Power cuts made."),
        Finding("power_cut_files_opened", "", "Files that opened after a cut."),
        Finding("power_cut_bound_percent", "%",
                "Chance of losing a file, at most, one-sided 95 %."),
        Finding("power_cut_worst_s", "s",
                "Most that was missing at the end of a file that opened."),
    ),
    files=(
        Files("", ("clip",), "All files of one long recording, of the bench clock if can be.", 0,
              0),
        Files("recorder", ("clip",), "Sound of a second recorder that ran all the time.", 0),
        Files("cut", ("clip",), "Files left by power cuts, one per cut.", 0, 0),
    ),
    readings=(
        Reading("recorded", "s", "Seconds from start to power cut, per file.",
                EXAMPLES["continuity.recorded"], repeat=True),
        Reading("cuts", "", "How many times the power was cut.", EXAMPLES["continuity.cuts"]),
    ),
    options=(
        Option("mixed", "Take files as one recording though they differ.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Put the card that will fly into the camera, formatted there, and a full cell."),
        Step("Open the bench clock (`seeworthy target clock`, or Targets in `serve`) and fill "
             "most of the picture with it."),
        Step("Record until the camera has started a new file at least three times."),
        Step("No clock? Let a second recorder run beside the camera, with a radio on."),
        Step("Copy all files from the card under their own names and measure them together."),
        Step("Power cut: record for a timed minute, then take the power away; note the seconds."),
        Step("Do it five times or more; copy every file at once, and give them as cut=."),
        Step("Count every cut, also those without a file. `recover` may rebuild what is broken."),
    ),
    kit=("a laptop or phone as clock", "a stop watch", "a card that you can lose"),
    cautions=("flashing", "lithium", "power-cut"),
    setup="clock",
    minutes=60.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
