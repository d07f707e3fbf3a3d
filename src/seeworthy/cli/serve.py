"""``seeworthy serve``: the bench in a browser."""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
from pathlib import Path
from typing import Annotated, Any

import typer

from seeworthy.cli.opening import BenchDir
from seeworthy.cli.tables import next_step

app = typer.Typer(rich_markup_mode=None)
_PORT = 8471  # seldom used by others (a judgement)


@app.command()
def serve(
    bench: BenchDir = None,
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="Port; the next free one if taken.")
    ] = _PORT,
    share: Annotated[
        bool,
        typer.Option("--share", help="Let a phone in the same network in, by a one-time link."),
    ] = False,
    guests_may_change: Annotated[
        bool,
        typer.Option(
            "--guests-may-change", help="With --share: guests may do everything that you may."
        ),
    ] = False,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Only print the address.")
    ] = False,
) -> None:
    """Open the bench in a browser.

    Only this machine can reach it. With --share, other machines of your network can, each
    with a link that works once: the terminal shows it as a code that a phone can read.
    Guests look and enter takes; a session ends by itself, or by a button in Settings.
    A folder without a bench is fine; the first page helps you begin.
    """
    import uvicorn

    from seeworthy.web.app import create_app
    from seeworthy.web.slow import patient_protocol
    from seeworthy.web.trust import Door

    folder = _folder(bench)
    listener = _listen("0.0.0.0" if share else "127.0.0.1", port)  # noqa: S104 - asked for
    chosen = int(listener.getsockname()[1])
    mine = _own_address() if share else ""
    hosts = {"127.0.0.1", "localhost", "[::1]", *([mine] if mine else [])}
    door = Door(frozenset(hosts), chosen, shared=share, guests_may_change=guests_may_change)
    address = f"http://127.0.0.1:{chosen}/"
    typer.echo(f"The bench '{folder.name}' is open at {address}")
    if share:
        _invite(f"http://{mine or '127.0.0.1'}:{chosen}/?key={door.ticket()}")
    typer.echo("Ctrl-C closes it.")
    next_step("open that address in a browser; 'Shoot sheet' there says what to film")
    config = uvicorn.Config(
        create_app(folder, door=door), log_level="warning", access_log=False,
        server_header=False, timeout_graceful_shutdown=2, http=patient_protocol(),
    )  # fmt: skip
    server = uvicorn.Server(config)
    if not no_browser:
        threading.Thread(target=_browse, args=(server, address), daemon=True).start()
    if share and sys.stdin.isatty():
        host = f"http://{mine}:{chosen}/"
        threading.Thread(target=_more_guests, args=(door, host), daemon=True).start()
    # The server closes in peace, then sends itself the signal that it got: this ends it as a
    # service is ended, with its workers and what they share put away.
    signal.signal(signal.SIGTERM, _ended)
    server.run(sockets=[listener])


def _ended(number: int, frame: object) -> None:
    raise SystemExit(0)


def _folder(bench: Path | None) -> Path:
    """Return the bench that a person means; the folder stood in where there is none yet."""
    from seeworthy.bench.store import find_bench
    from seeworthy.ground.errors import NotFound, WrongCall

    if bench is not None:
        if bench.exists() and not bench.is_dir():
            raise WrongCall(f"'{bench}' is a file, not a folder.", "Name a folder.")
        return bench.resolve()
    try:
        return find_bench()
    except NotFound:
        # Not into whatever folder one happens to stand in: a new one of its own.
        return (Path.cwd() / "bench").resolve()


def _listen(host: str, port: int) -> socket.socket:
    from seeworthy.ground.errors import WrongCall

    for candidate in [*range(port, min(port + 20, 65536)), 0] if port else [0]:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, candidate))
            listener.listen(128)  # who comes before the server is up waits for it
            return listener
        except OSError:
            listener.close()
    raise WrongCall("No port is free.", "Name another with --port.")


def _own_address() -> str:
    """Return the address under which neighbours see this machine, without sending anything."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address: no packet leaves
            return str(probe.getsockname()[0])
        except OSError:
            return ""


def _invite(link: str) -> None:
    import segno

    typer.echo("On the phone, point its camera at this code (the link works once):")
    segno.make(link, error="l").terminal(compact=True)
    typer.echo(link)


def _more_guests(door: Any, host: str) -> None:
    while True:
        typer.echo("Press Enter for another link.")
        if not sys.stdin.readline():
            return
        _invite(f"{host}?key={door.ticket()}")


def _browse(server: Any, address: str) -> None:
    import time
    import webbrowser

    for _ in range(200):
        if server.started:
            webbrowser.open(address)
            return
        time.sleep(0.05)
