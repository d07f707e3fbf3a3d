"""What the file says about itself: container, codec, level, bit rate, sound."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Procedure, Step, later

# fmt: off
_FINDINGS = (
    Finding("container", "", "File format: mp4, mov, avi, matroska …", title="file type",
            better="none", claimed=True),
    Finding("finalised", "",
            "Whether the recorder closed the file; null where the format does not tell."),
    Finding("created", "", "Date and time by the recorder's clock, null where it was not set."),
    Finding("fragmented", "",
            "Whether the file is written in fragments, which survive a power cut."),
    Finding("codec", "", "How the pictures are coded.", title="codec", better="none", claimed=True),
    Finding("profile", "", "Profile the stream declares."),
    Finding("level", "", "Level the stream declares: what a player must be able to do."),
    Finding("level_needed", "", "Lowest level that the stream keeps within (H.264 only)."),
    Finding("level_conforms", "",
            "Whether the stream keeps within its declared level; null where unknown."),
    Finding("level_reasons", "", "What goes beyond the declared level."),
    Finding("width_px", "px", "Stored pixels across.", title="picture width", better="more",
            claimed=True, also=("resolution", "width in pixels")),
    Finding("height_px", "px", "Stored pixels down.", title="picture height", better="more",
            claimed=True),
    Finding("bits", "", "Bits per sample."),
    Finding("pixel_format", "", "How samples are laid out."),
    Finding("sample_aspect", "",
            "Width to height of a pixel by the stream, null where it does not say."),
    Finding("sample_aspect_container", "", "The same by the container."),
    Finding("stretch", "",
            "How much wider players that follow the container show it than the stream says."),
    Finding("rotation", "deg", "Degrees clockwise that a player turns the picture."),
    Finding("scan", "",
            "Whole pictures (progressive) or two fields (interlaced), and which field is first: "
            "by what the pictures show where something moves, else by the stream's flag; null "
            "undecoded."),
    Finding("steadied", "",
            "Whether the camera steadied its picture (yes, no, cannot tell): rows that lean more "
            "than the picture moves from frame to frame; null undecoded.",
            title="electronic steadying"),
    Finding("steadied_by", "", "What that rests on."),
    Finding("captions", "",
            "Coding of each track of subtitles: players lay them over, they are no stamp."),
    Finding("colour_tags", "",
            "Range, matrix, transfer and primaries (ITU-T H.273) by the stream."),
    Finding("colour_tags_container", "", "The same by the container."),
    Finding("frames", "", "Pictures in the file by its packets."),
    Finding("frames_stated", "", "Pictures in the file by its header."),
    Finding("nominal_rate", "Hz", "Frame rate by the container, Hz."),
    Finding("stream_rate", "Hz", "Frame rate by the stream's own timing, Hz."),
    Finding("gop", "", "Median number of pictures from one key picture to the next."),
    Finding("gop_range", "", "Least and greatest number."),
    Finding("b_frames", "", "Longest run of pictures stored out of order; 0 means none."),
    Finding("bit_rate_spread", "Mbit/s",
            "5, 50 and 95 % of the seconds are below these bit rates, Mbit/s."),
    Finding("file_bit_rate", "Mbit/s",
            "All that the file holds over its duration, Mbit/s: what fills the card."),
    Finding("duration_stated", "s", "Duration by the container's header, s."),
    Finding("audio_codec", "", "How the sound is coded, null without sound."),
    Finding("audio_rate", "Hz", "Samples per second."),
    Finding("audio_channels", "", "Channels of sound."),
    Finding("audio_bits", "", "Bits per sample; null where the codec keeps no samples."),
    Finding("audio_bit_rate", "Mbit/s", "Of the sound, Mbit/s."),
)
# fmt: on

# fmt: off
PROCEDURE = Procedure(
    id="stream",
    title="What the file says",
    question="What does the camera write, and does it keep to its own label?",
    version=4,
    yields=(
        Measurand("bit_rate_mean", "mean bit rate", "Mbit/s", better="more",
                  also=("bitrate", "bit rate", "data rate"), of_take=True, least=0.0,
                  meaning="How fast the card fills; more keeps more detail."),
        Measurand("bit_rate_peak", "peak bit rate in one second", "Mbit/s", of_take=True, least=0.0,
                  meaning="What the card must keep up with."),
        Measurand("duration", "duration", "s", of_take=True, least=0.0,
                  meaning="How long the clip really is."),
    ),
    order=20,
    findings=_FINDINGS,
    files=(Files("", ("clip",), "Any clip, as the camera wrote it, not sent through a program."),),
    steps=(
        Step("Film a scene like those you fly over, for at least ten seconds."),
        Step("Stop the recording with the camera's own button, so that it closes the file."),
        Step("Copy the file from the card by card reader, without any program that converts it."),
    ),
    kit=("the camera", "a card reader"),
    setup="any clip",
    minutes=2.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
    look=True,
)
# fmt: on
