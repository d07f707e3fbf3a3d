"""Motion: how the craft turned, from its own clip."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Option, Procedure, Reading, Step, Way, later

# fmt: off
PROCEDURE = Procedure(
    id="motion",
    title="Motion of the craft",
    question="How much did the craft turn, swing and shake on this flight?",
    version=4,
    yields=(
        Measurand("unrest", "unrest", "deg/s", better="less", least=0.0,
                  meaning="Rotation on all axes together, rms; its interval says what another "
                          "flight like it would show.", feels=(), of_take=True),
        Measurand("rotation_rms", "rotation, rms", "deg/s", better="less", least=0.0,
                  meaning="How fast the camera turned about one axis on this clip.", feels=(),
                  of_take=True),
        Measurand("rotation_p95", "rotation, 95 % below", "deg/s", better="less", least=0.0,
                  meaning="What the rate about one axis stayed below for 95 % of this clip.",
                  feels=(), of_take=True),
        Measurand("swing_period", "period of the swing", "s", least=0.0,
                  meaning="One swing to and fro.", feels=(), of_take=True),
        Measurand("swing", "half swing", "deg", better="less", least=0.0,
                  meaning="How far the camera swings to either side.", feels=(), of_take=True),
        Measurand("vibration_frequency", "vibration frequency", "Hz", least=0.0,
                  meaning="The strongest shake above the swings.", feels=(), of_take=True),
        Measurand("vibration", "vibration", "deg", better="less", least=0.0,
                  meaning="How far that shake turns the camera to either side.", feels=(),
                  of_take=True),
    ),
    order=235,
    steps=(
        Step("Switch steadying off: a steadied picture hides how the craft moved."),
        Step("Fly as you mean to, with ground, houses or trees in view; half a minute will do."),
        Step("Note how the camera was hung or mounted, to compare mounts later."),
        Step("Read `hfov` off the camera's bench (`view` or `lens`, the mode that was flown)."),
        Step("With the read-out time (`readout`) the clip tells vibration above its frame rate."),
    ),
    conclude=later(__name__, "conclude"),
    prepare=later(__name__, "prepare"),
    cautions=("airspace", "propellers", "launch", "lithium", "sun", "verdict"),
    findings={
        "spin_hz": "mean turns per second about the axis ahead",
        "bands_deg_s": "rms of each axis in bands of frequency, Hz",
        "fastest_seen_hz": "frequency up to which this clip tells vibration",
        "swing": "what the swing rests on, or that none stands out",
        "vibration": "what the vibration rests on, or that none stands out",
        "followed": "share of frames whose motion could be followed",
        "points": "points followed per frame",
        "noise_deg_s": "what the tracking adds of itself, rms, each axis",
        "way_deg_s": "what the way flown could pass for in yaw and pitch, by speed and distance",
        "mount": "how the camera was hung",
    },
    files=(Files("", ("clip",), "A clip of the flight, steadying off."),),
    readings=(
        Reading("hfov", "degree", "The angle of view across.", EXAMPLES["motion.hfov"],
                required=True, measurand="hfov"),
        Reading("readout_time", "ms", "The read-out time, from the first row to the last.",
                EXAMPLES["motion.readout_time"], measurand="readout_time"),
        Reading("speed", "m/s", "Speed over the ground, to say what the way flown could pass for.",
                EXAMPLES["motion.speed"]),
        Reading("distance", "m", "Distance of what fills the picture.",
                EXAMPLES["motion.distance"]),
    ),
    options=(
        Option("mount", "How the camera was hung, for `compare --by mount`.", "pendulum"),
        Option("lens",
               "Whether the lens keeps straight lines straight or draws equal angles equally "
               "long; narrows the answer.", "straight", ("straight", "equal")),
        Option("rows", "Where rows are read from.", "top", ("top", "bottom")),
    ),
    ways=(
        Way("swing", "How it turns and swings", ("speed", "distance", "lens")),
        Way("shake", "How it vibrates, too", ("speed", "distance", "lens", "readout_time", "rows")),
    ),
    whole_pictures=True,
    setup="flight",
    minutes=2.0,
)
# fmt: on
