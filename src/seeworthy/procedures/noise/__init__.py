"""Noise: grain over time and fixed pattern, at every step of a grey scale."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import (
    TONE_CURVE,
    Files,
    Finding,
    Option,
    Procedure,
    Reading,
    Step,
    later,
)

# fmt: off
PROCEDURE = Procedure(
    id="noise",
    title="Noise",
    question="How grainy is the picture, and how far down do its darks reach?",
    version=4,
    yields=(
        Measurand("snr_18", "signal to noise at 18 % grey", "dB", better="more",
                  also=("noise", "snr", "grain"),
                  meaning="Grain in mid-tones; 20 dB is grainy, 40 dB is clean."),
        Measurand("temporal_noise", "temporal noise", "%", better="less",
                  feels=("light", "temperature"), least=0.0,
                  meaning="Flicker of single pixels, of full scale, linear."),
        Measurand("fixed_pattern_noise", "fixed pattern noise", "%", better="less",
                  feels=("light", "temperature"), least=0.0,
                  meaning="Pattern that stays, of full scale, linear."),
        Measurand("dynamic_range", "dynamic range", "stops", better="more",
                  feels=("light", "temperature"), also=("latitude",), least=0.0,
                  meaning="From clipping down to where noise equals signal; at least what a step "
                          "shows."),
    ),
    order=130,
    findings=(
        Finding("snr_per_level_db", "dB", "Signal over temporal noise of every patch."),
        Finding("masked_levels", "",
                "Patches whose noise is too small, or too often repeated, to be told."),
        Finding("patches_from", "",
                "Our grey steps, marked regions, or flat places of any still scene."),
        Finding("grey_is", "", "What 18 % is taken of: a surface, or full scale of the picture."),
        Finding("left_out", "", "Patches that were clipped or too small."),
        Finding("frames", "", "Frames that were kept, in pairs of neighbours."),
        Finding("frames_from", "", "First and last of them in the clip."),
        Finding("key_frames", "", "Key frames seen."),
        Finding("repeated_frames", "", "Frames equal to the one before to the last bit; left out."),
        Finding("repeated_blocks_percent", "%", "Blocks that the encoder repeated unchanged."),
        Finding("noise_between_neighbours_percent", "%",
                "Noise between neighbouring frames, of that between far ones; 100 without "
                "encoder."),
        Finding("noise_smear", "", "Correlation of the noise of neighbouring pixels."),
        Finding("coded", "", "Whether an encoder took noise away."),
        Finding("filtered", "", "Whether noise is tied over time or space, as by denoising."),
        Finding("coding_took_at_least_db", "dB",
                "Least by which the encoder lifted SNR over the sensor's own."),
        Finding("flicker_percent", "%", "The light's own flicker from frame to frame, rms."),
        Finding("bands_percent", "%", "What whole rows do together, rms."),
        Finding("tone_slope", "",
                "Power of the picture's light over the scene's; 1 is as the file says."),
        Finding("tone", "", "Where the slope comes from that refers SNR to the scene."),
        Finding("dynamic_range_model_stops", "stops",
                "What a law of read and photon noise makes of it; extrapolated below the darkest "
                "step."),
        Finding("dsnu_percent", "%", "Spread of the pixels' dark levels, of full scale."),
        Finding("prnu_percent", "%", "Spread of the pixels' sensitivities, of the light."),
    ),
    files=(
        Files("", ("clip",), "Ten still seconds of the grey steps, on a tripod."),
        Files("ladder", ("clip",),
              "The same in less and less light, nothing moved and the camera's exposure held: the "
              "dynamic range is then seen at both ends.", 0, 0),
        TONE_CURVE,
    ),
    readings=(
        Reading("light", "text",
                "What the light meter shows at the scale; of a ladder once for each clip, in "
                "order.", EXAMPLES["noise.light"], repeat=True),
        Reading("densities", "text", "The measured density of every step, in order.",
                EXAMPLES["noise.densities"]),
    ),
    options=(
        Option("region", "A patch, even and flat: x,y,w,h in px.", "600,300,60,60", (), True),
        Option("limit", "Signal over noise at which the dynamic range ends; default 1.", "10"),
        Option("mirrored", "The camera mirrors its picture.", "yes", ("yes", "no")),
    ),
    steps=(
        Step("Print the grey steps (seeworthy target greys), matt, and fix them flat on a wall."),
        Step("Light them evenly by daylight or lamps that do not flicker; no gloss."),
        Step("Read the light meter at the scale."),
        Step("Camera on a tripod, the scale filling the frame, a little out of focus."),
        Step("Switch sharpening and denoising off if it can be; the highest bit rate."),
        Step("Record ten seconds or more without touching anything."),
        Step("For the dynamic range itself a ladder down to black: sheets of neutral film on a "
             "light box (region= and densities=), or, where the camera can hold its exposure, "
             "the scale again with a stop of light less each time (ladder=, light= for each)."),
    ),
    kit=("the printed grey steps", "a tripod or clamp", "even light", "a light meter"),
    setup="greys",
    drawing="target",
    minutes=6.0,
    prepare=later(__name__, "prepare"),
    conclude=later(__name__, "conclude"),
)
# fmt: on
