"""Which takes speak for a subject, and what they say together.

Takes of one subject under like conditions are combined: the weighted mean, with the scatter
between takes added to the stated uncertainty where it is larger. One file counts once, the
newest firmware answers, and of one take the first result of a measurand.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Protocol, TypeVar

import numpy as np

from seeworthy.ground.budget import CAMERA
from seeworthy.ground.measurands import known_measurand
from seeworthy.ground.results import Result, that_can_be
from seeworthy.ground.statistics import weighted_mean
from seeworthy.ground.uncertainty import effective_dof
from seeworthy.judge.compare.differences import Floats, Value, parts_of
from seeworthy.judge.compare.like import oddity, sort_alike


class Origin(Protocol):
    """What is read of a stored result (`seeworthy.bench.records.StoredResult`)."""

    @property
    def camera(self) -> str:
        """Name of the camera."""

    @property
    def unit(self) -> str:
        """Serial of the unit."""

    @property
    def firmware(self) -> str:
        """Firmware in force, ``""`` unknown."""

    @property
    def procedure(self) -> str:
        """Id of the procedure that measured."""

    @property
    def taken(self) -> dt.date:
        """Day of the take."""

    @property
    def take_id(self) -> int:
        """Number of the take."""

    @property
    def files(self) -> Sequence[str]:
        """SHA-256 of the files of the take."""

    @property
    def result(self) -> Result:
        """The measured value."""


O = TypeVar("O", bound=Origin)  # noqa: E741 - an origin


def combine(subject: str, results: Sequence[Result]) -> Value:
    """Combine results of one subject under like conditions, one per take.

    The weighted mean (Birge 1932). Where the takes scatter more than their uncertainties
    explain, the excess is a component of its own with n − 1 degrees of freedom beside the
    stated one, which keeps its own (Welch–Satterthwaite): takes that disagree make the value
    less certain, yet two takes that agree are not left with a single degree of freedom.
    What one instrument is off by is in all that read it and does not average out (JCGM 100:2008,
    5.2.2, correlation 1): the mean keeps it, and scatter is not asked to show it.
    Bounds are not averaged: the tightest stands, and gives way to any measured value.
    """
    known = [r for r in results if not _is_bound(r)]
    if not known:
        known = [_tightest(results)]
    if len(known) == 1:
        one = known[0]
        return Value(subject, one.value, one.u, one.dof, one.interval, _read(_told(one)))
    if any(r.u <= 0 for r in known):
        mean = sum(r.value for r in known) / len(known)
        spread = math.sqrt(sum((r.value - mean) ** 2 for r in known) / (len(known) - 1))
        return Value(subject, mean, spread / math.sqrt(len(known)), len(known) - 1)
    found = weighted_mean([r.value for r in known], [r.u for r in known])
    shares = np.array([(found.u_internal / r.u) ** 2 for r in known])  # they add up to 1
    names, parts = parts_of([_told(r) for r in known])
    covariance = _covariance(known, parts)
    of_mean = float(shares @ covariance @ shares)
    # Takes share method, target and operator: averaging helps against scatter only, so the
    # combined figure is never called better than the best single take halved (a judgement).
    stated = max(math.sqrt(of_mean), min(r.u for r in known) / 2)
    # Each take carries u_internal²/u of the mean's uncertainty.
    own = effective_dof([(found.u_internal**2 / r.u, r.dof) for r in known])
    # The sum of squares that the uncertainties let expect: n - 1 for takes that share nothing.
    expected = len(known) - of_mean / found.u_internal**2
    squares = found.birge**2 * (len(known) - 1)
    excess = found.u_internal * math.sqrt(max(0.0, squares - expected) / (len(known) - 1))
    dof = effective_dof([(stated, own), (excess, len(known) - 1.0)])
    shared = _read(dict(zip(names, (shares @ parts).tolist(), strict=True)))
    whole = Value(subject, found.value, math.hypot(stated, excess), dof, shared=shared)
    low, high = that_can_be(known[0].measurand, *whole.interval)
    return whole if low == whole.interval[0] else replace(whole, ends=(low, high))


def _told(found: Result) -> dict[str, float]:
    return {name: part for name, part in found.shared.items() if part is not None}


def _read(shared: Mapping[str, float]) -> dict[str, float]:
    """Return what goes out of differences: instruments, not what is one camera's own."""
    return {name: part for name, part in shared.items() if not name.endswith(f": {CAMERA}")}


def _covariance(known: Sequence[Result], parts: Floats) -> Floats:
    """Return the covariance of results by the instruments that they share; shape (n, n).

    A result that does not tell how much of its uncertainty an instrument's is may owe all.
    """
    found: Floats = parts @ parts.T
    for i, a in enumerate(known):
        found[i, i] = a.u**2
        for j, b in enumerate(known[:i]):
            if _untold(a, b) or _untold(b, a):
                found[i, j] = found[j, i] = a.u * b.u
    return found


def _untold(a: Result, b: Result) -> bool:
    """Tell that `a` does not say how much an instrument adds which `b` was read with, too."""
    mine = {name for name, part in a.shared.items() if part is None}
    return any(set(name.split(":")[0].split()) & mine for name in b.shared)


def _is_bound(found: Result) -> bool:
    if any(math.isinf(e) for e in found.interval):
        return True
    # The shape is asked only of what can be rectangular: it takes a quantile.
    return found.value in found.interval and found.uncertain.shape == "rectangular"


def _tightest(bounds: Sequence[Result]) -> Result:
    """Return the strongest of several bounds: the highest 'at least', the lowest 'at most'."""
    if math.isinf(bounds[0].interval[1]):
        return max(bounds, key=lambda r: r.interval[0])
    return min(bounds, key=lambda r: r.interval[1])


def like_sets(found: Sequence[Result], asked: Container[str] = ()) -> list[tuple[Result, int]]:
    """Combine results of one measurand under like conditions.

    Args:
        found: One per take.
        asked: container of str. Conditions that were asked for, so that they are not odd.

    Returns:
        list of (Result, takes). What speaks for the subject first: the set nearest to ordinary use
        (`oddity`), then the one with most takes, then the one with the narrowest interval.
    """
    sets = []
    for _, members in sort_alike(found):
        takes = [found[i] for i in members]
        sets.append((_together(takes), len(takes)))
    return sorted(
        sets,
        key=lambda s: (oddity(s[0].conditions, asked), -s[1], s[0].interval[1] - s[0].interval[0]),
    )


def _together(takes: Sequence[Result]) -> Result:
    first = takes[0]
    if len(takes) == 1:
        return first
    value = combine(first.measurand, takes)
    shared = {
        k: v for k, v in first.conditions.items() if all(t.conditions.get(k) == v for t in takes)
    }
    near = {k: first.conditions[k] for k in ("light", "temperature") if k in first.conditions}
    return replace(
        first, value=value.value, u=value.u, dof=value.dof, interval=value.interval,
        n=sum(t.n for t in takes), conditions={**near, **shared}, budget=(), shared=value.shared,
        evidence=tuple(dict.fromkeys(e for t in takes for e in t.evidence)),
    )  # fmt: skip


def speaking(origins: Iterable[O], *, firmware_apart: bool = False) -> tuple[list[O], list[str]]:
    """Return the results that count, in the order given, and what is to be said of the others.

    Args:
        firmware_apart: Each firmware is a subject of its own; else the newest one that a procedure
            was repeated with on a unit answers for that unit.
    """
    found = list(origins)
    notes: list[str] = []
    if not firmware_apart:
        found = _newest(found, notes)
    return _each_take_once(_each_file_once(found, notes)), list(dict.fromkeys(notes))


def _named(origin: Origin) -> str:
    return f"{origin.camera} {origin.unit}".strip()


def _newest(origins: Sequence[O], notes: list[str]) -> list[O]:
    last: dict[tuple[str, str, str], Origin] = {}
    for o in origins:
        key = (o.camera, o.unit, o.procedure)
        if key not in last or (o.taken, o.take_id) > (last[key].taken, last[key].take_id):
            last[key] = o
    kept = []
    for o in origins:
        newest = last[o.camera, o.unit, o.procedure].firmware
        if o.firmware == newest:
            kept.append(o)
        else:
            notes.append(
                f"{_named(o)}: firmware {newest or 'unknown'} answers for {o.procedure}; takes "
                f"with {o.firmware or 'an unknown one'} stand aside (compare by firmware)."
            )
    return kept


def _each_file_once(origins: Sequence[O], notes: list[str]) -> list[O]:
    """Drop results from a file that another take of the unit gave to the same measurand."""
    groups: dict[tuple[str, str, str, str], list[O]] = {}
    for o in origins:
        groups.setdefault((o.camera, o.unit, o.firmware, o.result.measurand), []).append(o)
    dropped: set[tuple[int, str]] = set()
    for (*_, name), group in groups.items():
        entry = known_measurand(name)
        first = "" if entry is None else entry.procedure
        holder: dict[str, int] = {}
        # Its own procedure first, then what was entered last: that is the corrected one.
        for o in sorted(group, key=lambda o: (o.procedure != first, -o.take_id)):
            same = next((holder[f] for f in o.files if holder.get(f, o.take_id) != o.take_id), None)
            if same is None:
                holder.update(dict.fromkeys(o.files, o.take_id))
                continue
            dropped.add((o.take_id, name))
            notes.append(
                f"{_named(o)}: take {o.take_id} holds the same file as take {same} (SHA-256); "
                "it counts once."
            )
    return [o for o in origins if (o.take_id, o.result.measurand) not in dropped]


def _each_take_once(origins: Sequence[O]) -> list[O]:
    """Keep the first result of a take for a measurand under like conditions."""
    groups: dict[tuple[int, str], list[int]] = {}
    for place, o in enumerate(origins):
        groups.setdefault((o.take_id, o.result.measurand), []).append(place)
    kept = set()
    for places in groups.values():
        for _, members in sort_alike(origins[i].result for i in places):
            kept.add(places[members[0]])
    return [o for place, o in enumerate(origins) if place in kept]
