"""Endurance: how long it records until card, battery or a file rule stops it."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import (
    Files,
    Finding,
    Option,
    Procedure,
    Reading,
    Step,
    Way,
    later,
)

# fmt: off
PROCEDURE = Procedure(
    id="endurance",
    title="Recording time",
    question="How long does it record, and what stops it?",
    version=1,
    yields=(
        Measurand("record_time", "recording time", "h", better="more",
                  also=("recording time", "card life"), least=0.0,
                  meaning="Until card, battery or a file rule stops it."),
    ),
    order=180,
    steps=(
        Step("Film a minute or more of what a flight shows: moving land, sky, trees. A picture "
             "that hardly moves needs fewer bits than a flight."),
        Step("Read the size of the card off its label; take the running time from `battery`."),
        Step("Let one long recording run and look whether the camera stops at a full file or "
             "goes on with a new one (`continuity` measures the gap)."),
    ),
    cautions=("lithium",),
    kit=("card", "long recording"),
    findings=(
        Finding("binds", "", "What stops it first."),
        Finding("binds_share", "", "Probability of that."),
        Finding("limits", "", "Hours that each limit alone would allow."),
        Finding("bit_rate", "", "What the card has to take: pictures, sound and container."),
        Finding("bit_rate_5_95", "Mbit/s", "Range that holds 90 % of the seconds, Mbit/s."),
        Finding("speed_class", "", "Smallest mark of each family that promises the peak."),
        Finding("file_system", "", "File system that the file limit is taken from."),
        Finding("time_per_file", "", "Until a file has grown to the limit."),
        Finding("lost_share", "", "Share of time lost at new files."),
    ),
    files=(
        Files("", ("clip",), "Clips of what a flight shows, for the bit rate.", least=0, most=0),
    ),
    readings=(
        Reading("card", "GB", "Size of the card as on its label (decimal).",
                EXAMPLES["endurance.card"]),
        Reading("bit_rate", "Mbit/s", "Bit rate, where there is no clip.",
                EXAMPLES["endurance.bit_rate"]),
        Reading("audio_rate", "Mbit/s", "Bit rate of the sound.", EXAMPLES["endurance.audio_rate"]),
        Reading("run_time", "min", "Running time on one charge.", EXAMPLES["endurance.run_time"]),
        Reading("file_limit", "GB", "Largest file, if not that of FAT32.",
                EXAMPLES["endurance.file_limit"]),
        Reading("file_time", "min", "Longest file by the camera's own rule.",
                EXAMPLES["endurance.file_time"]),
        Reading("segment", "min", "Length of one file.", EXAMPLES["endurance.segment"]),
        Reading("gap", "s", "Gap between files.", EXAMPLES["endurance.gap"]),
    ),
    options=(
        Option("file_rule", "What the camera does when a file is full.", "continues",
               choices=("continues", "stops")),
        Option("filesystem", "File system of the card.", "fat32", choices=("fat32", "exfat")),
    ),
    ways=(
        Way("clip", "With a clip that shows such a flight", ()),
        Way("rate", "By a bit rate that I know", ("bit_rate",)),
    ),
    conclude=later(__name__, "conclude"),
    setup="card",
    minutes=5,
)
# fmt: on
