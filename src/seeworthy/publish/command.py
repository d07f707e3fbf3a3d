"""How a take is repeated: the command that computes its figures again from its files."""

from __future__ import annotations

import shlex

from seeworthy.publish.model import TakeReport


def command(take: TakeReport) -> str:
    """Return the command of a take, quoted for a POSIX shell."""
    words = ["seeworthy", "measure", take.procedure]
    words += [f"./{f.name}" if f.name.startswith("-") else f.name for f in take.files if not f.role]
    for file in take.files:
        if file.role:
            words += ["--with", f"{file.role}={file.name}"]
    for option, lines in (("--reading", take.readings), ("--option", take.options)):
        for line in lines:
            words += [option, f"{line.name}={line.text}"]
    return shlex.join(words)
