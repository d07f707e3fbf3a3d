"""The one exception tree, mapped once to exit codes and HTTP status.

Every error that a user can cause says what is wrong (``message``) and what to
do about it (``hint``). Faces print both; they never print a traceback.
"""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING, Any, ClassVar

if TYPE_CHECKING:
    from seeworthy.ground.results import Picture

FULL_DISK = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
"""What the system says of a write that has no room: the disk, a quota, a limit of one file."""


class SeeworthyError(Exception):
    """Base of all errors that a user sees.

    Args:
        message: One sentence: what is wrong, naming the file or value.
        hint: One sentence: what to do.
    """

    kind: ClassVar[str] = "error"
    exit_code: ClassVar[int] = 2
    http_status: ClassVar[int] = 400

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return self.message

    def __reduce__(self) -> tuple[Any, ...]:
        # Errors cross process borders (worker to engine); keep both texts.
        return (type(self), (self.message, self.hint))

    def to_json(self) -> dict[str, dict[str, str]]:
        """Return the one JSON error shape of the command line and the API."""
        return {"error": {"kind": self.kind, "message": self.message, "hint": self.hint}}


class WrongCall(SeeworthyError):
    """The command, option, role or name does not exist or does not fit.

    Args:
        line: Of a text that a person wrote, from 1; 0 where there is none.
    """

    kind = "wrong-call"

    def __init__(self, message: str, hint: str = "", line: int = 0) -> None:
        super().__init__(message, hint)
        self.line = line

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (self.message, self.hint, self.line))


class BadQuantity(WrongCall):
    """A typed value has no meaning: unknown unit, wrong dimension, out of range."""

    kind = "bad-quantity"


class UnreadableInput(SeeworthyError):
    """A file is missing, empty, of another kind, or damaged beyond use."""

    kind = "unreadable-input"
    http_status = 422


class CannotMeasure(SeeworthyError):
    """The input was read, but it does not carry the figure that was asked for.

    Args:
        message, hint: What was missing and how to film or read it again.
        pictures: What was (not) found, drawn on the frame.
        reason: A word for callers that go another way then; ``""`` where none does.
    """

    kind = "cannot-measure"
    exit_code = 3
    http_status = 422

    def __init__(
        self, message: str, hint: str = "", pictures: tuple[Picture, ...] = (), reason: str = ""
    ) -> None:
        super().__init__(message, hint)
        self.pictures = tuple(pictures)
        self.reason = reason

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (self.message, self.hint, self.pictures, self.reason))


class WorkerLost(SeeworthyError):
    """A worker process died, hung, or grew past its memory limit."""

    kind = "worker-lost"
    http_status = 500


class Fault(SeeworthyError):
    """The program itself failed; the user can do nothing but report it."""

    kind = "fault"
    exit_code = 1
    http_status = 500


class BenchError(SeeworthyError):
    """Something about the bench folder or its database stands in the way."""

    kind = "bench"
    http_status = 409


class NotFound(BenchError):
    """No camera, unit, take or procedure of that name."""

    kind = "not-found"
    http_status = 404


class Conflict(BenchError):
    """The change would contradict what the bench holds already."""

    kind = "conflict"


class BenchTooNew(BenchError):
    """The bench was written by a newer program."""

    kind = "bench-too-new"


class BenchReadOnly(BenchError):
    """The bench cannot be written to."""

    kind = "bench-read-only"
    http_status = 403


class BenchBusy(BenchError):
    """Another process holds the bench."""

    kind = "bench-busy"
    http_status = 503


class EvidenceChanged(BenchError):
    """A file is not, or no longer, what was entered into the bench."""

    kind = "evidence-changed"


class NoSpace(BenchError):
    """The disk is full; nothing was written half."""

    kind = "no-space"
    http_status = 507
