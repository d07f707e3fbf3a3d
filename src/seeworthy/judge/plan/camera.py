"""A camera's measured figures as a plan draws on them (Monte Carlo, JCGM 101:2008).

Each method returns draws of one quantity at the flight's conditions, or None when the
bench has no figure. What lies outside anything measured is widened, and said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Result
from seeworthy.ground.uncertainty import Uncertain

Draws = npt.NDArray[np.float64]

# One cell type lost 0.7 % of its energy per kelvin down to 0 °C (Kollmeyer, doi:10.17632/
# wykht8y7tg.1); small camera cells vary, so the draw spans none to twice that.
_COLD_LOSS = (0.0, 0.015)


@dataclass
class FlownCamera:
    """Figures of one camera, with a source of draws.

    Args:
        results: mapping of measurand to results. All current results of the camera (one unit and
            firmware).
        frame: (width, height) or None. Pixels of the delivered frame, from `stream`.
        survived: (load in g, number of flights) or None. Highest felt load after which the camera
            measured the same.
    """

    name: str
    results: Mapping[str, Sequence[Result]]
    frame: tuple[int, int] | None = None
    survived: tuple[float, int] | None = None
    failure_bound: float | None = None
    draws: int = 20_000
    seed: int = 1
    notes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._rng = np.random.default_rng(self.seed)
        self._cache: dict[int, Draws] = {}

    def draw(self, result: Result) -> Draws:
        """Return draws of one result (the same ones each time it is asked for)."""
        key = id(result)
        if key not in self._cache:
            self._cache[key] = result.uncertain.draws(self._rng, self.draws)
        return self._cache[key]

    def quantity(self, value: Quantity) -> Draws:
        """Return draws of a planned quantity."""
        return Uncertain(value.value, value.u).draws(self._rng, self.draws)

    def uniform(self, low: float, high: float) -> Draws:
        """Return draws of a rectangular distribution."""
        return self._rng.uniform(low, high, self.draws)

    def next_run(self, result: Result) -> Draws:
        """Return draws of the next run, min, from the mean of `n` measured ones.

        A flight is one run, not the mean of many: its standard uncertainty is that of the
        mean times the root of n + 1, with the mean's degrees of freedom (prediction
        interval). A predicted result is of the next run already; a bound stays a bound.
        """
        found = result.uncertain
        if found.shape != "t" or str(result.conditions.get("method", "")).startswith("predicted"):
            return self.draw(result)
        u = found.u * math.sqrt(1 + max(1, result.n or 1))
        key = -id(result)
        if key not in self._cache:
            self._cache[key] = Uncertain(found.value, u, found.dof).draws(self._rng, self.draws)
        return self._cache[key]

    def first(self, measurand: str) -> Draws | None:
        """Return draws of a measurand's most certain result."""
        found = self.results.get(measurand, ())
        if not found:
            return None
        return self.draw(most_certain(found))

    def focal(self) -> Draws | None:
        """Return focal length in pixels: from `lens`, else from the angle of view."""
        mode = None if self.frame is None else "{}x{}".format(*self.frame)
        found = [
            r for r in self.results.get("focal_length", ())
            if mode is None or r.conditions.get("frame", mode) == mode
        ]  # fmt: skip
        if found:  # pixels of another mode's frame are not those of this one
            return self.draw(most_certain(found))
        if self.frame is None:
            return None
        for name, side in (("hfov", 0), ("vfov", 1)):
            angle = self.first(name)
            if angle is not None:
                return np.asarray(self.frame[side] / 2 / np.tan(np.radians(angle) / 2))
        return None

    def stripe(self, lines: Draws | None) -> Draws | None:
        """Return the width of the finest stripe over its distance, in the middle of the picture.

        Args:
            lines: Draws of MTF50 in LW/PH: one line is a stripe.
        """
        focal = self.focal()
        if focal is None or self.frame is None or lines is None:
            return None
        # The picture height is at the distance d as wide as d times rows over focal length.
        return np.asarray(min(self.frame) / focal / np.maximum(lines, 1.0))

    def exposure(self, light: Quantity | None) -> tuple[Draws | None, str]:
        """Return exposure time in ms at a light level, and a remark.

        Between measured levels log time is interpolated in log light; outside them
        the truth lies between 'the same' and 'as the light', drawn evenly.
        """
        found = [r for r in self.results.get("exposure_time", ()) if r.value > 0]
        if not found:
            return None, ""
        lit = sorted((r for r in found if r.conditions.get("light")), key=_light)
        if light is None or not lit:
            return self.draw(most_certain(found)), (
                "The exposure time was taken as measured; its light is not known."
            )
        target = np.log(np.maximum(self.quantity(light), 1e-3))
        levels = np.log([_light(r) for r in lit])
        times = np.stack([np.log(np.maximum(self.draw(r), 1e-3)) for r in lit])
        low, high = levels[0], levels[-1]
        middle = float(np.log(light.value))
        if low - 0.05 <= middle <= high + 0.05:
            inside = np.clip(target, low, high)
            k = np.clip(np.searchsorted(levels, inside) - 1, 0, max(0, len(levels) - 2))
            if len(levels) == 1:
                return np.exp(times[0]), ""
            share = (inside - levels[k]) / (levels[k + 1] - levels[k])
            rows = np.arange(self.draws)
            return np.exp(times[k, rows] * (1 - share) + times[k + 1, rows] * share), ""
        edge = 0 if middle < low else -1
        # An exposure follows the light until it meets its limit.
        part = self.uniform(0.0, 1.0)
        drawn = times[edge] - part * (target - levels[edge])
        word = "darker" if edge == 0 else "brighter"
        return np.exp(drawn), (
            f"The flight is {word} than any measured exposure ({np.exp(levels[edge]):.3g} lx): "
            "extrapolated and widened."
        )

    def run_time(self, temperature: Quantity | None) -> tuple[Draws | None, str]:
        """Return running time in minutes at a temperature, and a remark."""
        found = [r for r in self.results.get("run_time", ()) if r.value > 0]
        if not found:
            return None, ""
        if temperature is None:
            return self.next_run(most_certain(found)), "The temperature is not planned."
        at = self.quantity(temperature)
        known = [r for r in found if r.conditions.get("temperature") is not None]
        if not known:
            return self._colder(found[0], 20.0, at), (
                "The running time was measured at an unknown temperature, taken as room."
            )
        known.sort(key=lambda r: abs(float(r.conditions["temperature"]) - temperature.value))
        near = known[0]
        here = float(near.conditions["temperature"])
        slope = self._slope(known)
        away = temperature.value - here
        if slope is None:
            remark = (
                ""
                if abs(away) <= 3
                else (
                    f"Only measured at {here:.0f} °C: the cold is estimated from one published "
                    "cell and widened. Test at a second temperature."
                )
            )
            return self._colder(near, here, at), remark
        spread = [float(r.conditions["temperature"]) for r in known]
        outside = max(min(spread) - temperature.value, temperature.value - max(spread), 0.0)
        drawn = self.next_run(near) + slope * (at - here)
        remark = ""
        if outside > 10:
            drawn = drawn * (1 + self.uniform(-0.01, 0.01) * outside)
            remark = f"{outside:.0f} K beyond anything measured: extrapolated and widened."
        return np.maximum(drawn, 0.0), remark

    def _slope(self, known: Sequence[Result]) -> Draws | None:
        slope = self.first("run_time_slope")
        if slope is not None:
            return slope
        temperatures = {float(r.conditions["temperature"]) for r in known}
        if len(temperatures) < 2:
            return None
        low = min(known, key=lambda r: float(r.conditions["temperature"]))
        high = max(known, key=lambda r: float(r.conditions["temperature"]))
        span = float(high.conditions["temperature"]) - float(low.conditions["temperature"])
        return (self.draw(high) - self.draw(low)) / span

    def _colder(self, result: Result, here: float, at: Draws) -> Draws:
        loss = self.uniform(*_COLD_LOSS)
        return np.maximum(self.next_run(result) * (1 - loss * np.maximum(here - at, 0.0)), 0.0)


def most_certain(found: Sequence[Result]) -> Result:
    """Return the result with the narrowest interval."""
    return min(found, key=lambda r: r.interval[1] - r.interval[0])


def _light(result: Result) -> float:
    return float(result.conditions["light"])
