"""A clip of a flight as the plan: swing, spin and vibration as they were, not as guessed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import WrongCall
from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Outcome
from seeworthy.judge.plan.flight import ACCEPT, PlannedFlight

# Along which side of the frame a rotation moves the picture.
_MOVES = {"pitch": "height", "yaw": "width", "roll": "turns"}
# Slower is drift, not spin: a turn in less than a minute (a judgement).
_LEAST_SPIN = 0.02


def flight_from_clip(
    clip: str | Path, hfov: str, readout: str = "", base: PlannedFlight | None = None
) -> PlannedFlight:
    """Make a plan from the motion that a clip shows.

    What a clip cannot say (speed, height, light, card) comes from `base`.

    Args:
        hfov, readout: View across and read-out time of the camera that took it, as typed; the
            second may be empty.
        base: A plan whose other lines are kept.

    Raises:
        WrongCall: The view is missing.
        CannotMeasure: The clip shows no motion that can be followed.
    """
    if not hfov:
        raise WrongCall(
            "A clip tells angles only with the view of the camera that took it.",
            f'Add --clip-hfov "{EXAMPLES["motion.hfov"]}".',
        )
    readings = {"hfov": [hfov], **({"readout_time": [readout]} if readout else {})}
    outcome = measure("motion", [clip], readings=readings).outcome
    return flight_from_motion(outcome, f"As filmed: {Path(clip).stem}", base)


def flight_from_motion(
    outcome: Outcome, title: str, base: PlannedFlight | None = None
) -> PlannedFlight:
    """Make a plan from what `motion` has found, see `flight_from_clip`."""
    found = {r.measurand: r for r in outcome.results}
    given = dict(base.given) if base is not None else {}
    words = dict(base.words) if base is not None else {"looks": "down"}
    # A clip without a swing or a shake says that there is none to plan for.
    for name in ("spin", "swing", "swing_period", "vibration", "vibration_frequency"):
        given.pop(f"motion.{name}", None)
    if "swing" in found and "swing_period" in found:
        given["motion.swing"] = Quantity(found["swing"].value, "deg", found["swing"].u)
        period = found["swing_period"]
        given["motion.swing_period"] = Quantity(period.value, "s", period.u)
        words["swing_moves"] = _MOVES[str(period.conditions["axis"])]
    if "vibration" in found and "vibration_frequency" in found:
        given["motion.vibration"] = Quantity(found["vibration"].value, "deg", found["vibration"].u)
        fast = found["vibration_frequency"]
        given["motion.vibration_frequency"] = Quantity(fast.value, "Hz", fast.u)
    spin = abs(float(outcome.findings.get("spin_hz", 0.0)))
    if spin > _LEAST_SPIN:
        given["motion.spin"] = Quantity(spin, "Hz", 0.1 * spin)
        words["spin_moves"] = "turns"
    if base is None:
        return PlannedFlight(title, given, words, dict(ACCEPT))
    return replace(base, given=given, words=words)
