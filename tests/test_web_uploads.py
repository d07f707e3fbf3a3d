"""Uploads: in pieces, resumed, with limits, names that are labels only."""

from __future__ import annotations

import asyncio
import os
import time

import pytest

from seeworthy.ground.errors import Conflict, NotFound, WrongCall
from seeworthy.web.uploads import Uploads, clean_name


async def pieces(*parts):
    for part in parts:
        yield part


def send(uploads, ticket, offset, *parts):
    return asyncio.run(uploads.append(ticket, offset, pieces(*parts)))


def test_a_file_arrives_in_pieces(tmp_path):
    uploads = Uploads(tmp_path)
    ticket = uploads.begin("clip.mov", 10).ticket
    assert send(uploads, ticket, 0, b"abc", b"de").have == 5
    assert not uploads.get(ticket).complete
    with pytest.raises(Conflict, match="not arrived"):
        uploads.path(ticket)
    assert send(uploads, ticket, 5, b"fghij").complete
    assert uploads.path(ticket).read_bytes() == b"abcdefghij"
    assert uploads.named(ticket).name == "clip.mov"
    assert uploads.named(ticket).read_bytes() == b"abcdefghij"


def test_a_broken_upload_goes_on_where_it_stopped(tmp_path):
    uploads = Uploads(tmp_path)
    ticket = uploads.begin("clip.mov", 6).ticket

    async def breaks():
        yield b"abc"
        raise ConnectionResetError

    with pytest.raises(ConnectionResetError):
        asyncio.run(uploads.append(ticket, 0, breaks()))
    again = Uploads(tmp_path)  # the server was started anew
    assert again.get(ticket).have == 3
    with pytest.raises(Conflict, match="stands at 3"):
        send(again, ticket, 0, b"abc")
    assert send(again, ticket, 3, b"def").complete


def test_more_than_announced_is_refused_and_nothing_of_it_stays(tmp_path):
    uploads = Uploads(tmp_path)
    ticket = uploads.begin("clip.mov", 4).ticket
    send(uploads, ticket, 0, b"ab")
    with pytest.raises(WrongCall, match="announced"):
        send(uploads, ticket, 2, b"cdefgh")
    assert uploads.get(ticket).have == 2


@pytest.mark.parametrize(
    ("name", "clean"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\cards\\A001.MOV", "A001.MOV"),
        ("..", "file"),
        ("", "file"),
        ("a\x00b\nc.mov", "abc.mov"),
        ("x" * 500, "x" * 120),
        ("🪁" * 120 + ".MOV", "🪁" * 49 + ".MOV"),  # 200 bytes of UTF-8, four a kite
        ("a." + "🪁" * 119, "a." + "🪁" * 49),
        ("gnp.\u202eexe", "gnp.exe"),
    ],
)
def test_a_name_is_a_label(name, clean, tmp_path):
    assert clean_name(name) == clean
    uploads = Uploads(tmp_path)
    ticket = uploads.begin(name, 1).ticket
    send(uploads, ticket, 0, b"z")
    assert tmp_path.resolve() in uploads.named(ticket).resolve().parents


def test_a_disk_without_second_names_gets_copies(tmp_path, monkeypatch):
    def refuses(source, target):
        raise PermissionError(1, "Operation not permitted")  # as exFAT does

    monkeypatch.setattr(os, "link", refuses)
    uploads = Uploads(tmp_path)
    ticket = uploads.begin("clip.mov", 3).ticket
    send(uploads, ticket, 0, b"abc")
    assert uploads.named(ticket).read_bytes() == b"abc"


@pytest.mark.parametrize("ticket", ["../bench", "x", "", "A" * 22 + "/..", "A" * 23])
def test_a_ticket_is_never_a_path(tmp_path, ticket):
    with pytest.raises(NotFound):
        Uploads(tmp_path).get(ticket)
    Uploads(tmp_path).drop(ticket)  # must not touch anything


@pytest.mark.parametrize("size", [0, -1, 101])
def test_sizes_that_cannot_be(tmp_path, size):
    with pytest.raises(WrongCall):
        Uploads(tmp_path, largest=100).begin("clip.mov", size)


def test_what_nobody_finished_is_swept_after_a_day(tmp_path):
    uploads = Uploads(tmp_path)
    old, new = uploads.begin("a", 5).ticket, uploads.begin("b", 5).ticket
    past = time.time() - 2 * 86400
    for path in uploads.folder.glob(f"{old}*"):
        os.utime(path, (past, past))
    assert uploads.sweep() == 1
    with pytest.raises(NotFound):
        uploads.get(old)
    assert uploads.get(new).name == "b"
