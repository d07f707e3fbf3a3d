"""Rank the cameras of a bench for a purpose."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from seeworthy.ground.errors import NotFound, SeeworthyError
from seeworthy.ground.plain import picked, plain
from seeworthy.ground.results import Result
from seeworthy.judge.compare.combine import like_sets, speaking
from seeworthy.judge.purpose.library import find_purpose
from seeworthy.judge.purpose.model import Limit, Purpose, Wish
from seeworthy.judge.purpose.rank import Measure, Ranking, key_of, rank

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench

_LIGHT_STOPS = 1.0  # either way (a judgement)
_TEMPERATURE_K = 5.0  # either way (a judgement)


def fits(result: Result, where: Mapping[str, Any]) -> bool:
    """Tell whether a result was taken under the conditions that a limit or wish asks for."""
    for key, wanted in where.items():
        found = result.conditions.get(key)
        if found is None:
            return False
        if key == "light":
            if found <= 0 or abs(math.log2(float(found) / wanted)) > _LIGHT_STOPS:
                return False
        elif key == "temperature":
            if abs(float(found) - wanted) > _TEMPERATURE_K:
                return False
        elif str(found) != str(wanted):
            return False
    return True


def measure_for(item: Limit | Wish, results: Iterable[Result]) -> Measure | None:
    """Return a camera's figure for a limit or wish, from what was measured where it asks.

    Takes under like conditions together. Where no condition is asked for, a running time in
    the cold does not stand for one at room temperature: the set nearest to ordinary use.
    """
    found = [r for r in results if r.measurand == item.measurand.id and fits(r, item.where)]
    sets = like_sets(found, item.where)
    return sets[0][0].uncertain if sets else None


def figures_for(purpose: Purpose, results: Sequence[Result]) -> dict[str, Measure]:
    """Return a camera's figures by `key_of` for all limits and wishes."""
    found = {}
    asked: list[Limit | Wish] = [*purpose.limits, *purpose.wishes]
    for item in asked:
        measure = measure_for(item, results)
        if measure is not None:
            found[key_of(item)] = measure
    return found


def across_frames(
    purpose: Purpose, per: Mapping[str, Sequence[Result]]
) -> tuple[dict[str, list[Result]], tuple[str, ...]]:
    """Return cameras' results without those that a pixel's size makes incomparable, and a note.

    A wish counted in pixels of the frame (cy/px) ranks cameras of one frame size only: a small
    frame has few pixels and each of them is sharp. Limits hold each camera by itself.
    """
    wished = {w.measurand.id: w.measurand for w in purpose.wishes if w.measurand.per_frame}
    limited = {limit.measurand.id for limit in purpose.limits}
    dropped, notes = set(), []
    for name, entry in wished.items():
        frames = {
            r.conditions.get("frame") for found in per.values() for r in found
            if r.measurand == name
        }  # fmt: skip
        if len(frames) > 1 and name not in limited:
            dropped.add(name)
            notes.append(
                f"{entry.title} is counted in pixels of each camera's own frame, and frame sizes "
                "differ: it counts as not tested. Ask for a figure per picture height instead "
                f"(LW/PH: {name.replace('mtf50_', 'mtf50_ph_')})."
            )
    return {n: [r for r in f if r.measurand not in dropped] for n, f in per.items()}, tuple(notes)


def _rank(purpose: Purpose, results: Mapping[str, Sequence[Result]]) -> Ranking:
    per, notes = across_frames(purpose, results)
    figures = {n: figures_for(purpose, r) for n, r in per.items()}
    return replace(rank(purpose, figures), notes=notes)


def suit(bench: Bench, name: str, *, cameras: Sequence[str] = ()) -> Ranking:
    """Rank the cameras of a bench for a purpose.

    Args:
        bench: Its folder ``purposes/`` holds the user's own files.
        name: A shipped or own purpose, or the path of a TOML file.
        cameras: Only these; all when empty.

    Raises:
        NotFound: No such purpose or camera, or an empty bench.
        WrongCall: The purpose file is wrong (with line and reason).
    """
    from seeworthy.bench.cameras import get_camera, list_names

    purpose = find_purpose(name, bench.folder / "purposes")
    names = [get_camera(bench, c).name for c in cameras] or list(list_names(bench).values())
    if not names:
        raise NotFound("The bench has no camera yet.", "Add one: seeworthy camera add NAME.")
    per = _results(bench, names, [purpose])
    return _rank(purpose, per)


def suit_every(bench: Bench, purposes: Sequence[str]) -> dict[str, Ranking]:
    """Rank all cameras for several purposes, reading the bench once.

    A purpose of the user's that is wrong is left out: its own page says why.
    """
    from seeworthy.bench.cameras import list_names

    wanted = []
    for name in purposes:
        with contextlib.suppress(SeeworthyError):
            wanted.append((name, find_purpose(name, bench.folder / "purposes")))
    per = _results(bench, list(list_names(bench).values()), [p for _, p in wanted])
    return {name: _rank(purpose, per) for name, purpose in wanted}


def _results(
    bench: Bench, names: Sequence[str], purposes: Sequence[Purpose]
) -> dict[str, list[Result]]:
    """Return what speaks for each camera in what the purposes ask for."""
    from seeworthy.bench.outcomes import list_results

    per: dict[str, list[Result]] = {n: [] for n in names}
    asked = {item.measurand.id for p in purposes for item in p.limits}
    asked |= {item.measurand.id for p in purposes for item in p.wishes}
    for stored in speaking(list_results(bench, of_tests_for=asked))[0]:
        if stored.camera in per:
            per[stored.camera].append(stored.result)
    return per


def ranking_json(ranking: Ranking) -> dict[str, Any]:
    """Return a ranking as plain JSON values."""
    limit = (
        "measurand=limit.measurand.id least=limit.least most=limit.most unit=limit.measurand.unit "
        "state=word probability_kept=kept why=limit.why"
    )
    wish = (
        "unit=wish.measurand.unit desirability interval share_of_loss=share weight=wish.weight "
        "why=wish.why"
    )
    return {
        **picked(ranking, "purpose=purpose.name title=purpose.title draws notes"),
        "cameras": [
            {
                **picked(c, "camera grade score interval rank_probabilities=ranks"),
                "limits": [picked(s, limit) for s in c.limits],
                "wishes": [
                    {
                        "measurand": w.wish.measurand.id,
                        "value": w.found.value if w.found else None,
                        **picked(w, wish),
                    }
                    for w in c.wishes
                ],
            }
            for c in ranking.cameras
        ],
        "next_tests": plain(ranking.next_tests),
    }
