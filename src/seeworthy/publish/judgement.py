"""Judgements as one HTML file each: comparison, fitness for a purpose, planned flight.

A decision is always followed by its reasons; a plan begins with its cautions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from seeworthy.ground.digits import said
from seeworthy.ground.results import Figure
from seeworthy.procedures.cautions import CAUTIONS
from seeworthy.publish.html import TEMPLATES, environment
from seeworthy.publish.judgement_figures import compare_figure, plan_figure, suit_figures
from seeworthy.publish.numbers import figure as shown_figure
from seeworthy.publish.numbers import interval_text

if TYPE_CHECKING:
    from seeworthy.judge.compare.comparison import Comparison
    from seeworthy.judge.plan.bench_plan import Plan
    from seeworthy.judge.purpose.rank import Measure, Ranking, Suited


@dataclass(frozen=True, slots=True)
class Section:
    """One section of a page.

    Attributes:
        lines: Sentences.
        head: Heads of the table; empty without one.
    """

    title: str
    lines: tuple[str, ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True, slots=True)
class JudgementPage:
    """Everything the template ``judgement.html`` sees.

    Attributes:
        over, title, verdict: Kind of page, name, the decision in one sentence.
        cautions: Shown first.
    """

    over: str
    title: str
    verdict: str
    sections: tuple[Section, ...]
    cautions: tuple[str, ...] = ()
    style: str = ""
    disclaimer: str = field(default=CAUTIONS["verdict"])


def _render(page: JudgementPage) -> str:
    html: str = environment().get_template("judgement.html").render(page=page)
    return html


def _style() -> str:
    return (TEMPLATES / "report.css").read_text(encoding="utf-8")


def compare_page(found: Comparison) -> str:
    """Return a comparison as an HTML document."""
    best = [r for r in found.rows if len(r.best) == 1 and len(r.values) > 1]
    sections = []
    for row in found.rows:
        where = f" ({row.like})" if str(row.like) else ""
        lines = [row.measurand.meaning]
        lines += [f"Cannot be told apart: {', '.join(g)}." for g in row.groups if len(g) > 1]
        if len(row.best) == 1:
            lines.append(f"Best: {row.best[0]}.")
        rows = tuple(
            (
                f"{p.second} minus {p.first}",
                said(p.value, *p.interval, row.measurand.unit, p.u),
                interval_text(*p.interval, p.u, row.measurand.unit),
                f"{p.p_corrected:.2g}",
                "told apart" if p.apart else "not told apart",
            )
            for p in row.pairs
        )
        title = row.measurand.title[:1].upper() + row.measurand.title[1:] + where
        head = ("difference", "value ± U", "95 % interval", "p (Holm)", "verdict")
        sections.append(Section(title, tuple(lines), head, rows, (compare_figure(row),)))
    if found.apart:
        sections.append(Section("Not compared", found.apart))
    verdict = (
        "; ".join(f"{r.measurand.title}: {r.best[0]}" for r in best)
        if best
        else "Nothing tells these apart so far"
    )
    title = ", ".join(found.subjects)
    return _render(
        JudgementPage("Comparison", title, f"{verdict}.", tuple(sections), style=_style())
    )


def suit_page(found: Ranking) -> str:
    """Return a ranking as an HTML document."""
    first = found.cameras[0] if found.cameras else None
    verdict = "No camera to rank."
    if first is not None:
        verdict = (
            f"{first.camera} comes first with a probability of {100 * first.ranks[0]:.0f} %: "
            f"{first.grade}, score {100 * first.score:.0f} "
            f"({100 * first.interval[0]:.0f} to {100 * first.interval[1]:.0f})."
        )
    sections = [Section("The order", (found.purpose.about,), figures=suit_figures(found))]
    sections += [_suited(c) for c in found.cameras]
    if found.said:
        sections.append(Section("What to know of it", found.said))
    if found.worth_doing:
        rows = tuple((t.camera, t.measurand, f"{100 * t.worth:.1f}") for t in found.worth_doing)
        sections.append(
            Section(
                "What to test next",
                ("The expected gain in the score of the camera you would choose, knowing it.",),
                ("camera", "figure", "gain"),
                rows,
            )
        )
    return _render(
        JudgementPage("Purpose", found.purpose.title, verdict, tuple(sections), style=_style())
    )


def _have(found: Measure | None, unit: str) -> str:
    if found is None:
        return "not tested"
    return shown_figure(found.value, *found.interval, unit, found.u)


def _suited(c: Suited) -> Section:
    rows = []
    for s in c.limits:
        have = _have(s.found, s.limit.measurand.unit)
        rows.append(
            (f"limit: {s.limit.measurand.title} {s.limit.bounds}", have, s.word, s.limit.why)
        )
    for w in c.wishes:
        have = _have(w.found, w.wish.measurand.unit)
        share = f"{100 * w.desirability:.0f} % of what is wished, {100 * w.share:.0f} % of the loss"
        rows.append((w.wish.measurand.title, have, share, w.wish.why))
    head = ("asked", "found", "state", "why it is asked")
    line = (
        f"{c.grade}, score {100 * c.score:.0f} "
        f"({100 * c.interval[0]:.0f} to {100 * c.interval[1]:.0f})."
    )
    return Section(c.camera, (line,), head, tuple(rows))


def plan_page(plans: Sequence[Plan]) -> str:
    """Return a flight foreseen through cameras as an HTML document, cautions first."""
    sections = []
    for plan in plans:
        rows = []
        for p in plan.predictions:
            if p.value is None or p.interval is None:
                rows.append((p.title, "not known", "", p.missing))
                continue
            ends = interval_text(*p.interval, 0.0, p.unit)
            shown = f"{shown_figure(p.value, *p.interval, p.unit)} ({ends})"
            limit = f", asked {p.limit}" if p.limit else ""
            verdict = "" if p.verdict == "told" else p.verdict + limit
            rows.append((p.title, shown, verdict, p.why))
        lines = [f"{plan.verdict[:1].upper()}{plan.verdict[1:]}."]
        for a in plan.advice[:4]:
            spoils = f" But then: {', '.join(a.spoils)}." if a.spoils else ""
            lines.append(f"Try: {a.text} Mends {', '.join(a.mends)}.{spoils}")
        figure = plan_figure(plan)
        drawn = (figure,) if figure is not None else ()
        head = ("prediction", "value (95 %)", "verdict", "why")
        sections.append(Section(plan.camera, tuple(lines), head, tuple(rows), drawn))
    title = plans[0].flight.title if plans else "Flight"
    verdict = "; ".join(f"{p.camera}: {p.verdict}" for p in plans) + "."
    cautions = plans[0].cautions if plans else ()
    return _render(
        JudgementPage("Planned flight", title, verdict, tuple(sections), cautions, _style())
    )
