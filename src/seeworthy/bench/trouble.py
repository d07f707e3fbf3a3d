"""What databases and file systems complain about, in words with what to do."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm.exc import StaleDataError

from seeworthy.ground.errors import (
    FULL_DISK,
    BenchBusy,
    BenchError,
    BenchReadOnly,
    Conflict,
    NoSpace,
    NotFound,
    SeeworthyError,
)


def read_only_error(folder: Path) -> BenchReadOnly:
    """Say that a bench takes no changes."""
    return BenchReadOnly(
        f"The bench in '{folder}' is read-only; nothing was changed.",
        "Check the permissions of the folder, or copy the bench to where you may write.",
    )


def no_space_error(folder: Path) -> NoSpace:
    """Say that the disk is full."""
    return NoSpace(
        f"The disk of the bench in '{folder}' is full; nothing was written half.",
        "Free some space and do it again.",
    )


@contextmanager
def said_in_words(place: Path) -> Iterator[None]:
    """Turn what the database and the system complain about into errors for people.

    Args:
        place: The folder of the bench.
    """
    try:
        yield
    except SeeworthyError:
        raise
    except OverflowError:
        # A number in an address or a call that is larger than the database's integers.
        raise NotFound("There is nothing of that number.", "Look at the list first.") from None
    except StaleDataError:
        raise Conflict(
            "This was changed elsewhere in the meantime; nothing was overwritten.",
            "Look at the newer values and enter your change again.",
        ) from None
    except IntegrityError as error:
        raise Conflict(
            f"The change contradicts what the bench holds ({error.orig}).",
            "Look at what is there first: `seeworthy bench show`.",
        ) from error
    except DBAPIError as error:
        raise _of_database(error.orig, place) from error
    except sqlite3.Error as error:
        raise _of_database(error, place) from error
    except OSError as error:
        raise _of_system(error, place) from error


def _of_database(error: BaseException | None, folder: Path) -> BenchError:
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return read_only_error(folder)
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        # A failed write comes as FULL or, past a quota, as a plain input/output error.
        return no_space_error(folder)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return BenchBusy(
            f"Another program has held the bench in '{folder}' for too long.",
            "Wait until it is done, or close it, and do it again.",
        )
    if name.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return BenchError(
            f"'{folder / 'bench.sqlite'}' is damaged or is not a bench.",
            "Put a backup in its place: `seeworthy bench backup` makes them.",
        )
    return BenchError(
        f"The database of the bench refused: {error}.",
        "Check that it is the bench's own and that its server answers.",
    )


def _of_system(error: OSError, folder: Path) -> BenchError:
    if error.errno in FULL_DISK:
        return no_space_error(folder)
    if error.errno in {errno.EACCES, errno.EPERM, errno.EROFS}:
        return read_only_error(folder)
    return BenchError(
        f"'{error.filename or folder}' cannot be used: {error.strerror}.", "Check the folder."
    )
