"""The verdict line: what holds, what fails its claim, what nobody has tested.

It speaks of pictures and recording only, never of the safety of a flight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from seeworthy.ground.plain import picked
from seeworthy.judge.claims.decide import Judgement
from seeworthy.publish.model import CameraReport
from seeworthy.publish.views import claim_rows


@dataclass(frozen=True, slots=True)
class Verdict:
    """Claims by what became of them.

    Attributes:
        line: One sentence.
        kept, better, failed, unsure, untested: Titles of measurands; `failed` are worse than
            claimed, plainly off, or contradicted.
        refused: Takes that gave no figure.
    """

    line: str
    kept: tuple[str, ...] = ()
    better: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    untested: tuple[str, ...] = ()
    refused: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        names = "line confirmed=kept better failed cannot_tell=unsure not_tested=untested refused"
        return picked(self, names)


def verdict(report: CameraReport) -> Verdict:
    """Sum up a report."""
    groups: dict[str, list[str]] = {}
    for item in report.judgements:
        groups.setdefault(_group(item), []).append(_lower(item.title))
    refused = sum(1 for t in report.takes if t.refusal is not None)

    def of(name: str) -> tuple[str, ...]:
        return tuple(groups.get(name, ()))

    line = _line(report.camera, {k: of(k) for k in _WORDS}, bool(of("silent")))
    return Verdict(
        line, of("kept"), of("better"), of("failed"), of("unsure"), of("untested"), refused
    )


@dataclass(frozen=True, slots=True)
class Tally:
    """Claims that came to one end, each with its figures: ``mass 17.20 g (claimed 15 g)``.

    Attributes:
        key, shape: Style and sign, as of a badge.
    """

    key: str
    shape: str
    word: str
    items: tuple[str, ...]


_TALLIES = {
    "kept": ("kept", "disc", "Keeps its word"),
    "better": ("better", "up", "Better than claimed"),
    "failed": ("worse", "down", "Fails its claim"),
    "unsure": ("open", "ring", "Cannot tell yet"),
    "untested": ("untested", "dash", "Not tested"),
}


def tallies(report: CameraReport) -> tuple[Tally, ...]:
    """Return kept and broken claims in the order of a first page."""
    found: dict[str, list[str]] = {name: [] for name in _TALLIES}
    for item in report.judgements:
        group = _group(item)
        if group in found:
            (row,) = claim_rows([item])
            figures = f"{row.measured} (claimed {row.claimed})" if row.measured else row.claimed
            found[group].append(f"{_lower(item.title)} {figures}")
    return tuple(Tally(*_TALLIES[k], tuple(v)) for k, v in found.items() if v)


_WORDS = {
    "kept": "keeps its word on {}",
    "better": "does better than claimed on {}",
    "failed": "fails its claim on {}",
    "unsure": "is not decided on {}",
    "untested": "is not tested on {}",
}


def _group(item: Judgement) -> str:
    if item.state == "confirmed":
        return "kept"
    if item.favour == "better than claimed":
        return "better"
    if item.state in {"more than claimed", "less than claimed", "contradicted"}:
        return "failed"
    return {"cannot tell": "unsure", "not tested": "untested"}.get(item.state, "silent")


def _line(camera: str, groups: dict[str, tuple[str, ...]], measured: bool) -> str:
    parts = [_WORDS[k].format(listed(v)) for k, v in groups.items() if v]
    if not parts:
        tail = "its figures stand without a claim" if measured else "nothing is measured yet"
        return f"{camera}: {tail}."
    if len(parts) == 1:
        return f"{camera} {parts[0]}."
    return f"{camera} {', '.join(parts[:-1])}, and {parts[-1]}."


def listed(words: Sequence[str]) -> str:
    """Join words as people list them, four at the most: ``a, b and c``."""
    shown = list(words[:4])
    if len(words) > 4:
        shown.append(f"{len(words) - 4} more")
    if len(shown) < 2:
        return "".join(shown)
    return f"{', '.join(shown[:-1])} and {shown[-1]}"


def _lower(title: str) -> str:
    """Start a title small inside a sentence, but leave abbreviations alone."""
    return title if title[:2].isupper() else title[:1].lower() + title[1:]
