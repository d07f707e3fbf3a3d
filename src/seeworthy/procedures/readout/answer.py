"""What `readout` answers with: each method's row time as results, findings and a sentence."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

from seeworthy.ground.budget import Component, combined
from seeworthy.ground.digits import expanded, number, said_u, spread_of
from seeworthy.ground.measurands import measurand
from seeworthy.ground.propagation import u_rectangular
from seeworthy.ground.results import Figure, Picture, Result, result
from seeworthy.procedures.readout.hand import HandScene, parts_of, skew


@dataclass(slots=True)
class RowTimeAnswer:
    """One method's row time, with what shows it; `most` and `within` as in `Passing`.

    `parts` add up to `u`.
    """

    method: str
    row_time: float
    u: float
    dof: float
    n: int
    upwards: bool | None = None
    most: float | None = None
    within: tuple[float, float] | None = None
    parts: tuple[Component, ...] = ()
    findings: dict[str, Any] = field(default_factory=dict)
    pictures: tuple[Picture, ...] = ()
    figures: tuple[Figure, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def budget(self) -> tuple[Component, ...]:
        """What the row time's uncertainty, s, is made of, steadying included."""
        if self.within is None:
            return self.parts
        half = max(self.row_time - self.within[0], self.within[1] - self.row_time)
        held = Component(
            "what steadying may have held back", u_rectangular(half), "s",
            distribution="rectangular", source="judgement: a window of a fifth of the width",
        )  # fmt: skip
        return (*self.parts, held)

    @property
    def whole_u(self) -> float:
        """Standard uncertainty, s, what steadying may have held back included."""
        return combined(self.budget)


def results_of(
    answers: list[RowTimeAnswer], height: int, scene: HandScene | None, width: int
) -> list[Result]:
    """Return read-out time and row time by each method, and the lean in a scene that is told."""
    results = [
        _result(a, name, scale)
        for name, scale in (("readout_time", 1e3 * height), ("row_time", 1e6))
        for a in answers
    ]
    if scene is not None and answers[0].most is None:
        results += _skew(answers[0], scene, width)
    return results


def _result(a: RowTimeAnswer, name: str, scale: float) -> Result:
    evidence = [p.name for p in a.pictures]
    if a.most is None:
        return result(
            name,
            a.row_time * scale,
            n=a.n,
            dof=a.dof,
            interval=(a.within[0] * scale, a.within[1] * scale) if a.within else None,
            conditions={"method": a.method},
            evidence=evidence,
            budget=[replace(c, sensitivity=c.sensitivity * scale) for c in a.budget],
        )
    # Nothing but the limits is known: rectangular from nought (JCGM 101:2008, 6.4.2).
    most = a.most * scale
    limit = Component(
        "anywhere from nought to the limit", most / math.sqrt(12), measurand(name).unit,
        distribution="rectangular", source="scatter of the uprights, one-sided",
    )  # fmt: skip
    return result(
        name,
        most,
        n=a.n,
        interval=(0.0, most),
        conditions={"method": a.method, "bound": "upper"},
        evidence=evidence,
        budget=(limit,),
    )


def _skew(best: RowTimeAnswer, scene: HandScene, width: int) -> list[Result]:
    lean = skew((best.row_time, best.whole_u), scene, width)
    conditions = {
        "method": best.method,
        "speed": f"{scene.speed[0]:.4g} m/s",
        "distance": f"{scene.distance[0]:.4g} m",
        "hfov": f"{math.degrees(scene.hfov[0]):.4g} deg",
    }
    parts = parts_of(lean, ("row time", best.whole_u, "s", f"readout, {best.method}"), scene)
    return [result("skew_at", lean.value, n=best.n, conditions=conditions, budget=parts)]


def findings_of(answers: list[RowTimeAnswer]) -> dict[str, Any]:
    """Return the findings of all methods, and whether they agree."""
    findings: dict[str, Any] = {}
    for answer in answers:
        findings.update(answer.findings)
    ways = {a.method: a.upwards for a in answers if a.upwards is not None}
    if ways:
        up = next(iter(ways.values()))
        findings["rows_read"] = "bottom to top" if up else "top to bottom"
    if len(answers) > 1:
        findings["methods_agree"] = all(
            abs(a.row_time - b.row_time) <= 2 * math.hypot(a.whole_u, b.whole_u)
            for i, a in enumerate(answers)
            for b in answers[:i]
        )
    return findings


def sentence_of(best: RowTimeAnswer, width: int, height: int) -> str:
    """Return the answer in words."""
    if best.most is not None:
        lean, most = math.degrees(math.atan(best.most * width)), 1e3 * best.most * height
        return (
            f"A picture is read in at most {number(most, most)} ms: the uprights lean "
            "too little to tell more. One that crosses the picture in one second leans by at most "
            f"{number(lean, lean)}°."
        )
    spread = expanded(best.u, best.dof)
    slow, fast = (
        number(math.degrees(math.atan(v * best.row_time)), _lean(best.row_time, spread, v))
        for v in (width, 4 * width)
    )
    shown = said_u(1e3 * best.row_time * height, 1e3 * best.u * height, "ms", best.dof)
    if best.within is not None:
        ends = [1e3 * v * height for v in best.within]
        low, high = (number(v, spread_of(*ends)) for v in ends)
        return (
            f"A picture is read in {low} to {high} ms: the whole picture panned, and a camera that "
            f"steadies it holds back a part of that. One that does not reads it in {shown}."
        )
    return (
        f"A picture is read in {shown}: an upright that crosses it "
        f"in one second leans by {slow}°, one that takes a quarter of a second by "
        f"{fast}°."
    )


def _lean(row_time: float, spread: float, speed: float) -> float:
    """Return the spread, degrees, of the lean of an upright at a speed in px/s."""
    return math.degrees(speed * spread / (1 + (speed * row_time) ** 2))
