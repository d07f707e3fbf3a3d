"""How a take is repeated: the command that computes its figures again from its files."""

from __future__ import annotations

import shlex

from seeworthy.bench.records import Take


def command(take: Take) -> str:
    """Return the command of a take, quoted for a POSIX shell."""
    words = ["seeworthy", "measure", take.procedure]
    words += [f"./{f.name}" if f.name.startswith("-") else f.name for f in take.files if not f.role]
    for file in take.files:
        if file.role:
            words += ["--with", f"{file.role}={file.name}"]
    for reading in take.readings:
        words += ["--reading", f"{reading.name}={reading.text}"]
    for name, value in take.options:
        words += ["--option", f"{name}={value}"]
    return shlex.join(words)
