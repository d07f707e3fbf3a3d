"""Running time on one charge: repeats, what the cold costs, runs that were cut short."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.lines import LinearFit, fit_linear
from seeworthy.ground.propagation import Propagated, propagate
from seeworthy.ground.statistics import mean_t
from seeworthy.ground.uncertainty import coverage_factor

Floats = NDArray[np.float64]
Model = Literal["straight line", "Arrhenius"]

ASSUMED_SCATTER = 0.05
"""Run-to-run standard deviation taken where nothing was repeated, share (a judgement)."""
ASSUMED_DOF = 2.0
"""Weight of that judgement: itself uncertain by half (JCGM 100:2008, G.4.2)."""
SAME_TEMPERATURE = 2.0
"""Runs closer than this, K, count as repeats at one temperature."""
REACH = 10.0
"""How far outside the measured temperatures a prediction goes without a warning, K."""
_KELVIN = 273.15  # 0 °C in K (exact)


@dataclass(frozen=True, slots=True)
class BatteryRun:
    """One run on a full charge.

    Attributes:
        minutes, u: Length and standard uncertainty of its reading, min.
        temperature, u_temperature: degC; None where it was not read.
        complete: False when something else than the cell ended it: a lower bound.
    """

    minutes: float
    u: float
    temperature: float | None = None
    u_temperature: float = 0.0
    complete: bool = True


@dataclass(frozen=True, slots=True)
class RunLevel:
    """Runs at one temperature.

    Attributes:
        temperature: Mean, degC.
        n: Complete runs.
        value, u, dof: Mean running time in minutes; NaN where no run was complete.
        at_least: Longest run that was cut short, min; 0 where there is none.
        scatter: {"own", "pooled", "assumed"}. Where the run-to-run scatter in `u` comes from.
        reading: What the watch leaves open, min; part of `u`.
    """

    temperature: float | None
    n: int
    value: float
    u: float
    dof: float
    at_least: float
    scatter: Literal["own", "pooled", "assumed"]
    reading: float = 0.0

    @property
    def budget(self) -> tuple[Component, ...]:
        """What `u` is made of."""
        spread = math.sqrt(max(self.u**2 - self.reading**2, 0.0))
        where = {
            "own": "scatter", "pooled": "scatter at the other temperatures",
            "assumed": f"judgement: {100 * ASSUMED_SCATTER:.0f} % from run to run",
        }  # fmt: skip
        return (
            Component("scatter from run to run", spread, "min", source=where[self.scatter]),
            Component("reading of the watch", self.reading, "min", source="reading"),
        )


def group_runs(runs: Sequence[BatteryRun]) -> list[list[BatteryRun]]:
    """Put runs at one temperature together, coldest first; unknown temperatures last."""
    known = sorted((r for r in runs if r.temperature is not None), key=_temperature)
    groups: list[list[BatteryRun]] = []
    for run in known:
        if groups and _temperature(run) - _temperature(groups[-1][0]) <= SAME_TEMPERATURE:
            groups[-1].append(run)
        else:
            groups.append([run])
    unknown = [r for r in runs if r.temperature is None]
    return [*groups, unknown] if unknown else groups


def _temperature(run: BatteryRun) -> float:
    return math.nan if run.temperature is None else run.temperature


def levels(runs: Sequence[BatteryRun]) -> list[RunLevel]:
    """Return mean running time with uncertainty per temperature.

    Three repeats speak for themselves. With fewer the scatter, as a share of the
    running time, is pooled from the other temperatures; where nothing was repeated
    it is assumed (`ASSUMED_SCATTER`) and said.
    """
    groups = group_runs(runs)
    share, dof = _pooled(groups)
    return [_level(group, share, dof) for group in groups]


def _pooled(groups: Sequence[Sequence[BatteryRun]]) -> tuple[float, float]:
    """Return the pooled run-to-run scatter (share of the mean) and its degrees of freedom."""
    total, dof = 0.0, 0
    for group in groups:
        times = [r.minutes for r in group if r.complete]
        if len(times) > 1:
            mean = mean_t(times)
            total += (len(times) - 1) * (mean.s / mean.value) ** 2
            dof += len(times) - 1
    return (math.sqrt(total / dof), float(dof)) if dof > 1 else (math.nan, 0.0)


def _level(group: Sequence[BatteryRun], share: float, dof: float) -> RunLevel:
    known = [_temperature(r) for r in group if r.temperature is not None]
    temperature = sum(known) / len(known) if known else None
    times = np.array([r.minutes for r in group if r.complete])
    at_least = max((r.minutes for r in group if not r.complete), default=0.0)
    reading = max((r.u for r in group if r.complete), default=0.0)
    n = len(times)
    if n == 0:
        return RunLevel(temperature, 0, math.nan, math.nan, math.nan, at_least, "own")
    if n >= 3:
        value, u, own_dof = _mean(group)
        total = math.hypot(u, reading)
        return RunLevel(
            temperature, n, value, total, own_dof * (total / u) ** 4 if u else math.inf, at_least,
            "own", reading,
        )  # fmt: skip
    value = float(times.mean())
    scatter: Literal["pooled", "assumed"] = "pooled" if dof else "assumed"
    spread = (share if dof else ASSUMED_SCATTER) * value / math.sqrt(n)
    total = math.hypot(spread, reading)
    own_dof = (dof or ASSUMED_DOF) * (total / spread) ** 4
    return RunLevel(temperature, n, value, total, own_dof, at_least, scatter, reading)


def _mean(group: Sequence[BatteryRun]) -> tuple[float, float, float]:
    """Return mean, u and degrees of freedom, runs cut short as lower bounds."""
    y = np.array([r.minutes for r in group])
    complete = np.array([r.complete for r in group])
    fit = censored_fit(np.ones((len(y), 1)), y, complete)
    return float(fit.coefficients[0]), float(fit.us[0]), float(fit.dof)


def censored_fit(design: Floats, y: Floats, complete: NDArray[np.bool_]) -> LinearFit:
    """Fit ``y = design · c`` where some `y` are lower bounds, by maximum likelihood.

    Normal scatter; a complete run contributes its density, a run that was cut short
    the probability of lasting longer (Tobin 1958, Econometrica 26, 24; from memory).
    The scatter is corrected for the coefficients as in least squares.

    Args:
        design: ndarray, shape (n, p)
        y: ndarray, shape (n,)
        complete: ndarray of bool, shape (n,)

    Raises:
        ValueError: No more complete runs than coefficients.
    """
    k, p = int(complete.sum()), design.shape[1]
    if k <= p:
        raise ValueError(f"{p} coefficients with scatter need more than {p} complete runs")
    start = fit_linear(design[complete], y[complete])
    scale = max(start.s, 1e-9 * float(np.abs(y).max()))
    bounds = y[~complete]
    # A bound far below the line says nothing; leaving it out saves the search.
    if not len(bounds) or np.all(bounds < design[~complete] @ start.coefficients - 6 * scale):
        return start
    theta, inverse = _maximise(design, y, complete, start.coefficients, scale)
    widen = k / (k - p)
    s = scale * math.exp(theta[-1]) * math.sqrt(widen)
    c = start.coefficients + scale * theta[:-1]
    covariance = inverse[:-1, :-1] * scale**2 * widen
    return LinearFit(c, covariance, s, k - p, y - design @ c)


def _maximise(
    design: Floats, y: Floats, complete: NDArray[np.bool_], centre: Floats, scale: float
) -> tuple[Floats, Floats]:
    """Return the best (shift of the coefficients in units of scale, log s/scale), covariance."""
    residual = (y - design @ centre) / scale

    def loss(theta: Floats) -> float:
        z = (residual - design @ theta[:-1]) * math.exp(-theta[-1])
        ended = complete.sum() * theta[-1] + 0.5 * float((z[complete] ** 2).sum())
        return float(ended - special.log_ndtr(-z[~complete]).sum())

    begin = np.zeros(design.shape[1] + 1)
    found: Any = optimize.minimize(
        loss, begin, method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 4000}
    )
    theta = np.asarray(found.x, dtype=float)
    covariance: Floats = np.asarray(np.linalg.inv(_hessian(loss, theta)), dtype=float)
    return theta, covariance


def _hessian(f: Any, x: Floats) -> Floats:
    n, step = len(x), 1e-3
    out = np.empty((n, n))
    eye = np.eye(n) * step
    for i in range(n):
        for j in range(n):
            a, b = eye[i], eye[j]
            out[i, j] = f(x + a + b) - f(x + a - b) - f(x - a + b) + f(x - a - b)
    return np.asarray(out / (4 * step * step), dtype=float)


@dataclass(frozen=True)
class RunTrend:
    """Running time over temperature.

    Attributes:
        model: {"straight line", "Arrhenius"}. ``t = a + b (T − T0)``, or ``ln t = a + b (1/T0 −
            1/T)`` in kelvin.
        centre: T0, degC.
        low, high: Measured range, degC.
        n: Complete runs.
        reason: Why this model, in words.
    """

    model: Model
    fit: LinearFit
    centre: float
    low: float
    high: float
    n: int
    reason: str

    def _row(self, temperature: float) -> Floats:
        row: Floats = _design([temperature], self.centre, self.model)[0]
        return row

    def predict(self, temperature: float, u_temperature: float = 0.0) -> tuple[float, float]:
        """Return the next run at `temperature` and its standard uncertainty, min."""
        y = float(self._row(temperature) @ self.fit.coefficients)
        value = y if self.model == "straight line" else math.exp(y)
        return value, combined(self.budget(temperature, u_temperature))

    def budget(self, temperature: float, u_temperature: float = 0.0) -> tuple[Component, ...]:
        """Return what that uncertainty is made of."""
        row = self._row(temperature)
        scale = 1.0
        if self.model != "straight line":
            scale = math.exp(float(row @ self.fit.coefficients))
        # The run itself and the thermometer: what a degree more or less would change.
        step = float((self._row(temperature + 0.5) - self._row(temperature - 0.5))[1])
        slope = scale * step * float(self.fit.coefficients[1])
        fit = scale * math.sqrt(float(row @ self.fit.covariance @ row))
        return (
            Component(f"fitted {self.model}", fit, "min", source="scatter of the runs"),
            Component("scatter of one run", scale * self.fit.s, "min", source="scatter"),
            Component("temperature", u_temperature, "K", slope, source="reading"),
        )

    def interval(self, temperature: float, u_temperature: float = 0.0) -> tuple[float, float]:
        """Return the 95 % interval that holds the next run at `temperature`, min."""
        value, u = self.predict(temperature, u_temperature)
        factor = coverage_factor(self.fit.dof)
        if self.model == "straight line":
            return max(0.0, value - factor * u), value + factor * u
        spread = math.exp(factor * u / value)
        return value / spread, value * spread

    def slope(self) -> tuple[float, float]:
        """Return minutes per kelvin at the middle of the data, and its uncertainty."""
        b, u = float(self.fit.coefficients[1]), float(self.fit.us[1])
        if self.model == "straight line":
            return b, u
        factor = math.exp(float(self.fit.coefficients[0])) / (self.centre + _KELVIN) ** 2
        return b * factor, math.hypot(u * factor, b * factor * float(self.fit.us[0]))


def _design(temperatures: Sequence[float], centre: float, model: Model) -> Floats:
    t = np.asarray(temperatures, dtype=float)
    if model == "straight line":
        x = t - centre
    else:
        x = 1 / (centre + _KELVIN) - 1 / (t + _KELVIN)
    return np.column_stack([np.ones(len(t)), x])


def fit_trend(runs: Sequence[BatteryRun]) -> RunTrend | None:
    """Fit running time over temperature; None where the runs cannot carry a slope.

    Three temperatures and five complete runs are needed to choose between the two models, by the
    corrected Akaike criterion; a difference under 2 leaves the straight line.
    """
    used = [r for r in runs if r.temperature is not None]
    done = [r for r in used if r.complete]
    apart = group_runs(done)
    if len(apart) < 2:
        return None
    if len(done) < 3:
        return _two_points(done)
    line = _fit(used, "straight line")
    if len(apart) < 3 or len(done) < 5:
        return _trend(used, "straight line", line, "too few runs to choose another model")
    arrhenius = _fit(used, "Arrhenius")
    gain = _akaike(done, line, "straight line") - _akaike(done, arrhenius, "Arrhenius")
    if gain > 2:
        reason = f"it fits better (Akaike difference {gain:.1f})"
        return _trend(used, "Arrhenius", arrhenius, reason)
    reason = "the other model fits no better" if gain > -2 else "it fits better"
    return _trend(used, "straight line", line, reason)


def _centre(runs: Sequence[BatteryRun]) -> float:
    return float(np.mean([_temperature(r) for r in runs if r.complete]))


def _fit(runs: Sequence[BatteryRun], model: Model) -> LinearFit:
    y = np.array([r.minutes for r in runs])
    design = _design([_temperature(r) for r in runs], _centre(runs), model)
    complete = np.array([r.complete for r in runs])
    return censored_fit(design, y if model == "straight line" else np.log(y), complete)


def _two_points(done: Sequence[BatteryRun]) -> RunTrend:
    """Two runs tell a slope but no scatter: assume it."""
    y = np.array([r.minutes for r in done])
    design = _design([_temperature(r) for r in done], _centre(done), "straight line")
    s = ASSUMED_SCATTER * float(y.mean())
    fit = fit_linear(design, y, np.full(len(y), s), known=True)
    fit = LinearFit(fit.coefficients, fit.covariance, s, int(ASSUMED_DOF), fit.residuals)
    return _trend(done, "straight line", fit, "two runs carry no other")


def _akaike(done: Sequence[BatteryRun], fit: LinearFit, model: Model) -> float:
    """Return AICc of the complete runs, in minutes for both models."""
    n, k = len(done), 3
    y = np.array([r.minutes for r in done])
    design = _design([_temperature(r) for r in done], _centre(done), model)
    shown = y if model == "straight line" else np.log(y)
    variance = float(((shown - design @ fit.coefficients) ** 2).mean())
    jacobian = 0.0 if model == "straight line" else 2 * float(np.log(y).sum())
    return n * math.log(max(variance, 1e-300)) + jacobian + 2 * k * n / (n - k - 1)


def _trend(runs: Sequence[BatteryRun], model: Model, fit: LinearFit, reason: str) -> RunTrend:
    span = [_temperature(r) for r in runs if r.complete]
    return RunTrend(model, fit, _centre(runs), min(span), max(span), len(span), reason)


def mean_power(
    capacity: tuple[float, float], voltage: tuple[float, float], level: RunLevel
) -> Propagated:
    """Return mean power in W.

    Args:
        capacity, voltage: (value, u), mAh and V.
        level: With at least one complete run.
    """
    return propagate(
        lambda c, v, t: c / 1e3 * v / (t / 60),
        [capacity[0], voltage[0], level.value],
        [capacity[1], voltage[1], level.u],
        dofs=[math.inf, math.inf, level.dof],
    )
