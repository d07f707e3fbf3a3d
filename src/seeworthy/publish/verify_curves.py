"""The tone curves that the takes of a package were measured with."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from seeworthy.publish.package import Tables


def curve_keys(details: Mapping[str, Any], take: str) -> list[str]:
    """Return the digests of the curves that were at hand when a take was measured."""
    keys = (details.get(take, {}).get("inputs") or {}).get("curves") or []
    return [str(k) for k in keys]


def curves_of(
    details: Mapping[str, Any], tables: Tables, take: str
) -> tuple[tuple[str, Mapping[str, Any]], ...] | None:
    """Return name and data of these curves as published, None where one is missing."""
    outcomes = {row["inputs"]: row["take"] for row in tables["outcomes"]}
    numbers = {row["id"]: row["number"] for row in tables["takes"]}
    found = []
    for key in curve_keys(details, take):
        of = outcomes.get(key, "")
        data = details.get(of, {}).get("correction")
        if not isinstance(data, dict):
            return None
        found.append((f"take {numbers[of]}", data))
    return tuple(found)
