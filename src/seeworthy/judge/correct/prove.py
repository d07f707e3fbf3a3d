"""Before and after: a correction shown on a clip that it was not fitted to.

The clip is measured as it is, mended with the one correction that is to be shown, and
measured again by the same procedure. Nobody has to believe the correction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from seeworthy.engine.measure import measure
from seeworthy.ground.errors import WrongCall
from seeworthy.ground.leftovers import scratch
from seeworthy.ground.plain import picked
from seeworthy.ground.results import Result
from seeworthy.judge.correct.apply import correct_clip
from seeworthy.judge.correct.data import Corrections, Kind
from seeworthy.media.source import Source

SHOWN: dict[Kind, tuple[str, ...]] = {
    "lens": ("tv_distortion",),
    "shading": ("corner_shading", "corner_shading_worst", "colour_shading"),
    "colour": ("de00_mean", "de00_p95"),
}


@dataclass(frozen=True, slots=True)
class Proof:
    """A figure before and after.

    Attributes:
        pairs: tuple of (before, after)
        fitted: The correction was fitted to this very clip, so that it proves little.
    """

    kind: Kind
    clip: str
    pairs: tuple[tuple[Result, Result], ...]
    fitted: bool

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            **picked(self, "kind file=clip fitted_to_it=fitted"),
            "figures": [{"before": a.to_json(), "after": b.to_json()} for a, b in self.pairs],
        }


def prove(
    kind: Kind,
    clip: Path,
    corrections: Corrections,
    *,
    roles: Mapping[str, Sequence[str | Path]] | None = None,
    options: Mapping[str, Sequence[str]] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Proof:
    """Measure a clip before and after its correction.

    Args:
        kind: Which correction; the others are left out, so that the figure speaks of it alone.
        clip: Best one that the correction was not fitted to.
        roles, options: What the procedure needs besides the clip (the reference of ``colour``).

    Raises:
        WrongCall: There is no correction of that kind.
        CannotMeasure: The clip does not carry the figure.
    """
    if kind not in SHOWN:
        raise WrongCall(
            f"The {kind} correction has no figure before and after.",
            f"--prove shows {', '.join(SHOWN)}.",
        )
    chosen = getattr(corrections, kind)
    if chosen is None:
        raise WrongCall(
            f"There is no {kind} correction to show on '{clip.name}'.",
            f"Name one with --{kind} FILE.json, or a bench with a {kind} result.",
        )
    source = Source.of(clip)
    before = measure(kind, [clip], roles, None, options).outcome.results
    with scratch() as folder:
        new = folder / "after.mov"
        correct_clip(source, corrections.only(kind), new, keep_all=True, progress=progress)
        after = measure(kind, [new], roles, None, options).outcome.results
    first, second = ({r.measurand: r for r in reversed(found)} for found in (before, after))
    shown = [name for name in SHOWN[kind] if name in first and name in second]
    pairs = tuple((first[name], second[name]) for name in shown)
    return Proof(kind, clip.name, pairs, source.sha256() in chosen.origin.hashes)
