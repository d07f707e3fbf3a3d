"""Figures of the judgements, as data: compare, suit, plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from seeworthy.ground.results import Axis, Figure, Mark

if TYPE_CHECKING:
    from seeworthy.judge.compare.comparison import Row
    from seeworthy.judge.plan.bench_plan import Plan
    from seeworthy.judge.purpose.rank import Ranking


def compare_figure(row: Row) -> Figure:
    """Return the values of one measurand with their 95 % intervals."""
    where = f" ({row.like})" if str(row.like) else ""
    together = [g for g in row.groups if len(g) > 1]
    words = (
        "Intervals that overlap widely cannot be told apart: "
        + "; ".join(", ".join(g) for g in together)
        + "."
        if together
        else "All are told apart."
    )
    return Figure(
        f"compare-{row.measurand.id}",
        row.measurand.title[:1].upper() + row.measurand.title[1:] + where,
        words,
        {
            "subject": [v.subject for v in row.values],
            "value": [v.value for v in row.values],
            "low": [v.interval[0] for v in row.values],
            "high": [v.interval[1] for v in row.values],
        },
        Axis("subject", "camera"),
        Axis("value", row.measurand.title, row.measurand.unit),
        (Mark("points", y="value", low="low", high="high"),),
    )


def suit_figures(found: Ranking) -> tuple[Figure, ...]:
    """Return scores with intervals and the probability of every rank."""
    cameras = found.cameras
    scores = Figure(
        "scores",
        "Score for this purpose",
        "A wide interval means that tests are missing, not that the camera is bad.",
        {
            "camera": [c.camera for c in cameras],
            "score": [100 * c.score for c in cameras],
            "low": [100 * c.interval[0] for c in cameras],
            "high": [100 * c.interval[1] for c in cameras],
        },
        Axis("camera", "camera"),
        Axis("score", "score", "%", zero=True),
        (Mark("points", y="score", low="low", high="high"),),
    )
    rows: dict[str, list[object]] = {"rank": [], "chance": [], "camera": []}
    for c in cameras:
        for place, chance in enumerate(c.ranks, 1):
            rows["rank"].append(str(place))
            rows["chance"].append(100 * chance)
            rows["camera"].append(c.camera)
    ranks = Figure(
        "ranks",
        "Probability of every rank",
        "How sure the order is, given the uncertainty of every figure.",
        rows,
        Axis("rank", "rank"),
        Axis("chance", "probability", "%", zero=True),
        (Mark("bars", y="chance", series="camera"),),
    )
    return scores, ranks


def plan_figure(plan: Plan) -> Figure | None:
    """Return every prediction that has a limit as a share of it, None when none has."""
    held = [p for p in plan.predictions if p.bound]
    held = [p for p in held if p.value is not None and p.interval]
    if not held:
        return None
    shares = [
        [v / (p.bound or 1.0) for v in (p.value or 0.0, *(p.interval or (0.0, 0.0)))] for p in held
    ]
    return Figure(
        "plan",
        "Against what was asked",
        "At most: below 1 is fine. Margins (at least): above 1 is fine.",
        {
            "what": [f"{p.title} (at {'least' if p.least else 'most'})" for p in held],
            "value": [s[0] for s in shares],
            "low": [s[1] for s in shares],
            "high": [s[2] for s in shares],
        },
        Axis("what", "prediction"),
        Axis("value", "share of the limit", zero=True),
        (Mark("points", y="value", low="low", high="high"), Mark("rule", value=1.0, label="limit")),
    )
