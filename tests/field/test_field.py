"""Real data that nobody here made: what the manifest expects must come out (see field_data)."""

from __future__ import annotations

import hashlib
import http.server
import threading
from pathlib import Path

import pytest

import field_data

ROWS = field_data.rows()


@pytest.mark.parametrize("row", ROWS, ids=[r["file"] for r in ROWS])
def test_what_is_known_of_a_real_file_comes_out(row):
    path = field_data.find(row)
    if path is None:
        pytest.skip(field_data.how(row))
    wrong = [c for c in field_data.check(row, path) if not c.ok]
    assert not wrong, "\n".join(f"{c.name}: expected {c.expected}, found {c.found}" for c in wrong)


def test_every_line_of_the_manifest_is_whole():
    assert len({r["file"] for r in ROWS}) == len(ROWS)
    for row in ROWS:
        assert row["from"] in field_data.HOW, row["file"]
        assert all(row[name] for name in ("origin", "at", "path", "licence", "known")), row["file"]
        assert len(row["sha256"]) == 64
        assert row["from"] != "github" or len(row["at"]) == 40
        # A line that expects nothing tests nothing.
        wanted = [*field_data.COLUMNS, "exposure_ms", "refuses", "also"]
        assert any(row[name] for name in wanted), row["file"]


def test_the_page_names_every_file():
    page = (field_data.ROOT / "docs" / "field.md").read_text(encoding="utf-8")
    missing = [r["file"] for r in ROWS if f"`{r['file']}`" not in page]
    assert not missing, "run `make field-docs`"
    assert "**not as expected**" not in page


def test_the_address_is_built_from_repository_commit_and_path():
    row = {"origin": "some/where", "at": "0" * 40, "path": "a b/c (d).mts"}
    assert field_data.address(row).endswith(f"/some/where/raw/{'0' * 40}/a%20b/c%20%28d%29.mts")


class _Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *said):
        pass


@pytest.fixture
def public(tmp_path, monkeypatch):
    """Serve a folder as the public address, with a cache of its own."""
    pytest.importorskip("pooch")
    folder = tmp_path / "public"
    row = {"origin": "some/where", "at": "1" * 40, "path": "b/clip 1.mp4", "file": "media/c.mp4"}
    held = folder / "some" / "where" / "raw" / ("1" * 40) / "b" / "clip 1.mp4"
    held.parent.mkdir(parents=True)
    held.write_bytes(b"pictures")
    server = http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), lambda *a: _Quiet(*a, directory=str(folder))
    )
    threading.Thread(target=server.serve_forever, daemon=True).start()
    monkeypatch.setattr(field_data, "HOST", f"http://127.0.0.1:{server.server_port}")
    monkeypatch.setattr(field_data, "STORE", tmp_path / "nowhere")
    monkeypatch.setenv("SEEWORTHY_FIELD", str(tmp_path / "cache"))
    yield row | {"from": "github", "sha256": hashlib.sha256(b"pictures").hexdigest()}
    server.shutdown()
    server.server_close()


def test_a_file_is_fetched_once_found_again_and_checked(public, tmp_path):
    assert field_data.find(public) is None
    assert "make field" in field_data.how(public)
    assert field_data.fetch(public).read_bytes() == b"pictures"
    assert field_data.find(public) == Path(tmp_path / "cache" / "media" / "c.mp4")
    with pytest.raises(ValueError, match="hash"):
        field_data.fetch(public | {"sha256": "0" * 64, "file": "media/other.mp4"})


def test_a_wrong_answer_shows():
    """The checks themselves can fail."""

    class Fixed(field_data.Answers):
        def finding(self, procedure, name):
            return {"frames": "26", "rate": "29.97", "why": "refused: too short"}[name]

    said = Fixed(None)
    assert not field_data._compare(said, "timing", "frames", "13").ok
    assert field_data._compare(said, "timing", "frames", "13 or 26").ok
    assert field_data._compare(said, "timing", "rate", "29.9..30").ok
    assert not field_data._compare(said, "timing", "why", "29.9..30").ok
