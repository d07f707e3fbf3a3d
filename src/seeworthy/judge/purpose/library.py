"""Where purposes come from: shipped with the program, or the user's own files."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from types import MappingProxyType

from seeworthy.ground.errors import NotFound
from seeworthy.ground.toml_text import read_toml_file
from seeworthy.judge.purpose.model import Purpose, read_purpose


@cache
def shipped() -> Mapping[str, Purpose]:
    """Return the purposes that come with the program, by name."""
    folder = resources.files("seeworthy.judge.purpose") / "shipped"
    found = {}
    for item in sorted(folder.iterdir(), key=lambda p: p.name):
        if item.name.endswith(".toml"):
            name = item.name.removesuffix(".toml")
            found[name] = read_purpose(item.read_text(encoding="utf-8"), name)
    return MappingProxyType(found)


def text_of(name: str) -> str:
    """Return the TOML text of a shipped purpose, to start an own one from.

    Raises:
        NotFound: No such shipped purpose.
    """
    item = resources.files("seeworthy.judge.purpose") / "shipped" / f"{name}.toml"
    if name not in shipped():
        raise NotFound(f"There is no shipped purpose '{name}'.", f"Known: {', '.join(shipped())}.")
    return item.read_text(encoding="utf-8")


def find_purpose(name: str, folder: Path | None = None) -> Purpose:
    """Return a purpose by name or by path of a TOML file.

    Args:
        name: Name of a shipped purpose, of a file in `folder`, or a path ending in .toml.
        folder: The bench's own ``purposes/`` folder; its files come before shipped ones.

    Raises:
        NotFound: No such purpose.
        WrongCall: The file is wrong; the message has the line.
    """
    paths = [Path(name)] if name.endswith(".toml") else []
    if folder is not None and not name.endswith(".toml"):
        paths.append(folder / f"{name}.toml")
    for path in paths:
        if path.is_file():
            return read_purpose(read_toml_file(path, "purpose"), path.stem)
    known = shipped()
    if name in known:
        return known[name]
    own = sorted(p.stem for p in folder.glob("*.toml")) if folder and folder.is_dir() else []
    raise NotFound(
        f"There is no purpose '{name}'.",
        f"Known: {', '.join([*own, *known])}; or name a .toml file.",
    )
