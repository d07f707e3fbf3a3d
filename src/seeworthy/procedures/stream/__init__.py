"""What the file says about itself: container, codec, level, bit rate, sound."""

from __future__ import annotations

from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Procedure, Step, later

_FINDINGS = {
    "container": "File format: mp4, mov, avi, matroska …",
    "finalised": "Whether the recorder closed the file; null where the format does not tell.",
    "created": "Date and time by the recorder's clock, null where it was not set.",
    "fragmented": "Whether the file is written in fragments, which survive a power cut.",
    "codec": "How the pictures are coded.",
    "profile": "Profile the stream declares.",
    "level": "Level the stream declares: what a player must be able to do.",
    "level_needed": "Lowest level that the stream keeps within (H.264 only).",
    "level_conforms": "Whether the stream keeps within its declared level; null where unknown.",
    "level_reasons": "What goes beyond the declared level.",
    "width_px": "Stored pixels across.",
    "height_px": "Stored pixels down.",
    "bits": "Bits per sample.",
    "pixel_format": "How samples are laid out.",
    "sample_aspect": "Width to height of a pixel by the stream, null where it does not say.",
    "sample_aspect_container": "The same by the container.",
    "stretch": "How much wider players that follow the container show it than the stream says.",
    "rotation": "Degrees clockwise that a player turns the picture.",
    "scan": (
        "Whole pictures (progressive) or two fields (interlaced), and which field is first: by "
        "what the pictures show where something moves, else by the stream's flag; null undecoded."
    ),
    "captions": "Coding of each track of subtitles: players lay them over, they are no stamp.",
    "colour_tags": "Range, matrix, transfer and primaries (ITU-T H.273) by the stream.",
    "colour_tags_container": "The same by the container.",
    "frames": "Pictures in the file by its packets.",
    "frames_stated": "Pictures in the file by its header.",
    "nominal_rate": "Frame rate by the container, Hz.",
    "stream_rate": "Frame rate by the stream's own timing, Hz.",
    "gop": "Median number of pictures from one key picture to the next.",
    "gop_range": "Least and greatest number.",
    "b_frames": "Longest run of pictures stored out of order; 0 means none.",
    "bit_rate_spread": "5, 50 and 95 % of the seconds are below these bit rates, Mbit/s.",
    "file_bit_rate": "All that the file holds over its duration, Mbit/s: what fills the card.",
    "duration_stated": "Duration by the container's header, s.",
    "audio_codec": "How the sound is coded, null without sound.",
    "audio_rate": "Samples per second.",
    "audio_channels": "Channels of sound.",
    "audio_bits": "Bits per sample; null where the codec keeps no samples.",
    "audio_bit_rate": "Of the sound, Mbit/s.",
}

PROCEDURE = Procedure(
    id="stream",
    title="What the file says",
    question="What does the camera write, and does it keep to its own label?",
    version=2,
    yields=(
        Measurand(
            "bit_rate_mean",
            "mean bit rate",
            "Mbit/s",
            better="more",
            meaning="How fast the card fills; more keeps more detail.",
        ),
        Measurand(
            "bit_rate_peak",
            "peak bit rate in one second",
            "Mbit/s",
            meaning="What the card must keep up with.",
        ),
        Measurand("duration", "duration", "s", meaning="How long the clip really is."),
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
