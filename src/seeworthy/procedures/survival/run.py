"""Run of `survival`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from seeworthy.ground.budget import combined
from seeworthy.ground.errors import CannotMeasure, SeeworthyError, UnreadableInput, WrongCall
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.media.container import read_facts
from seeworthy.media.source import Source
from seeworthy.optics.tone import NAMES as TONE
from seeworthy.procedures import procedure
from seeworthy.procedures.declare import Inputs, Procedure, Seen, Watch
from seeworthy.procedures.survival.measure import Change, Survival, judge
from seeworthy.procedures.survival.measure import SurvivalFigure as Value

_PARTS = ("sharpness", "timing")
_MEASURAND = {
    "centre": "sharpness_change",
    "corners": "sharpness_change",
    "marked": "sharpness_change",
    "decentring": "decentring_change",
    "timing": "timing_change",
}
_KINDS = {
    "mtf50_centre": "centre",
    "mtf50_corner_mean": "corners",
    "decentring": "decentring",
    "frame_rate": "timing",
}


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Wish for what sharpness and timing need of every file that opens."""
    found: list[Watch] = []
    for role in ("before", "after"):
        for source in inputs.all_files(role):
            if _trouble(source) is None:
                for name in _PARTS:
                    found += _part(name).prepare(_sub(name, inputs, source))
    return found


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Compare the takes before and after."""
    flights = inputs.reading("flights")
    count = round(flights.value) if flights is not None else 1
    if flights is not None and (count < 1 or abs(flights.value - count) > 1e-6):
        raise WrongCall("flights must be a whole number above zero.", "Write flights=4.")
    _distinct(inputs)
    warnings: list[str] = []
    before, _, damage = _side("before", inputs, seen, warnings)
    after, broken, new_damage = _side("after", inputs, seen, warnings)
    if new_damage > damage:
        warnings.append(f"{new_damage - damage} more damaged frames after the flight than before.")
    failed = broken + (1 if new_damage > damage else 0)
    found = judge(before, after, count, failed, inputs.option("anew") == "yes")
    return Outcome(
        tuple(_results(found, len(inputs.all_files("after")))),
        {
            "survived": found.verdict,
            "flights": count,
            "files_broken_after": broken,
            "compared": [c.kind for c in found.changes],
            "changed": [c.kind for c in found.changes if c.changed],
            "answers": {c.kind: c.answer for c in found.changes},
        },
        tuple(warnings),
        figures=(_figure(found.changes),) if found.changes else (),
        sentence=_sentence(found),
    )


def _distinct(inputs: Inputs) -> None:
    """Refuse one recording under two names: it is not a new observation."""
    known: dict[str, str] = {}
    for source in (*inputs.all_files("before"), *inputs.all_files("after")):
        name = known.setdefault(source.sha256(), source.name)
        if name is not source.name:
            raise WrongCall(
                f"'{source.name}' is the same recording as '{name}'.",
                "Film the target again after the flight; a copy shows no change.",
            )


def _part(name: str) -> Procedure:
    return procedure(name)


def _sub(name: str, inputs: Inputs, source: Source) -> Inputs:
    known = {o.name for o in _part(name).options}
    options = {k: v for k, v in inputs.options.items() if k in known}
    return Inputs({"": (source,)}, {}, options, inputs.curves, inputs.no_curve)


def _trouble(source: Source) -> UnreadableInput | None:
    """Return why a file does not open; a camera that writes such files has failed."""
    try:
        read_facts(source)
    except UnreadableInput as error:
        return error
    return None


def _side(
    role: str, inputs: Inputs, seen: Seen, warnings: list[str]
) -> tuple[dict[str, list[Any]], int, int]:
    """Return figures by kind, files that do not open, and damaged frames."""
    figures: dict[str, list[Any]] = {kind: [] for kind in _MEASURAND}
    broken = damaged = 0
    for source in inputs.all_files(role):
        error = _trouble(source)
        if error is not None:
            if role == "before":
                raise error
            broken += 1
            warnings.append(f"After the flight: {error.message}")
            continue
        for part in _PARTS:
            outcome = _outcome(part, inputs, source, seen)
            if isinstance(outcome, SeeworthyError):
                warnings.append(f"{role.capitalize()}, {source.name}: {outcome.message}")
                continue
            values = {r.measurand: r for r in outcome.results}
            if part == "sharpness" and inputs.option("region"):
                marked = min(values.values(), key=lambda r: (r.measurand[:5] != "mtf50", r.u))
                figures["marked"].append(_value(marked))
                continue
            for name, kind in _KINDS.items():
                if name in values:
                    figures[kind].append(_value(values[name]))
            if part == "timing":
                damaged += int(outcome.findings.get("corrupt_frames", {}).get("count", 0))
    return figures, broken, damaged


def _value(found: Result) -> Value:
    """Return a figure without what both sides share: the tone curve of one camera and mode."""
    own = [c for c in found.budget if c.name not in TONE]
    return Value(found.value, combined(own) if own else found.u, found.dof)


def _outcome(part: str, inputs: Inputs, source: Source, seen: Seen) -> Outcome | SeeworthyError:
    own = _part(part)
    wishes = own.prepare(_sub(part, inputs, source))
    kinds = {type(w.observer) for w in wishes}
    mine = [w for w in seen.watches if w.source == source and type(w.observer) in kinds]
    try:
        return own.judge(_sub(part, inputs, source), Seen(mine, seen.passes))
    except CannotMeasure as error:
        return error


def _results(found: Survival, takes: int) -> list[Result]:
    results = [
        result(
            _MEASURAND[c.kind], c.value, c.u, n=takes, dof=c.dof,
            conditions={"position": c.kind} if _MEASURAND[c.kind] == "sharpness_change" else {},
            interval=(min(c.interval[0], c.value), max(c.interval[1], c.value)),
        )
        for c in found.changes
    ]  # fmt: skip
    if found.verdict == "yes" and found.bound is not None:
        results.append(result("flights_survived", found.flights, 0.0, n=found.flights))
        # One-sided: the probability lies between nothing and the bound, at 95 %.
        results.append(
            result(
                "failure_bound", found.bound, found.bound / 2, n=found.flights,
                interval=(0.0, found.bound),
            )
        )  # fmt: skip
    return results


def _figure(changes: Sequence[Change]) -> Figure:
    ratios = [c for c in changes if c.kind != "timing"] or list(changes)
    return Figure(
        "change",
        "After the flight against before",
        "Where an interval leaves out the line, the camera has changed.",
        {
            "kind": [c.kind for c in ratios],
            "value": [c.value for c in ratios],
            "low": [c.interval[0] for c in ratios],
            "high": [c.interval[1] for c in ratios],
        },
        Axis("kind", "figure"),
        Axis("value", "after over before" if ratios[0].kind != "timing" else "change (ppm)"),
        (
            Mark("points", y="value", low="low", high="high"),
            Mark("rule", value=1.0 if ratios[0].kind != "timing" else 0.0, label="unchanged"),
        ),
    )


def _sentence(found: Survival) -> str:
    if found.verdict == "yes" and found.bound is not None:
        s = "s" if found.flights != 1 else ""
        return (
            f"It measures the same after {found.flights} flight{s} as before; that alone leaves "
            f"up to {100 * found.bound:.0f} % chance of failure per flight (95 %). Survived is "
            "not rated."
        )
    if found.verdict == "no":
        what = ", ".join(c.kind for c in found.changes if c.changed) or "its files"
        return f"It did not survive unchanged: {what}."
    return "The takes cannot tell whether it changed; film the target again, steadier or longer."
