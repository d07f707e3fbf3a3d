"""Sound: how quiet, how loud, how wide, and whether two channels are two."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="sound",
    title="Sound",
    question="How good is its sound, and are two channels really two?",
    version=3,
    yields=(
        Measurand("noise_floor", "noise floor", "dBFS", better="less", also=("hiss",),
                  feels=("temperature",), meaning="Level in silence below full scale (dBFS)."),
        Measurand("clipping_share", "share of clipped samples", "%", better="less", of_take=True,
                  least=0.0, meaning="Part of the sound that hits the ceiling."),
        Measurand("audio_rate_error", "sample rate error", "ppm", better="nearer", ideal=0.0,
                  feels=("temperature",), meaning="Drift of sound against true time."),
        Measurand("band_low", "lower band limit", "Hz", better="less", feels=("temperature",),
                  least=0.0, meaning="Where the bass has fallen by 6 dB."),
        Measurand("band_high", "upper band limit", "Hz", better="more", feels=("temperature",),
                  least=0.0, meaning="Where the treble has fallen by 6 dB."),
    ),
    order=210,
    findings=(
        Finding("audio_codec", "", "How the sound is coded."),
        Finding("audio_rate", "Hz", "Samples per second by the file."),
        Finding("audio_channels", "", "Number of channels."),
        Finding("channels_identical", "",
                "Whether two channels carry one and the same sound; none where coding hides it."),
        Finding("channel_difference_db", "dB",
                "Difference of the channels against their level, below 4 kHz."),
        Finding("peak_level_dbfs", "dBFS", "Highest sample, dB below full scale."),
    ),
    files=(
        Files("", ("clip",), "A clip with sound: ten quiet seconds, then a sweep if you like."),
    ),
    readings=(
        Reading("tone", "Hz", "Frequency of a steady tone that was played.",
                EXAMPLES["sound.tone"]),
    ),
    options=(
        Option("quiet", "Where it was quiet, in seconds of the clip.", "3-8"),
        Option("sweep", "Insist on a sweep (refuse when none is heard).", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Wrap the camera in a towel in a quiet room and record ten seconds of silence."),
        Step("Lay it 30 cm from a loudspeaker and play the sweep of the clock page, not too loud."),
        Step("For the sample rate, play a steady tone for thirty seconds and type its frequency."),
        Step("Stop the recording and measure the file as it comes from the card."),
    ),
    kit=("a quiet room", "a towel", "a loudspeaker (a phone lacks bass)"),
    cautions=("hearing",),
    setup="clock",
    minutes=5.0,
    conclude=later(__name__, "conclude"),
    look=False,
)
# fmt: on
