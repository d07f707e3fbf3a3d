"""One unit over time, before and after a firmware, and the spread between units."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.measurands import measurand as entry_of
from seeworthy.ground.plain import picked
from seeworthy.ground.statistics import holm
from seeworthy.ground.uncertainty import effective_dof, interval, two_sided
from seeworthy.judge.compare.combine import Origin, combine, speaking
from seeworthy.judge.compare.differences import LEVEL, Value

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench


@dataclass(frozen=True, slots=True)
class Trend:
    """Change of one measurand of one unit per year.

    Attributes:
        slope, u: Per year, in the unit of the measurand.
        interval: 95 %, Student's t, of this trend alone.
        dof: Degrees of freedom of `u` (Welch–Satterthwaite).
        days: From first to last take.
        p, p_corrected: Probability of as steep a line if nothing changed, alone and after Holm's
            correction over all that is shown with it.
    """

    slope: float
    u: float
    interval: tuple[float, float]
    dof: float
    takes: int
    days: int
    p: float
    p_corrected: float

    @property
    def changes(self) -> bool:
        """True where the slope is told apart from zero, whatever else is shown."""
        return self.p_corrected < LEVEL

    @property
    def word(self) -> str:
        """The verdict."""
        return "changes" if self.changes else "no change seen"


def trend(origins: Sequence[Origin]) -> Trend:
    """Fit a straight line over the days of takes of one unit and measurand, like conditions.

    Weighted least squares; scatter about the line beyond the stated uncertainties is added to them.

    Raises:
        CannotMeasure: Fewer than three takes, or all on one day.
    """
    days = np.array([o.taken.toordinal() for o in origins], float)
    if len(days) < 3 or np.ptp(days) == 0:
        raise CannotMeasure(
            "A trend needs three takes on different days.", "Repeat the test another day."
        )
    y = np.array([o.result.value for o in origins])
    u = np.array([o.result.u for o in origins])
    x = (days - days.mean()) / 365.25
    exact = bool((u <= 0).any())  # a count: the scatter about the line is all that is uncertain
    w = np.ones_like(u) if exact else 1 / u**2
    centre = float((w * x).sum() / w.sum())
    spread = float((w * (x - centre) ** 2).sum())
    slope = float((w * (x - centre) * y).sum() / spread)
    level = float((w * y).sum() / w.sum())
    chi2 = float((w * (y - level - slope * (x - centre)) ** 2).sum())
    dof = len(x) - 2
    # Scatter beyond the stated uncertainties is a component of its own, known with n − 2
    # degrees of freedom; the stated ones are known as they are (as in `combine`).
    stated = 1 / math.sqrt(spread)
    excess = stated * math.sqrt(max(0.0, chi2 / dof - (not exact)))
    if exact:
        stated = 0.0
    error = math.hypot(stated, excess)
    known = effective_dof([(stated, math.inf), (excess, dof)])
    p = two_sided(slope / error, known) if error > 0 else float(slope == 0)
    ends = interval(slope, error, known)
    return Trend(slope, error, ends, known, len(x), int(np.ptp(days)), p, p)


@dataclass(frozen=True, slots=True)
class Spread:
    """How much units of one model differ beyond what the measurement explains.

    Attributes:
        mean, u: Of the model: random-effects mean and its standard uncertainty.
        between: Standard deviation between units (0 when the measurement explains it all).
        p, p_corrected: Probability of as much scatter if all units were equal (Cochran's Q), alone
            and after Holm's correction over all that is shown with it.
    """

    mean: float
    u: float
    between: float
    units: int
    p: float
    p_corrected: float

    @property
    def differ(self) -> bool:
        """True where equal units would hardly scatter as much, whatever else is shown."""
        return self.p_corrected < LEVEL

    @property
    def word(self) -> str:
        """The verdict."""
        return "units differ" if self.differ else "no difference seen"


def spread_of_units(values: Sequence[Value]) -> Spread:
    """Estimate the spread between units (DerSimonian and Laird, Control. Clin. Trials 7, 1986).

    Raises:
        CannotMeasure: Fewer than two units.
    """
    if len(values) < 2:
        raise CannotMeasure("A spread needs two units.", "Measure a second unit of the camera.")
    y = np.array([v.value for v in values])
    if any(v.u <= 0 for v in values):  # exact facts differ, or they do not
        scatter = float(y.std(ddof=1))
        p = float(scatter == 0)
        return Spread(float(y.mean()), scatter / math.sqrt(len(y)), scatter, len(y), p, p)
    w = 1 / np.array([v.u for v in values]) ** 2
    mean = float((w * y).sum() / w.sum())
    q = float((w * (y - mean) ** 2).sum())
    dof = len(y) - 1
    scale = float(w.sum() - (w**2).sum() / w.sum())
    tau2 = max(0.0, (q - dof) / scale)
    star = 1 / (1 / w + tau2)
    centre = float((star * y).sum() / star.sum())
    p = float(special.chdtrc(dof, q))
    return Spread(centre, 1 / math.sqrt(float(star.sum())), math.sqrt(tau2), len(y), p, p)


def values_by_unit(origins: Sequence[Origin]) -> list[Value]:
    """Combine takes per unit (one measurand, like conditions)."""
    per: dict[str, list[Origin]] = {}
    for origin in origins:
        per.setdefault(f"{origin.camera} {origin.unit}".strip(), []).append(origin)
    return [combine(name, [o.result for o in found]) for name, found in per.items()]


@dataclass(frozen=True, slots=True)
class Lasting:
    """Trends and spreads of a bench: one line per measurand, like conditions, and subject."""

    trends: tuple[tuple[str, str, str, Trend], ...]
    spreads: tuple[tuple[str, str, str, Spread], ...]

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        trend = "per_year=slope u interval dof takes days p p_corrected changes"
        return {
            "trends": [
                {"unit": unit, "measurand": name, "conditions": like, **picked(t, trend)}
                for unit, name, like, t in self.trends
            ],
            "spreads": [
                {"camera": camera, "measurand": name, "conditions": like,
                 **picked(s, "mean u between_units=between units p p_corrected differ")}
                for camera, name, like, s in self.spreads
            ],
        }  # fmt: skip


def lasting(bench: Bench, cameras: Sequence[str] = ()) -> Lasting:
    """Return the trend of every unit over time and the spread between units of a camera.

    Only what three takes on different days, or two units, can tell. Everything that is shown is
    one family of tests: of forty trends of cameras that do not change, two would else be called
    a change (Holm 1979).
    """
    from seeworthy.bench.cameras import get_camera
    from seeworthy.bench.outcomes import list_results
    from seeworthy.judge.compare.like import sort_alike

    names = {get_camera(bench, c).name for c in cameras}
    groups: dict[tuple[str, str], list[Origin]] = {}
    # What a unit did with an older firmware is part of its history.
    speak, _ = speaking(list_results(bench), firmware_apart=True)
    for stored in speak:
        if (not names or stored.camera in names) and not entry_of(stored.result.measurand).of_take:
            groups.setdefault((stored.camera, stored.result.measurand), []).append(stored)
    trends: list[tuple[str, str, str, Trend]] = []
    spreads: list[tuple[str, str, str, Spread]] = []
    for (camera, measurand), origins in groups.items():
        for like, members in sort_alike(o.result for o in origins):
            found = [origins[i] for i in members]
            for unit in dict.fromkeys(o.unit for o in found):
                with suppress(CannotMeasure):
                    mine = [o for o in found if o.unit == unit]
                    line = (f"{camera} {unit}".strip(), measurand, str(like), trend(mine))
                    trends.append(line)
            with suppress(CannotMeasure):
                values = values_by_unit(found)
                spreads.append((camera, measurand, str(like), spread_of_units(values)))
    return _corrected(trends, spreads)


def _corrected(
    trends: Sequence[tuple[str, str, str, Trend]], spreads: Sequence[tuple[str, str, str, Spread]]
) -> Lasting:
    """Correct the probabilities over all trends and spreads that stand beside each other."""
    together = holm(np.array([t[3].p for t in trends] + [s[3].p for s in spreads], float))
    p = [float(x) for x in together]
    return Lasting(
        tuple((*t[:3], replace(t[3], p_corrected=x)) for t, x in zip(trends, p, strict=False)),
        tuple(
            (*s[:3], replace(s[3], p_corrected=x))
            for s, x in zip(spreads, p[len(trends) :], strict=True)
        ),
    )
