"""The measurands that Seeworthy brings: id, title, unit, better, meaning, by procedure."""

from __future__ import annotations

from typing import Literal

Better = Literal["more", "less", "nearer", "none"]
Row = tuple[str, str, str, Better, str]

TABLE: dict[str, tuple[Row, ...]] = {}


def _put(procedure: str, *rows: Row) -> None:
    TABLE[procedure] = rows


_put(
    "body",
    ("length", "length", "mm", "less", "Whether it fits the bay of the craft."),
    ("width", "width", "mm", "less", "Whether it fits the bay of the craft."),
    ("height", "height", "mm", "less", "Whether it fits the bay of the craft."),
    ("mass", "mass", "g", "less", "What the craft must lift; it moves the balance point."),
    ("volume", "volume of the enclosing box", "cm3", "less", "Space it takes in the bay."),
)
_put(
    "stream",
    (
        "bit_rate_mean",
        "mean bit rate",
        "Mbit/s",
        "more",
        "How fast the card fills; more keeps more detail.",
    ),
    (
        "bit_rate_peak",
        "peak bit rate in one second",
        "Mbit/s",
        "none",
        "What the card must keep up with.",
    ),
    ("duration", "duration", "s", "none", "How long the clip really is."),
)
_put(
    "timing",
    ("frame_rate", "frame rate", "Hz", "more", "Pictures per second that are really in the file."),
    ("frame_jitter", "frame jitter", "ms", "less", "Unevenness of motion."),
    (
        "rate_error",
        "clock rate error",
        "ppm",
        "nearer",
        "How fast the camera's clock drifts against true time.",
    ),
)
_put(
    "native",
    (
        "native_width",
        "native width",
        "px",
        "more",
        "Pixels across that the sensor really delivered, before any enlarging.",
    ),
    (
        "native_height",
        "native height",
        "px",
        "more",
        "Pixels down that the sensor really delivered, before any enlarging.",
    ),
)
_put(
    "pixel-aspect",
    ("pixel_aspect", "pixel aspect ratio", "", "nearer", "1 means that circles stay round."),
)
_put(
    "view",
    (
        "hfov",
        "horizontal angle of view",
        "deg",
        "none",
        "How much of the land you see from side to side.",
    ),
    ("vfov", "vertical angle of view", "deg", "none", "How much you see from top to bottom."),
    ("dfov", "diagonal angle of view", "deg", "none", "The figure sellers like to quote."),
    (
        "entrance_offset",
        "entrance pupil behind the lens front",
        "mm",
        "none",
        "Where the rays really meet; corrects the tape.",
    ),
)
_put(
    "lens",
    (
        "focal_length",
        "focal length",
        "px",
        "none",
        "Scale of the picture: pixels per unit of slope.",
    ),
    (
        "tv_distortion",
        "TV distortion",
        "%",
        "nearer",
        "How much straight lines bend; 0 is straight.",
    ),
    (
        "reprojection_rms",
        "reprojection error",
        "px",
        "less",
        "How well the lens model explains the target.",
    ),
)
_SFR = "Finest stripes that keep half of their contrast; 0.5 is the most a pixel grid can carry."
_put(
    "sharpness",
    *(
        (f"mtf50_{where}", f"MTF50, {where.replace('_', ' ')}", "cy/px", "more", _SFR)
        for where in (
            "centre",
            "top_left",
            "top",
            "top_right",
            "left",
            "right",
            "bottom_left",
            "bottom",
            "bottom_right",
            "corner_mean",
        )
    ),
    ("focus_evenness", "focus evenness", "", "nearer", "Corners against the centre; 1 is even."),
    (
        "decentring",
        "decentring",
        "",
        "nearer",
        "Sharpest corner over softest; 1 is a straight lens.",
    ),
    ("edge_overshoot", "edge overshoot", "%", "less", "In-camera sharpening: halos at edges."),
)
_put(
    "shading",
    (
        "corner_shading",
        "corner shading",
        "stops",
        "less",
        "How dark the corners are, mean of four.",
    ),
    (
        "corner_shading_worst",
        "worst corner shading",
        "stops",
        "less",
        "How dark the darkest corner is.",
    ),
    ("colour_shading", "colour shading", "", "less", "Largest tint against the centre, in Δu'v'."),
)
_DE = "Colour difference against the reference: 1 is just visible, over 10 is another colour."
_put(
    "colour",
    *(
        (f"de00_{stat}{suffix}", f"colour difference, {words}{after}", "", "less", _DE)
        for suffix, after in (("", ""), ("_matched", ", exposure matched"))
        for stat, words in (("mean", "mean"), ("p95", "95th percentile"), ("max", "largest"))
    ),
    (
        "chroma_ratio",
        "chroma ratio",
        "",
        "nearer",
        "Below 1 is washed out, above 1 is oversaturated.",
    ),
    ("white_shift", "white shift", "", "less", "Tint of white against the reference, in Δu'v'."),
    (
        "de00_mean_corrected",
        "colour difference after the best matrix",
        "",
        "less",
        "What is left after correction in post.",
    ),
)
_put(
    "readout",
    (
        "readout_time",
        "read-out time",
        "ms",
        "less",
        "First to last row; makes uprights lean and pictures wobble.",
    ),
    ("row_time", "row time", "µs", "less", "Time from one row to the next."),
    ("skew_at", "lean of uprights", "deg", "less", "Lean at a stated speed, distance and view."),
)
_put(
    "noise",
    (
        "snr_18",
        "signal to noise at 18 % grey",
        "dB",
        "more",
        "Grain in mid-tones; 20 dB is grainy, 40 dB is clean.",
    ),
    (
        "temporal_noise",
        "temporal noise",
        "%",
        "less",
        "Flicker of single pixels, of full scale, linear.",
    ),
    (
        "fixed_pattern_noise",
        "fixed pattern noise",
        "%",
        "less",
        "Pattern that stays, of full scale, linear.",
    ),
    (
        "dynamic_range",
        "dynamic range",
        "stops",
        "more",
        "From clipping down to where noise equals signal.",
    ),
)
_put(
    "low-light",
    ("sharpness_kept", "sharpness kept", "", "more", "MTF50 against bright light."),
    (
        "usable_lux",
        "least usable light",
        "lx",
        "less",
        "Light below which the picture stops being usable.",
    ),
)
_put(
    "exposure",
    ("exposure_time", "exposure time", "ms", "less", "Longer means more motion blur."),
    (
        "adaptation_time",
        "exposure adaptation time",
        "s",
        "less",
        "Time to get used to a change of light.",
    ),
)
_put(
    "battery",
    ("run_time", "running time", "min", "more", "How long it records on one charge."),
    ("run_time_slope", "running time per kelvin", "min/K", "nearer", "What the cold costs."),
    ("mean_power", "mean power", "W", "less", "What it draws from the cell."),
)
_put(
    "continuity",
    (
        "segment_length",
        "length of one file",
        "min",
        "more",
        "How often the camera starts a new file.",
    ),
    ("gap", "gap between files", "s", "less", "Time that is not recorded at each new file."),
    ("lost_share", "share of time lost", "%", "less", "Part of a recording that falls into gaps."),
    (
        "power_cut_failure",
        "power cuts that leave no file that opens",
        "%",
        "less",
        "How often the recording is gone when power dies.",
    ),
    (
        "lost_on_power_cut",
        "time lost at a power cut",
        "s",
        "less",
        "What is missing at the end of the file that a power cut leaves.",
    ),
)
_put(
    "endurance",
    ("record_time", "recording time", "h", "more", "Until card, battery or a file rule stops it."),
)
_put(
    "load",
    (
        "peak_acceleration",
        "peak acceleration along the path",
        "m/s2",
        "none",
        "Largest change of speed, without gravity.",
    ),
    (
        "mean_boost_acceleration",
        "mean acceleration in boost",
        "m/s2",
        "none",
        "Average change of speed in boost.",
    ),
    (
        "felt_peak",
        "largest felt load",
        "g",
        "less",
        "What an accelerometer bolted to the camera reads.",
    ),
    ("boost_time", "boost time", "s", "none", "From first push to burnout or release."),
    ("max_speed", "largest speed", "m/s", "none", "Along the flight path."),
    ("apogee", "largest height", "m", "none", "Above the launch site."),
    (
        "landing_peak",
        "landing deceleration",
        "m/s2",
        "less",
        "Largest change of speed at touch-down.",
    ),
)
_put(
    "survival",
    (
        "failure_bound",
        "upper bound of failure probability",
        "",
        "less",
        "Per flight, at 95 % confidence.",
    ),
    (
        "flights_survived",
        "flights survived",
        "",
        "more",
        "Flights after which the camera measured the same.",
    ),
    ("sharpness_change", "change of sharpness", "", "nearer", "After over before; 1 is unchanged."),
    (
        "decentring_change",
        "change of decentring",
        "",
        "nearer",
        "After over before; 1 is unchanged.",
    ),
    (
        "timing_change",
        "change of frame rate",
        "ppm",
        "nearer",
        "After against before; 0 is unchanged.",
    ),
)
_put(
    "sound",
    ("noise_floor", "noise floor", "dBFS", "less", "Level in silence below full scale (dBFS)."),
    (
        "clipping_share",
        "share of clipped samples",
        "%",
        "less",
        "Part of the sound that hits the ceiling.",
    ),
    ("audio_rate_error", "sample rate error", "ppm", "nearer", "Drift of sound against true time."),
    ("band_low", "lower band limit", "Hz", "less", "Where the bass has fallen by 6 dB."),
    ("band_high", "upper band limit", "Hz", "more", "Where the treble has fallen by 6 dB."),
)
_put(
    "sync",
    ("av_offset", "sound against picture", "ms", "nearer", "Positive: the sound comes late."),
    (
        "av_drift",
        "drift of sound against picture",
        "ppm",
        "nearer",
        "Growth of the offset with time.",
    ),
)
