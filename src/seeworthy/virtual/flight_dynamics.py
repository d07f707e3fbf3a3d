"""Flights with known truth: a point mass with thrust, drag, a launcher and a landing.

Integrated in fine steps along a path whose angle is fixed in the push and turns under
gravity afterwards. Own formulas throughout: nothing here is shared with the measures.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GRAVITY = 9.80665


@dataclass(frozen=True, slots=True)
class Craft:
    """One kind of flight.

    Attributes:
        push: Net thrust per mass at a share 0..1 of the push, m/s².
        push_time: s.
        drag: Deceleration per speed squared, 1/m.
        angle: Launch angle above the horizon, degrees.
        rest: Seconds at rest before the push.
        descent: Speed under the parachute, m/s; 0 glides down along its path.
        shock: Jolt when the parachute opens, m/s².
        touch: Peak deceleration at touch-down, m/s².
        after: Seconds logged after touch-down.
        buoyant: Steady climb of a balloon, m/s; 0 for none.
        ceiling: Height at which the balloon bursts, m.
        second: A second stage: pause after the first burnout in s, its time in s, its net push,
            m/s²; zeros for none.
    """

    name: str
    push: Callable[[float], float]
    push_time: float
    drag: float
    angle: float = 90.0
    rest: float = 3.0
    descent: float = 6.0
    shock: float = 60.0
    touch: float = 80.0
    after: float = 4.0
    buoyant: float = 0.0
    ceiling: float = 0.0
    second: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def stage(self) -> tuple[float, float] | None:
        """Start and end of the second stage, s; None without one."""
        if self.second[1] <= 0:
            return None
        start = self.rest + self.push_time + self.second[0]
        return start, start + self.second[1]


@dataclass(frozen=True)
class Path:
    """A flight in fine steps.

    Attributes:
        time, height, speed: s, m, m/s (along the path).
        rate: dv/dt along the path, m/s².
        axial, across: Proper acceleration along the craft's long axis and square to it, m/s².
        climb: Vertical speed, m/s.
        truth: Measurand to value.
    """

    time: Floats
    height: Floats
    speed: Floats
    rate: Floats
    axial: Floats
    across: Floats
    climb: Floats
    truth: dict[str, float] = field(default_factory=dict)
    events: dict[str, float] = field(default_factory=dict)


def fly(craft: Craft, step: float = 5e-4, longest: float = 400.0) -> Path:
    """Integrate a flight from rest on the pad to some seconds after landing."""
    return _balloon(craft, longest) if craft.buoyant else _launched(craft, step, longest)


def _launched(craft: Craft, step: float, longest: float) -> Path:
    t_end = craft.rest + craft.push_time
    start = math.radians(craft.angle)
    rows: list[tuple[float, ...]] = []
    t, h, v, gamma = 0.0, 0.0, 0.0, start
    stage, pushing, top, down, opened = craft.stage, True, None, None, None
    while t < longest:
        slow = opened is not None and t > opened + 2.0 and h > 2.0
        early = t < (t_end if stage is None else stage[1]) + 1.0
        fine = step if early or down is not None else 0.02 if slow else 4 * step
        if t < craft.rest:
            rows.append(
                (t, 0.0, 0.0, 0.0, GRAVITY * math.sin(start), GRAVITY * math.cos(start), 0.0)
            )
            t += fine
            continue
        if down is None:
            share = (t - craft.rest) / craft.push_time
            pushing = share < 1.0
            thrust = craft.push(share) if pushing else 0.0
            if stage is not None and stage[0] <= t < stage[1]:
                thrust, pushing = craft.second[2] + GRAVITY, True
            under = opened is not None
            if under:
                # The parachute's drag takes the vertical speed to the descent in its own time.
                climb = v * math.sin(gamma)
                ease = min((t - opened) / 0.15, 1.0) if opened is not None else 1.0
                pull = ease * GRAVITY * (climb / craft.descent) ** 2 * math.copysign(1.0, -climb)
                pull = min(max(pull, -craft.shock), craft.shock)
                rate = pull - GRAVITY
                felt_axial, felt_across = pull, 0.0
                climb += rate * fine
                v, gamma = abs(climb), math.copysign(math.pi / 2, climb)
            else:
                felt_axial = thrust - craft.drag * v * v
                rate = felt_axial - GRAVITY * math.sin(gamma)
                if rate < 0 and v <= 0 and pushing:
                    rate = 0.0
                felt_across = GRAVITY * math.cos(gamma) if pushing else 0.0
            rows.append((t, h, v, rate, felt_axial, felt_across, v * math.sin(gamma)))
            if not under:
                v = max(v + rate * fine, 0.0)
                if not pushing and v > 0.5:
                    gamma += -GRAVITY * math.cos(gamma) / v * fine
            h += v * math.sin(gamma) * fine
            falling = v * math.sin(gamma) < 0 or (v <= 0.5 and not pushing)
            if top is None and falling:
                top = t
            if top is not None and opened is None and craft.descent and t > top + 0.5:
                opened = t
            if h <= 0 and t > t_end and top is not None:
                down = t
        else:
            x = (t - down) / 0.02
            bump = craft.touch * math.sin(math.pi * x) if x < 1 else 0.0
            rows.append((t, 0.0, 0.0, bump, GRAVITY + bump, 0.0, 0.0))
            if t > down + craft.after:
                break
        t += fine
    return _with_truth(np.array(rows).T, craft, t_end, top, down)


def _with_truth(
    columns: Floats, craft: Craft, t_end: float, top: float | None, down: float | None
) -> Path:
    t, h, v, rate, axial, across, climb = columns
    push = (t >= craft.rest) & (t < t_end) & (rate > 0)
    first, last = np.flatnonzero(push)[[0, -1]]
    span = float(t[last] - t[first] + (t[1] - t[0]))
    speed = float(v[push].max() + rate[last] * (t[1] - t[0]))
    truth = {
        "peak_acceleration": float(rate[push].max()),
        "mean_boost_acceleration": speed / span,
        "felt_peak": float(np.hypot(axial[push], across[push]).max()) / GRAVITY,
        "boost_time": span,
        "max_speed": speed if craft.stage is None else float(v.max()),
        "apogee": float(h.max()),
    }
    if down is not None:
        truth["landing_peak"] = craft.touch
    events = {"launch": float(t[first]), "burnout": float(t[first]) + span}
    events |= {k: x for k, x in (("apogee", top), ("landing", down)) if x is not None}
    return Path(t, h, v, rate, axial, across, climb, truth, events)


def _balloon(craft: Craft, longest: float) -> Path:
    """A balloon: 0.6 s to its steady climb, burst, descent."""
    fine = 0.02
    t = np.arange(0.0, longest, fine)
    since = np.clip(t - craft.rest, 0, None)
    climb = craft.buoyant * (1 - np.exp(-since / 0.6))
    h = np.cumsum(climb) * fine
    burst = int(np.argmax(h >= craft.ceiling)) if (h >= craft.ceiling).any() else t.size - 1
    fall = np.clip(t - t[burst], 0, None)
    climb = np.where(
        fall > 0, craft.buoyant - (craft.buoyant + craft.descent) * (1 - np.exp(-fall)), climb
    )
    h = np.cumsum(climb) * fine
    rate = np.gradient(climb, fine)
    truth = {"max_speed": float(climb.max()), "apogee": float(h.max())}
    zero = np.zeros_like(t)
    events = {"launch": craft.rest, "apogee": float(t[int(np.argmax(h))])}
    return Path(t, h, np.abs(climb), rate, rate + GRAVITY, zero, climb, truth, events)
