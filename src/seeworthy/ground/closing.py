"""Things that are closed at the end of a ``with`` block."""

from __future__ import annotations

from typing import Self


class Closing:
    """A ``with`` block closes it at its end, whatever happened inside."""

    def close(self) -> None:
        """Let go of what is held."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
