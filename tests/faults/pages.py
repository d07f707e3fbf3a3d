"""Send broken files to the pages of a real server, as a browser does.

``python pages.py FOLDER FIRST LAST``: files FIRST to LAST of the sorted broken ones. Prints one
line of JSON: how often each status came, and what may not be (5xx, too slow, a traceback).
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

SECONDS = 60.0
_TEST = {"csv": "load", "jpg": "colour", "png": "colour", "tiff": "colour", "cube": "load"}


@dataclass
class Client:
    """What asks the server; `codes` counts the answers, `bad` keeps those that may not be."""

    address: str
    codes: dict[int, int] = field(default_factory=dict)
    bad: list[str] = field(default_factory=list)

    def ask(self, method: str, path: str, body: object = None, form: object = None) -> bytes:
        kind, data = "application/json", None
        if isinstance(body, bytes):
            data = body
        elif body is not None:
            data = json.dumps(body).encode()
        if form is not None:
            kind = "application/x-www-form-urlencoded"
            data = urllib.parse.urlencode(form, doseq=True).encode()  # type: ignore[call-overload]
        headers = {"content-type": kind, "origin": self.address}
        request = urllib.request.Request(self.address + path, data, headers, method=method)
        began = time.monotonic()
        try:
            with urllib.request.urlopen(request, timeout=2 * SECONDS) as answer:
                code, said = answer.status, answer.read()
        except urllib.error.HTTPError as error:
            code, said = error.code, error.read()
        self.codes[code] = self.codes.get(code, 0) + 1
        took = time.monotonic() - began
        if code >= 500 or took > SECONDS:
            self.bad.append(f"{method} {path}: {code} after {took:.1f} s, {said[-300:]!r}")
        return said

    def send(self, name: str, data: bytes) -> str:
        """Upload a file; return its ticket, empty where it was refused."""
        begun = json.loads(self.ask("POST", "/uploads", {"name": name, "size": len(data)}))
        ticket = begun.get("ticket", "")
        if ticket:
            self.ask("PATCH", f"/uploads/{ticket}?offset=0", data)
        return ticket


def through(client: Client, path: Path) -> None:
    """Do with a file what the pages offer for its kind."""
    kind, data = path.suffix[1:], path.read_bytes()
    if kind == "toml":
        text = data.decode("utf-8", "replace")
        client.ask("POST", "/api/plan", {"flight": text})
        client.ask("POST", "/suit/edit", form={"name": "own", "text": text})
        return
    ticket = client.send(path.name, data)
    if kind == "zip":
        client.ask("POST", "/restore", form={"file": ticket, "name": "back"})
        client.ask("POST", "/reports/package", form={"file.package": ticket, "sure": "yes"})
        return
    role = "reference" if _TEST.get(kind) == "colour" else ""
    take = {"procedure": _TEST.get(kind, "timing"), "camera": "Dunlin", "files": {role: [ticket]}}
    if role:
        take["files"][""] = [client.send("good.mp4", (path.parent / "good.mp4").read_bytes())]
    number = json.loads(client.ask("POST", "/api/takes", take)).get("id")
    for place in (0, len(take["files"]) - 1) if number else ():
        client.ask("GET", f"/takes/{number}/frames/{place}")
        client.ask("GET", f"/takes/{number}/frames/{place}/0.jpg")
    if number:
        client.ask("GET", f"/takes/{number}")
    if kind in ("mp4", "mov", "avi", "mkv"):
        like = client.send(f"good.{kind}", (path.parent / f"good.{kind}").read_bytes())
        broken = client.send(path.name, data)
        client.ask("POST", "/mend/recover", form={"file.broken": broken, "file.good": like})


def card(client: Client, paths: list[Path]) -> None:
    """Take files in as a card, and look at what was made of them."""
    tickets = [client.send(p.name, p.read_bytes()) for p in paths]
    client.ask("POST", "/import", form={"file": [t for t in tickets if t]})
    for _ in range(120):
        if b"Looking at" not in client.ask("GET", "/import"):
            break
        time.sleep(0.5)
    client.ask("GET", "/")


def main(folder: Path, first: int, last: int) -> int:
    """Start a server over a new bench, send the files, measure, report."""
    files = sorted(p for p in folder.iterdir() if p.name[:4].isdigit())[first:last]
    with tempfile.TemporaryDirectory(prefix="seeworthy-") as place:
        bench = Path(place) / "bench"
        for words in (["bench", "new", str(bench)],
                      ["camera", "add", "Dunlin", "--bench", str(bench)]):  # fmt: skip
            subprocess.run([sys.executable, "-m", "seeworthy", *words], check=True,
                           stdout=subprocess.DEVNULL)  # fmt: skip
        words = ["serve", "--bench", str(bench), "--no-browser", "--port", "0"]
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
        with subprocess.Popen([sys.executable, "-m", "seeworthy", *words], **pipes) as server:
            assert server.stdout is not None
            assert server.stderr is not None
            client = Client(server.stdout.readline().split()[-1].rstrip("/"))
            try:
                for path in files:
                    through(client, path)
                card(client, [p for p in files if p.suffix in (".mp4", ".jpg", ".csv", ".mov")])
                client.ask("POST", "/api/run", b"null")
                while json.loads(client.ask("GET", "/api/run")).get("busy"):
                    time.sleep(0.5)
                client.ask("GET", "/reports/1")
                status = Path(f"/proc/{server.pid}/status").read_text(encoding="ascii")
                mib = int(status.partition("VmHWM:")[2].split()[0]) // 1024
            finally:
                server.terminate()
            _, said = server.communicate()
    if "Traceback" in said:
        client.bad.append(said[-2000:])
    line = {"files": len(files), "codes": client.codes, "mib": mib, "bad": client.bad}
    sys.stdout.write(json.dumps(line) + "\n")
    return len(client.bad)


if __name__ == "__main__":
    sys.exit(min(1, main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))
