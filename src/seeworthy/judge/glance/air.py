"""Six figures that a flyer asks for, in what they mean in the air, camera against camera."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from seeworthy.bench.cameras import count_cameras, list_names, takes_per_camera
from seeworthy.bench.outcomes import list_findings
from seeworthy.bench.store import Bench
from seeworthy.ground.errors import SeeworthyError
from seeworthy.ground.quantities import Quantity
from seeworthy.ground.results import Result
from seeworthy.ground.uncertainty import Uncertain, coverage_factor, effective_dof, of_draws
from seeworthy.judge.compare.combine import like_sets
from seeworthy.judge.plan.bench_plan import camera_of
from seeworthy.judge.plan.camera import Draws, FlownCamera

# One flight that everybody can picture: a kite line or a slow craft passing a fence. A judgement.
SPEED, DISTANCE = 10.0, 10.0  # m/s, m
HEIGHT = 100.0  # m
COLD = 0.0  # degC, where water freezes
_MOST_OTHERS = 24
"""Cameras that one is set against, those of most takes: the others' figures are drawn too, and
hundreds would take a minute for a sentence that names three of them. A judgement."""


@dataclass(frozen=True, slots=True)
class AirFigure:
    """One figure of one camera, against the others.

    Attributes:
        found: None where it is not known.
        words: What it means in the air; where it is not known, what is missing.
        against: Which cameras of the bench are better, worse, alike or not tested.
        bound: ``at least`` where the value is a bound, else ``""``.
    """

    name: str
    title: str
    unit: str
    found: Uncertain | None
    words: str
    against: str = ""
    bound: str = ""


@dataclass(frozen=True, slots=True)
class _Asked:
    name: str
    title: str
    unit: str
    more: bool
    words: str
    missing: str


_ASKED = (
    _Asked(
        "lean", "Uprights lean", "deg", False,
        f"a fence post that passes {DISTANCE:g} m away at {SPEED:g} m/s "
        f"({SPEED * 3.6:g} km/h) leans by this",
        "needs read-out time, angle of view and the file's size",
    ),
    _Asked(
        "detail", "Finest stripe on the ground", "cm", False,
        f"straight down from {HEIGHT:g} m, in the middle of the picture: narrower ones blur",
        "needs sharpness, angle of view and the file's size",
    ),
    _Asked(
        "light", "Light it needs", "lx", False,
        "dimmer than this the picture is not usable; a heavy overcast noon has some 1,000 lx, "
        "a lit street 10 lx",
        "needs the test of low light",
    ),
    _Asked(
        "cold", "Minutes in the cold", "min", True,
        f"the next charge at {COLD:g} °C, by what was measured at other temperatures",
        "needs running time, best at two temperatures",
    ),
    _Asked(
        "load", "Load survived", "g", True,
        "the hardest flight after which it was shown to measure the same",
        "needs the test before and after a flight",
    ),
    _Asked(
        "lost", "The file loses", "%", False,
        "share of the time that is missing from the recording",
        "needs frame timing, or continuity over files",
    ),
)  # fmt: skip


Known = dict[str, dict[str, Uncertain]]
"""Figures by name, by camera."""


def air_figures(bench: Bench, camera: str, known: Known | None = None) -> tuple[AirFigure, ...]:
    """Return the six figures of a camera, each against the other cameras of the bench.

    On a bench of very many, against those with most takes, which is then said.

    Args:
        known: What was drawn for an earlier camera; what is drawn here is added.

    Derived figures are drawn from the measured ones by their uncertainty (JCGM 101:2008).
    """
    others = _others(bench, camera)
    known = {} if known is None else known
    for name in (camera, *others):
        if name not in known:
            known[name] = _figures(bench, name)
    some = len(others) < count_cameras(bench) - 1
    chosen = f"of the {len(others)} other cameras with most takes: " if some else ""
    found = []
    for asked in _ASKED:
        per = {name: known[name].get(asked.name) for name in (camera, *others)}
        mine = per.pop(camera, None)
        words = asked.missing if mine is None else asked.words
        bound = "at least" if mine is not None and asked.name == "load" else ""
        against = chosen + _against(mine, per, asked.more)
        found.append(AirFigure(asked.name, asked.title, asked.unit, mine, words, against, bound))
    return tuple(found)


def _others(bench: Bench, camera: str) -> list[str]:
    """Return the other cameras by name; of many the ones with most takes."""
    names = [n for n in list_names(bench).values() if n != camera]
    if len(names) <= _MOST_OTHERS:
        return names
    counts = takes_per_camera(bench)
    most = sorted(names, key=lambda n: (-counts.get(n, 0), names.index(n)))[:_MOST_OTHERS]
    return [n for n in names if n in most]


def _figures(bench: Bench, name: str) -> dict[str, Uncertain]:
    try:
        camera = camera_of(bench, name)
    except SeeworthyError:  # nothing is measured yet
        return {}
    found = {
        "lean": _lean(camera),
        "detail": _detail(camera),
        "light": _ordinary(camera, "usable_lux"),
        "cold": _drawn(camera.run_time(Quantity(COLD, "degC", 0.0))[0]),
        "load": None if camera.survived is None else Uncertain(float(camera.survived[0]), 0.0),
        "lost": _ordinary(camera, "lost_share") or _dropped(bench, name),
    }
    return {k: v for k, v in found.items() if v is not None}


def _lean(camera: FlownCamera) -> Uncertain | None:
    focal, readout = camera.focal(), camera.first("readout_time")
    if focal is None or readout is None or camera.frame is None:
        return None
    # Image speed f v/d, times the read-out time: how far an upright moves from top to bottom.
    shift = focal * (SPEED / DISTANCE) * np.maximum(readout, 0.0) / 1000
    return _drawn(np.degrees(np.arctan(shift / camera.frame[1])))


def _detail(camera: FlownCamera) -> Uncertain | None:
    mtf50 = _ordinary(camera, "mtf50_ph_centre")
    if mtf50 is None:
        return None
    stripe = camera.stripe(mtf50.draws(np.random.default_rng(2), camera.draws))
    return None if stripe is None else _drawn(100 * HEIGHT * stripe)


def _ordinary(camera: FlownCamera, measurand: str) -> Uncertain | None:
    """Return the figure nearest to ordinary use, takes under like conditions together."""
    found: list[Result] = list(camera.results.get(measurand, ()))
    return like_sets(found)[0][0].uncertain if found else None


def _drawn(draws: Draws | None) -> Uncertain | None:
    if draws is None:
        return None
    middle, u, ends = of_draws(draws)
    return Uncertain(middle, u, ends=ends)


def _dropped(bench: Bench, name: str) -> Uncertain | None:
    """Return the share of frames lost in the newest clip that was timed, in percent."""
    told = list_findings(bench, name, ("dropped_frames", "frames"), procedure="timing")
    if not told:
        return None
    findings = max(told, key=lambda one: (one.taken, one.take)).findings
    lost, seen = findings.get("dropped_frames"), findings.get("frames")
    lost = lost.get("count") if isinstance(lost, Mapping) else lost
    if not isinstance(lost, int) or not isinstance(seen, int) or seen + lost <= 0:
        return None
    return _share(lost, seen + lost)


def _share(lost: int, frames: int) -> Uncertain:
    """Percentage with its Wilson interval (Wilson 1927): zero of few frames proves little."""
    z = coverage_factor()
    p = lost / frames
    middle = (p + z * z / (2 * frames)) / (1 + z * z / frames)
    half = z / (1 + z * z / frames) * math.sqrt(p * (1 - p) / frames + (z / (2 * frames)) ** 2)
    low, high = max(0.0, middle - half), min(1.0, middle + half)
    return Uncertain(100 * p, 100 * half / z, ends=(100 * min(low, p), 100 * max(high, p)))


def _against(mine: Uncertain | None, others: Mapping[str, Uncertain | None], more: bool) -> str:
    """Say which cameras are better, worse, or cannot be told apart."""
    if not others:
        return ""
    groups: dict[str, list[str]] = {}
    for name, other in others.items():
        groups.setdefault(_word(mine, other, more), []).append(name)
    words = []
    for word, text in (
        ("better", "better than {}"), ("worse", "worse than {}"),
        ("alike", "not told apart from {}"), ("untested", "no figure of {}"),
        ("alone", "known of {}"),
    ):  # fmt: skip
        if word in groups:
            words.append(text.format(_names(groups[word])))
    return "; ".join(words)


def _word(mine: Uncertain | None, other: Uncertain | None, more: bool) -> str:
    if other is None:
        return "untested"
    if mine is None:
        return "alone"
    u = math.hypot(mine.u, other.u)
    dof = effective_dof(((mine.u, mine.dof), (other.u, other.dof)))
    away = mine.value - other.value
    if not math.isfinite(u) or abs(away) <= coverage_factor(dof) * u or away == 0:
        return "alike"
    return "better" if (away > 0) == more else "worse"


def _names(names: list[str]) -> str:
    if len(names) > 4:
        names = [*names[:3], f"{len(names) - 3} more"]
    return ", ".join(names[:-1]) + " and " + names[-1] if len(names) > 1 else names[0]
