"""What a recorder keeps when its power is cut: how often nothing, and how much is lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from seeworthy.ground.statistics import Mean, clopper_pearson, failure_bound, mean_t


@dataclass(frozen=True, slots=True)
class PowerCut:
    """Outcome of a series of cuts.

    Attributes:
        cuts: Cuts made.
        share, low, high: Percent of cuts that left no file that opens, with its 95 % interval
            (Clopper and Pearson 1934).
        bound: Percent that the probability is below at 95 %, from one side: after n cuts without a
            failure about 3/n ('rule of three', Hanley and Lippman-Hand 1983).
        lost: Seconds missing at the end of the files that opened; None where fewer than two did.
    """

    cuts: int
    share: float
    low: float
    high: float
    bound: float
    lost: Mean | None
    worst: float | None


def power_cut(cuts: int, lost: Sequence[float], u: float) -> PowerCut:
    """Sum up a power-cut test.

    Args:
        cuts: Cuts made.
        lost: Seconds missing at the end of each file that opened (at most one per cut).
        u: Standard uncertainty that all of them share (stop watch, reaction).
    """
    if not 0 <= len(lost) <= cuts or cuts < 1:
        raise ValueError("a cut leaves one file at most")
    failures = cuts - len(lost)
    low, high = clopper_pearson(failures, cuts)
    mean = mean_t(lost, u) if len(lost) > 1 else None
    return PowerCut(
        cuts,
        100 * failures / cuts,
        100 * low,
        100 * high,
        100 * failure_bound(failures, cuts),
        mean,
        max(lost) if lost else None,
    )
