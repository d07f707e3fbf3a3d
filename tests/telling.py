"""What every outcome must say of its uncertainty (JCGM 100:2008, 7.2.1 and Annex H)."""

from __future__ import annotations

import math

import pytest

COUNTS = {"card_wait_rate", "card_loss", "power_cut_failure", "clipping_share"}
"""Counts have their interval from the count itself (Poisson, binomial), not from parts."""


def says_its_budget(outcome):
    """Assert that what is no count or bound has parts with sources, which add up to its u."""
    told = [r for r in outcome.results if r.measurand not in COUNTS and "bound" not in r.conditions]
    assert told
    for found in told:
        parts = math.sqrt(sum((c.sensitivity * c.u) ** 2 for c in found.budget))
        assert found.budget, found.measurand
        assert parts == pytest.approx(found.u, rel=1e-6), found.measurand
        assert all(c.name and c.source for c in found.budget), found.measurand
