"""Tables of a study: what was reached, and whether that is what was asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from seeworthy.procedures.study import Goal, Study, Summary, Trial, summarise

_HEADS = (
    "group", "measurand", "trials", "answered", "rms error", "rms %", "bias %",
    "largest error", "truth inside 95 %", "scenes",
    "that share's own 95 % (Clopper–Pearson, scenes)",
    "right to answer or refuse",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class GoalLine:
    """One goal, the figure found, and whether it is reached."""

    group: str
    measurand: str
    text: str
    found: float
    reached: bool


def rows(trials: Sequence[Trial]) -> list[Summary]:
    """Return the summary rows of a study."""
    return summarise(trials)


def goal_lines(study: Study, trials: Sequence[Trial]) -> list[GoalLine]:
    """Hold the goals of a study against its trials."""
    found = []
    for row in summarise(trials):
        for goal in study.goals.get(row.group, ()):
            value = _figure(row, goal)
            if math.isnan(value):
                continue
            met = _met(goal, value, row.scenes)
            found.append(GoalLine(row.group, row.measurand, _text(goal), value, met))
    return found


def _figure(row: Summary, goal: Goal) -> float:
    figures = {
        "rms": row.rms,
        "rms_percent": row.rms_percent,
        "max": row.largest,
        "max_percent": row.largest_percent,
        "coverage": row.coverage,
        "right": row.right,
    }
    return figures[goal.kind]


def _met(goal: Goal, value: float, n: int) -> bool:
    if goal.kind == "coverage":
        return value >= goal.limit and not _too_wide(value, n)
    if goal.kind == "right":
        return value >= goal.limit
    return value <= goal.limit


def _too_wide(share: float, n: int) -> bool:
    """Tell whether so many intervals hold the truth that more than 99 % of them must.

    An interval that always holds the truth is too wide to be honest; but 30 of 30 can
    happen at 95 %, so it counts only when it would be a 5 % chance at 99 %.
    """
    inside = round(share * n)
    if inside == 0:
        return False
    # P(X >= inside) for a binomial of n at 0.99.
    # Every module of this folder is loaded when procedures are listed: not SciPy with it.
    from scipy import special

    return float(special.betainc(inside, n - inside + 1, 0.99)) < 0.05


def _text(goal: Goal) -> str:
    words = {
        "rms": "rms error at most",
        "rms_percent": "rms error (%) at most",
        "max": "largest error at most",
        "max_percent": "largest error (%) at most",
        "coverage": "share of intervals that hold the truth at least",
        "right": "share of right answers at least",
    }
    return goal.text or f"{words[goal.kind]} {goal.limit:g}"


def _number(value: float, digits: int = 3) -> str:
    return "–" if math.isnan(value) else f"{value:.{digits}g}"


def _span(share: tuple[float, float]) -> str:
    low, high = share
    return "–" if math.isnan(low) else f"{100 * low:.0f} to {100 * high:.0f} %"


def markdown(study: Study, trials: Sequence[Trial], repeats: int, seed: int) -> str:
    """Write a study's tables as Markdown, with the command that makes them."""
    lines = [
        f"## {study.title}",
        "",
        f"`seeworthy selfcheck {study.id} --repeats {repeats} --seed {seed}`",
        "",
        "| " + " | ".join(_HEADS) + " |",
        "|" + " --- |" * len(_HEADS),
    ]
    for row in summarise(trials):
        cells = (
            row.group, row.measurand, str(row.n), str(row.answered), _number(row.rms),
            _number(row.rms_percent), _number(row.bias_percent), _number(row.largest),
            _number(row.coverage), str(row.scenes or "–"), _span(row.share), _number(row.right),
        )  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    goals = goal_lines(study, trials)
    if goals:
        lines += ["", "| group | measurand | goal | found | reached |", "|" + " --- |" * 5]
        for g in goals:
            word = "yes" if g.reached else "no"
            lines.append(f"| {g.group} | {g.measurand} | {g.text} | {_number(g.found)} | {word} |")
    return "\n".join([*lines, ""])
