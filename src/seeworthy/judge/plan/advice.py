"""What to change so that a plan passes: each change is tried, not guessed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from seeworthy.ground.quantities import Quantity
from seeworthy.judge.plan.camera import FlownCamera
from seeworthy.judge.plan.flight import PlannedFlight
from seeworthy.judge.plan.predict import predict
from seeworthy.judge.plan.prediction import Prediction


@dataclass(frozen=True)
class Advice:
    """A change that helps.

    Attributes:
        text: What to do.
        mends: Titles of predictions that become fine by it.
        spoils: Titles that were fine and are not any more.
    """

    text: str
    mends: tuple[str, ...]
    spoils: tuple[str, ...]


def _scaled(value: Quantity, factor: float) -> Quantity:
    return replace(value, value=value.value * factor, u=value.u * factor)


def _turn(flight: PlannedFlight) -> PlannedFlight | None:
    swap = {"width": "height", "height": "width", "turns": "turns"}
    names = ("moves_along", "spin_moves", "swing_moves")
    return flight.with_words(**{n: swap[flight.word(n)] for n in names})


def _scale(name: str, factor: float) -> Callable[[PlannedFlight], PlannedFlight | None]:
    def change(flight: PlannedFlight) -> PlannedFlight | None:
        value = flight.get(name)
        if value is None:
            return None
        return flight.with_given(**{name.replace(".", "__"): _scaled(value, factor)})

    return change


def _legs(which: str, factor: float) -> Callable[[PlannedFlight], PlannedFlight | None]:
    def change(flight: PlannedFlight) -> PlannedFlight | None:
        if not flight.legs:
            return _scale(f"motion.{which}", factor)(flight)
        speed, distance = (factor if which == w else 1.0 for w in ("speed", "distance"))
        legs = tuple(
            replace(leg, speed=_scaled(leg.speed, speed), distance=_scaled(leg.distance, distance))
            for leg in flight.legs
        )
        return replace(flight, legs=legs)

    return change


def _external(flight: PlannedFlight) -> PlannedFlight | None:
    return None if flight.word("power") == "external" else flight.with_words(power="external")


CHANGES: tuple[tuple[str, Callable[[PlannedFlight], PlannedFlight | None]], ...] = (
    ("Turn the camera by 90°, so that the world passes along the columns.", _turn),
    ("Fly at half the speed.", _legs("speed", 0.5)),
    ("Fly twice as high (or keep twice the distance).", _legs("distance", 2.0)),
    ("Fly at half the height (or half the distance).", _legs("distance", 0.5)),
    ("Wait for four times the light.", _scale("scene.light", 4.0)),
    ("Damp the vibration to a quarter.", _scale("motion.vibration", 0.25)),
    ("Damp the swing to half.", _scale("motion.swing", 0.5)),
    ("Spin at half the rate.", _scale("motion.spin", 0.5)),
    ("Take a card of twice the size.", _scale("recording.card", 2.0)),
    ("Power the camera externally.", _external),
    ("Record for half the time.", _scale("recording.duration", 0.5)),
)

_BAD = ("may not do", "will not do")


def advise(
    flight: PlannedFlight, camera: Callable[[], FlownCamera], predictions: Sequence[Prediction]
) -> list[Advice]:
    """Try every change and return those that mend something.

    Args:
        camera: Makes a fresh one (same seed), so that changes are compared on equal draws.
        predictions: Of the flight as planned.
    """
    bad = {p.name for p in predictions if p.verdict in _BAD}
    good = {p.name for p in predictions if p.verdict == "fine"}
    found = []
    for text, change in CHANGES if bad else ():
        other = change(flight)
        if other is None:
            continue
        after = predict(other, camera())
        # What is not asked any more (own battery with external power) counts as mended.
        names = {p.name: p for p in after}
        mends = [
            p.title
            for p in predictions
            if p.name in bad and (p.name not in names or names[p.name].verdict == "fine")
        ]
        spoils = [p.title for p in after if p.name in good and p.verdict in _BAD]
        if mends:
            found.append(Advice(text, tuple(mends), tuple(spoils)))
    return sorted(found, key=lambda a: (len(a.spoils), -len(a.mends)))
