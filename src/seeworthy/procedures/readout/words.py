"""What `readout` says and asks: steps, readings, options, findings."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.procedures.declare import Finding, Option, Reading, Step

# fmt: off
STEPS = (
    Step("Passing uprights: find poles, posts, a fence or window frames that stand straight, "
         "sharp and high in the picture. Film square to them, the camera held level."),
    Step("Let them pass in both directions in one clip (drive or walk there and back, pan both "
         "ways, or turn a table with uprights on it), the fastest crossing the picture in about "
         "a second or less. Bright light keeps them sharp. Ten seconds are plenty."),
    Step("Uprights that pass one way only serve too, if the camera's roll is known: set it up "
         "with a bubble level, and give roll; or let a sea horizon, or a rail set level and "
         "square to the view, run through the picture, and say so (option level); or let "
         "uprights stand still in the picture for a second before and after they pass. The "
         "interval is what the level leaves."),
    Step("Switch off any steadying of the picture (electronic, digital or video stabilisation): "
         "it moves and bends what the sensor saw, and with it the lean. Where you pan the "
         "camera, say that it is off (option steadying): a clip alone cannot show it."),
    Step("Cross-check by hand, if you like: note the speed, tape the distance to the uprights, "
         "and give the angle of view from the `view` test."),
    Step("Or a lamp: film a plain wall lit by one flickering lamp only, the camera still, in "
         "bright light (short exposure), for ten seconds, and give the frequency at which the "
         "light flickers. A lamp on the mains flickers at twice the mains frequency: 100 Hz on "
         "50 Hz mains, 120 Hz on 60 Hz mains. At least one dark band must fit the picture, and "
         "the bands must move from frame to frame."),
    Step("Or any clip of far things (option method=flight): a flight, or the camera shaken by hand "
         "for ten seconds, this way and that, briskly and unevenly, at land rich in detail, in "
         "bright light, steadying off. A turn that changes leans the rows; a steady one does not, "
         "and a motor's vibration hides it."),
)
# fmt: on

# fmt: off
FINDINGS = (
    Finding("uprights_used", "", "Separate uprights behind the value."),
    Finding("edges_used", "", "Edges followed from frame to frame."),
    Finding("edges_left_out", "", "Edges that did not agree with the others."),
    Finding("fastest_speed_px_s", "px/s", "Highest image speed used."),
    Finding("lean_px", "px", "Lean of the fast uprights over the frame, px."),
    Finding("both_directions", "", "Whether uprights passed both ways."),
    Finding("level", "",
            "What tells the camera's roll from the lean: both directions, a reading, uprights at "
            "rest."),
    Finding("roll_deg", "deg", "Lean of resting uprights in the middle: the camera's roll."),
    Finding("side_lean_deg", "deg", "Extra lean of resting uprights at the right side: pitch."),
    Finding("pitch_deg", "deg", "The camera's pitch, where hfov is given."),
    Finding("upright_scatter_deg", "deg",
            "How far single uprights stand off the common direction."),
    Finding("bend_percent", "%", "Lens bend found: shift at the middle of the frame's sides."),
    Finding("swept_widths", "", "How far the picture panned each way, in its widths."),
    Finding("rows_read", "", "Order in which the rows of the stored picture are read."),
    Finding("frame_interval_ms", "ms", "Median time between frames."),
    Finding("by_axis_ms", "ms", "By a flight's motion sideways, and up and down, each with its u."),
    Finding("moved_px", "px", "Motion from frame to frame that told it, rms."),
    Finding("bands_per_frame", "", "Lamp bands over the height of the frame."),
    Finding("flicker_frequency_hz", "Hz", "Flicker frequency used."),
    Finding("band_depth", "", "Relative strength of the bands."),
    Finding("hand_lean", "", "Where the lean of the hand method comes from."),
    Finding("methods_agree", "", "Whether the methods agree within their uncertainties."),
)
# fmt: on

# fmt: off
READINGS = (
    Reading("speed", "m/s", "Speed past the uprights (hand cross-check).",
            EXAMPLES["readout.speed"]),
    Reading("distance", "m", "From the camera to the uprights.", EXAMPLES["readout.distance"]),
    Reading("hfov", "deg", "Angle of view along the rows (test `view`).", EXAMPLES["readout.hfov"],
            measurand="hfov"),
    Reading("lamp_frequency", "Hz",
            "Frequency at which the light itself flickers: twice the mains frequency for a mains "
            "lamp (or give the mains frequency and --option lamp=mains).",
            EXAMPLES["readout.lamp_frequency"]),
    Reading("roll", "deg",
            "The camera's roll by a bubble level or plumb line, positive where it is turned "
            "clockwise as seen from behind: for uprights that pass in one direction only.",
            EXAMPLES["readout.roll"], positive=False),
    Reading("lean", "deg", "Lean of the uprights, read off a picture.", EXAMPLES["readout.lean"]),
)
# fmt: on

# fmt: off
OPTIONS = (
    Option("method", "Which method to use; found if not given, flight only where it is.", "lamp",
           ("passing", "lamp", "flight")),
    Option("lamp",
           "What lamp_frequency is: that of the light, or that of the mains (doubled here).",
           "mains", ("flicker", "mains")),
    Option("level",
           "What in the picture is level, for uprights that pass in one direction only: horizon, "
           "a sea horizon or a rail set level and square to the view (no road, roof or hills).",
           "horizon", ("uprights", "horizon")),
    Option("steadying",
           "Whether the camera steadied its picture: off where it cannot or was switched off.",
           "off", ("unknown", "off")),
    Option("size", "Frame size for the method by hand without a clip.", "1280x720"),
)
# fmt: on
