"""What a planned flight will look like through a camera, with intervals and verdicts.

Every prediction is a Monte Carlo over the camera's figures and the plan's own
uncertainties. A verdict is about pictures and recording, never about flight safety.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seeworthy.ground.quantities import Quantity
from seeworthy.judge.plan.camera import Draws, FlownCamera
from seeworthy.judge.plan.flight import PlannedFlight
from seeworthy.judge.plan.on_ground import ground_detail, ground_pixel, ground_width
from seeworthy.judge.plan.prediction import NO_VIEW, Prediction, judged, not_known
from seeworthy.procedures.endurance.measure import USABLE


def predict(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    """Return every prediction that the plan asks for, missing ones included."""
    found: list[Prediction] = []
    for make in (
        _lean,
        _stretch,
        _wobble,
        _blur,
        ground_width,
        ground_pixel,
        ground_detail,
        _recording,
        _cold,
        _gaps,
        _load,
    ):
        found += make(flight, camera)
    return found


@dataclass(frozen=True)
class _Speeds:
    """Image speeds in px/s: along width, along height, and turning in rad/s."""

    width: Draws
    height: Draws
    turning: Draws


def image_speeds(flight: PlannedFlight, camera: FlownCamera) -> _Speeds | None:
    """Return the largest image speeds of the flight, None when the view is not known."""
    focal = camera.focal()
    if focal is None or camera.frame is None:
        return None
    zero = np.zeros(camera.draws)
    parts = {"width": zero.copy(), "height": zero.copy(), "turns": zero.copy()}
    parts[flight.word("moves_along")] += _passing(flight, camera, focal)
    spin = flight.get("motion.spin")
    if spin is not None:
        rate = 2 * np.pi * camera.quantity(spin)
        moves = flight.word("spin_moves")
        parts[moves] += rate if moves == "turns" else focal * rate
    swing, period = flight.get("motion.swing"), flight.get("motion.swing_period")
    if swing is not None and period is not None:
        # Fastest in the middle of a sinusoidal swing.
        rate = np.radians(camera.quantity(swing)) * 2 * np.pi / camera.quantity(period)
        moves = flight.word("swing_moves")
        parts[moves] += rate if moves == "turns" else focal * rate
    return _Speeds(*(np.abs(parts[k]) for k in ("width", "height", "turns")))


def _passing(flight: PlannedFlight, camera: FlownCamera, focal: Draws) -> Draws:
    speed, distance = flight.get("motion.speed"), flight.get("motion.distance")
    pairs: list[tuple[Quantity, Quantity]] = [(leg.speed, leg.distance) for leg in flight.legs]
    if not pairs and speed is not None and distance is not None:
        pairs = [(speed, distance)]
    if not pairs:
        return np.zeros(camera.draws)
    assert camera.frame is not None
    # Looking ahead, the world streams out of the middle: fastest at the edge of the frame.
    scale = focal if flight.word("looks") != "ahead" else np.full(camera.draws, camera.frame[0] / 2)
    fastest = max(pairs, key=lambda p: p[0].value / max(p[1].value, 1e-9))
    return scale * camera.quantity(fastest[0]) / np.maximum(camera.quantity(fastest[1]), 1e-3)


_READ = "Measure the read-out time (readout)."


_SAY_MOTION = (
    "Say how the craft turns: spin (turns per second) or swing with its period; "
    "'0 Hz' where it does not."
)


_SAY_ALL = (
    "Say how it moves: speed, height or distance, and spin or swing; '0 Hz' where it does not turn."
)


def _motion_said(flight: PlannedFlight) -> bool:
    named = (flight.get(f"motion.{n}") for n in ("speed", "spin", "swing"))
    return bool(flight.legs) or any(v is not None for v in named)


def _turning_said(found: Prediction, flight: PlannedFlight) -> Prediction:
    """Take 'fine' back where the plan says nothing of roll or swing: they add to it."""
    if flight.get("motion.spin") is not None or flight.get("motion.swing") is not None:
        return found
    if found.verdict in ("fine", "may not do", "told"):
        return replace(found, verdict="not known", missing=_SAY_MOTION)
    return found


def _base(flight: PlannedFlight, camera: FlownCamera) -> tuple[_Speeds, Draws] | str:
    readout = camera.first("readout_time")
    if readout is None:
        return _READ
    speeds = image_speeds(flight, camera)
    return NO_VIEW if speeds is None else (speeds, np.maximum(readout, 0.0) / 1000)


def _lean(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    base = _base(flight, camera)
    if not isinstance(base, str) and not _motion_said(flight):
        base = _SAY_ALL  # what is not said is not nought
    if isinstance(base, str):
        return not_known("lean", "lean of uprights", "deg", base)
    speeds, readout = base
    assert camera.frame is not None
    shift = speeds.width * readout
    # Turning about the line of sight leans lines by the angle turned during the read-out.
    lean = np.degrees(np.arctan(shift / camera.frame[1]) + speeds.turning * readout)
    why = "Image speed along the rows times read-out time, over the height of the frame."
    held = judged("lean", "lean of uprights", "deg", lean, flight.accept.get("lean"), why)
    over = judged("lean_px", "lean over the frame", "px", shift, None, why)
    return [_turning_said(held, flight), over]


def _stretch(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    base = _base(flight, camera)
    if isinstance(base, str):
        return []
    speeds, readout = base
    assert camera.frame is not None
    if float(speeds.height.max()) == 0:
        return []
    share = 100 * speeds.height * readout / camera.frame[1]
    why = "Image speed along the columns times read-out time, over the height of the frame."
    return [judged("stretch", "stretch or squeeze of heights", "%", share, None, why)]


def _sine_travel(amplitude: Draws, frequency: Draws, time: Draws) -> Draws:
    """Largest travel of a sinusoid within a time: 2a sin(pi f t), 2a from half a period on."""
    phase = np.minimum(np.pi * frequency * time, np.pi / 2)
    return np.asarray(2 * amplitude * np.sin(phase))


def _vibration(flight: PlannedFlight, camera: FlownCamera) -> tuple[Draws, Draws] | None:
    size, frequency = flight.get("motion.vibration"), flight.get("motion.vibration_frequency")
    focal = camera.focal()
    if size is None or frequency is None or focal is None:
        return None
    from seeworthy.ground.units import same_dimension

    if same_dimension(size.unit or "deg", "deg"):
        amplitude = focal * np.tan(np.radians(np.abs(camera.quantity(size.to("deg")))))
    else:
        distance = flight.get("motion.distance")
        if distance is None:
            return None
        length = np.abs(camera.quantity(size.to("m")))
        amplitude = focal * length / np.maximum(camera.quantity(distance), 1e-3)
    return amplitude, np.maximum(camera.quantity(frequency), 0.0)


def vibration_of(flight: PlannedFlight, camera: FlownCamera) -> tuple[float, float]:
    """Return the planned vibration as (amplitude in px, Hz); zeros where none is planned."""
    found = _vibration(flight, camera)
    if found is None:
        return 0.0, 0.0
    return float(np.median(found[0])), float(np.median(found[1]))


def _wobble(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    title = "wobble within a frame"
    if flight.get("motion.vibration") is None and flight.word("spin_moves") != "turns":
        return []
    base = _base(flight, camera)
    if isinstance(base, str):
        return not_known("wobble", title, "px", base)
    speeds, readout = base
    assert camera.frame is not None
    radius = float(np.hypot(*camera.frame)) / 2
    travel = speeds.turning * readout / 2 * radius
    vibration = _vibration(flight, camera)
    if vibration is not None:
        travel = travel + _sine_travel(*vibration, readout)
    why = "Travel of the picture between its first and last row, by vibration and turning."
    return [judged("wobble", title, "px", travel, flight.accept.get("wobble"), why)]


def _blur(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    title = "motion blur"
    exposure, remark = camera.exposure(flight.get("scene.light"))
    if exposure is None:
        return not_known("blur", title, "px", "Measure the exposure time in that light (exposure).")
    speeds = image_speeds(flight, camera)
    if speeds is None:
        return not_known("blur", title, "px", NO_VIEW)
    assert camera.frame is not None
    radius = float(np.hypot(*camera.frame)) / 2
    time = np.maximum(exposure, 0.0) / 1000
    blur = np.hypot(speeds.width, speeds.height) * time + speeds.turning * radius * time
    vibration = _vibration(flight, camera)
    if vibration is not None:
        blur = np.hypot(blur, _sine_travel(*vibration, time))
    why = " ".join(("Largest image speed times exposure time.", remark)).strip()
    held = judged("blur", title, "px", blur, flight.accept.get("blur"), why)
    return [_turning_said(held, flight)]


def _recording(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    duration = flight.get("recording.duration")
    if duration is None:
        return []
    title = "card margin"
    minutes = _card_minutes(flight, camera)
    if minutes is None:
        return not_known("card_margin", title, "", "Measure endurance, or stream and plan a card.")
    ratio = minutes / np.maximum(camera.quantity(duration), 1e-3)
    why = "Recording time of the card over the flight's duration; below 1 it is full too early."
    return [judged("card_margin", title, "", ratio, 1.0, why, least=True)]


def _card_minutes(flight: PlannedFlight, camera: FlownCamera) -> Draws | None:
    card, rate = flight.get("recording.card"), camera.first("bit_rate_mean")
    if card is not None and rate is not None:
        usable = camera.quantity(card) * camera.uniform(*USABLE)
        return np.asarray(usable * 8000 / np.maximum(rate, 1e-3) / 60)
    hours = camera.first("record_time")
    return None if hours is None else hours * 60


def _cold(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    duration = flight.get("recording.duration")
    if duration is None or flight.word("power") == "external":
        return []
    title = "battery margin"
    minutes, remark = camera.run_time(flight.get("scene.temperature"))
    if minutes is None:
        return not_known("battery_margin", title, "", "Measure the running time (battery).")
    ratio = minutes / np.maximum(camera.quantity(duration), 1e-3)
    why = "Running time at the flight's temperature over its duration. " + remark
    return [judged("battery_margin", title, "", ratio, 1.0, why.strip(), least=True)]


def _gaps(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    duration = flight.get("recording.duration")
    if duration is None:
        return []
    segment, gap = camera.first("segment_length"), camera.first("gap")
    title = "time lost between files"
    if segment is None or gap is None:
        return not_known(
            "lost_time", title, "s", "Measure what is lost between two files (continuity)."
        )
    length = np.maximum(segment, 1e-3)
    count = np.floor(camera.quantity(duration) / length)
    why = "Files that begin during the flight times the gap between two files."
    found = [judged("lost_time", title, "s", count * np.maximum(gap, 0), None, why)]
    boost = flight.get("load.boost_time")
    if boost is not None:
        share = 100 * np.clip((camera.quantity(boost) / 60 + gap / 60) / length, 0, 1)
        text = "A gap falls into the boost when a file ends there: (boost + gap) over file length."
        found.append(judged("boost_in_gap", "chance of a gap in the boost", "%", share, None, text))
    return found


def _load(flight: PlannedFlight, camera: FlownCamera) -> list[Prediction]:
    peak = flight.get("load.peak")
    if peak is None:
        return []
    title = "load against loads survived"
    if camera.survived is None:
        return not_known("load_margin", title, "", "Log a flight and check the camera (survival).")
    load, flights = camera.survived
    ratio = load / np.maximum(camera.quantity(peak), 1e-3)
    bound = camera.failure_bound
    chance = f", failure at most {100 * bound:.0f} % per flight at 95 %" if bound else ""
    why = (
        f"Highest load survived ({load:.3g} g, {flights} flight{'s' if flights != 1 else ''}"
        f"{chance}) over the planned one. Survived is not rated."
    )
    return [judged("load_margin", title, "", ratio, 1.0, why, least=True)]
