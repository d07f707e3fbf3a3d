"""Shared fixtures."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

PUBLISHED = Path(__file__).parent / "published"


@pytest.fixture(scope="session")
def published():
    """Read a table of published values: ``published("isa_1976.csv")`` gives a list of dicts."""

    def read(name: str) -> list[dict[str, str]]:
        with (PUBLISHED / name).open(newline="", encoding="utf-8") as handle:
            return list(csv.DictReader(handle))

    return read
