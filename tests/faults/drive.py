"""Run commands on broken files in this process and print one line of JSON a command.

``python drive.py FOLDER FIRST LAST``: files FIRST to LAST of the sorted broken ones. The caller
watches the time; a crash of the interpreter ends the lines early, which the caller sees.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
import time
from pathlib import Path

from seeworthy.cli.main import run

STILLS = ("jpg", "png", "tiff")


def commands(path: Path, bench: Path, out: Path) -> list[list[str]]:
    """Return what a person would do with such a file."""
    name, kind, good = str(path), path.suffix[1:], str(path.parent / "good.mp4")
    at = ["--bench", str(bench)]
    if kind in ("mp4", "mov", "avi", "mkv"):
        like = str(path.parent / f"good.{kind}")
        matrix = str(path.parent / "good.json")
        return [
            ["look", name],
            ["measure", "timing", name],
            ["recover", name, "--like", like, "--out", str(out / f"r.{kind}")],
            ["correct", name, "--colour", matrix, "--out", str(out / "c.mov")],
        ]
    if kind in STILLS:
        return [
            ["look", name],
            ["measure", "colour", good, "--with", f"reference={name}"],
        ]
    if kind == "csv":
        return [["measure", "load", name], ["measure", "battery", name]]
    if kind == "toml":
        return [["plan", name, *at], ["suit", name, *at]]
    if kind == "json":
        return [
            ["correct", good, "--colour", name, "--out", str(out / "c.mov")],
            ["correct", good, "--lens", name, "--out", str(out / "c.mov")],
        ]
    if kind == "cube":
        return [["look", name], ["measure", "load", name]]
    return [["import", name, *at], ["bench", "restore", name, str(out / "back")]]


def _most_mib() -> int:
    """Return this program's own peak: what ``getrusage`` says counts the parent before exec."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) // 1024


def main(folder: Path, first: int, last: int) -> None:
    """Run the commands of some files."""
    files = sorted(p for p in folder.iterdir() if p.name[:4].isdigit())[first:last]
    bench, out = folder.parent / f"bench-{first}", folder.parent / f"out-{first}"
    run(["bench", "new", str(bench)])
    run(["camera", "add", "Dunlin", "--bench", str(bench)])
    out.mkdir()
    for path in files:
        before = path.read_bytes()
        for words in commands(path, bench, out):
            said = io.StringIO()
            began = time.monotonic()
            with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
                code = run(words)
            # A refusal leaves nothing behind; what succeeded may leave its file.
            left = [p.name for p in out.iterdir() if p.name.startswith(".") or code != 0]
            for one in sorted(out.rglob("*"), reverse=True):
                one.chmod(0o755)
                one.rmdir() if one.is_dir() else one.unlink()
            line = {
                "file": path.name,
                "words": words[:2],
                "code": code,
                "seconds": round(time.monotonic() - began, 2),
                "mib": _most_mib(),
                "said": said.getvalue()[-300:],
                "left": left,
                "touched": path.read_bytes() != before,
            }
            sys.stdout.write(json.dumps(line) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
