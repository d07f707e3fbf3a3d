"""A file as procedures see it: opened late, hashed once, never written to."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from seeworthy.ground.errors import UnreadableInput

Kind = Literal["clip", "still", "sound", "table", "unknown"]

_STILLS = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp", ".ppm", ".pgm"}
_TABLES = {".csv", ".tsv", ".txt", ".log", ".cgats", ".it8"}
_SOUNDS = {".wav", ".flac", ".mp3", ".m4a", ".aac", ".ogg"}


@dataclass(frozen=True, slots=True)
class Source:
    """One input file.

    Attributes:
        path: Where it is read from (in a bench: the evidence copy).
        name: What the user called it; shown in messages and results.
    """

    path: Path
    name: str

    @classmethod
    def of(cls, path: str | Path) -> Source:
        """Check that a path is a non-empty readable file and wrap it.

        Raises:
            UnreadableInput: Missing, a folder, empty, or not readable.
        """
        p = Path(path)
        if p.is_dir():
            raise UnreadableInput(f"'{p}' is a folder, not a file.", "Name the file inside it.")
        if not p.exists():
            raise UnreadableInput(f"There is no file '{p}'.", "Check the spelling and the folder.")
        try:
            size = p.stat().st_size
            with p.open("rb") as handle:
                handle.read(1)
        except OSError as error:
            raise UnreadableInput(
                f"'{p}' cannot be read: {error.strerror}.", "Check the file's permissions."
            ) from None
        if size == 0:
            raise UnreadableInput(
                f"'{p.name}' is empty (0 bytes).",
                "The recording was never finished or the copy broke off; copy it again.",
            )
        return cls(p, p.name)

    @property
    def size(self) -> int:
        """Size in bytes."""
        return self.path.stat().st_size

    def guess_kind(self) -> Kind:
        """Guess the kind by the name's ending only (content decides later)."""
        ending = self.path.suffix.lower() or Path(self.name).suffix.lower()
        if ending in _STILLS:
            return "still"
        if ending in _TABLES:
            return "table"
        if ending in _SOUNDS:
            return "sound"
        return "clip"

    def sha256(self) -> str:
        """Return the hex SHA-256 of the content (streamed)."""
        with self.path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
