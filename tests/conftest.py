"""Shared fixtures."""

from __future__ import annotations

import csv
import os
import shutil
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# A slow import in the first example, or a busy machine, is no failure of a property.
settings.register_profile("steady", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("steady")

PUBLISHED = Path(__file__).parent / "published"


@pytest.fixture(scope="session")
def published():
    """Read a table of published values: ``published("isa_1976.csv")`` gives a list of dicts."""

    def read(name: str) -> list[dict[str, str]]:
        with (PUBLISHED / name).open(newline="", encoding="utf-8") as handle:
            return list(csv.DictReader(handle))

    return read


ADDON = Path(__file__).parent / "addon"


@pytest.fixture
def seaside(monkeypatch):
    """Install the add-on of ``tests/addon`` here and in every process started from here."""
    from seeworthy.procedures import forget

    found = [str(ADDON), os.environ.get("PYTHONPATH", "")]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, found)))
    monkeypatch.syspath_prepend(str(ADDON))
    forget()
    import seaside as module

    yield module
    forget()
    sys.modules.pop("seaside", None)


@pytest.fixture(scope="session")
def _bench_template(tmp_path_factory):
    from seeworthy.bench.store import create_bench

    folder = tmp_path_factory.mktemp("template") / "dunes"
    create_bench(folder).close()
    return folder


@pytest.fixture
def empty_bench(_bench_template, tmp_path):
    """Give an open bench of one's own (a copy: making one takes far longer).

    With ``SEEWORTHY_TEST_POSTGRES`` set to the address of an empty database, the same
    tests run on that.
    """
    from seeworthy.bench.store import open_bench

    address = os.environ.get("SEEWORTHY_TEST_POSTGRES")
    if address:
        yield from _bench_on_server(address, tmp_path / "dunes")
        return
    folder = shutil.copytree(_bench_template, tmp_path / "dunes")
    with open_bench(folder) as bench:
        yield bench


def _bench_on_server(address, folder):
    from sqlalchemy import create_engine, text

    from seeworthy.bench.store import create_bench

    engine = create_engine(address)
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    with create_bench(folder, database=address) as bench:
        yield bench
