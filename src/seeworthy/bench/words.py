"""What the reviewer says of a camera in his own words: Markdown, kept in the bench.

One text per camera, kept in the database under the camera's own id, so that it is in every
backup and follows the camera when it is renamed. It is stored as typed; who shows it must
escape it (`seeworthy.publish.words`).
"""

from __future__ import annotations

from sqlalchemy.orm import Session

from seeworthy.bench.lookup import find_camera
from seeworthy.bench.models import AboutRow
from seeworthy.bench.store import Bench
from seeworthy.ground.errors import WrongCall

MOST = 40_000
"""Characters that a text may have: some fifteen printed pages, a judgement."""


def read_words(bench: Bench, camera: str) -> str:
    """Return the reviewer's text of a camera, ``""`` where there is none.

    Raises:
        NotFound: No such camera.
    """
    with bench.reading() as session:
        row = session.get(AboutRow, _key(session, camera))
        return row.value if row else ""


def save_words(bench: Bench, camera: str, text: str) -> None:
    """Keep the reviewer's text of a camera; an empty one takes it away.

    Raises:
        NotFound: No such camera.
        WrongCall: The text is too long, or holds signs that no text has.
    """
    text = text.replace("\r\n", "\n").strip()
    if len(text) > MOST:
        raise WrongCall(
            f"The text has {len(text):,} characters; {MOST:,} are kept.", "Make it shorter."
        )
    if any(ord(c) < 32 and c not in "\n\t" for c in text):
        raise WrongCall("The text holds control characters.", "Save it as plain UTF-8 text.")
    with bench.changing() as session:
        key = _key(session, camera)
        row = session.get(AboutRow, key)
        if text:
            session.merge(AboutRow(name=key, value=text))
        elif row is not None:
            session.delete(row)


def _key(session: Session, camera: str) -> str:
    return f"words.{find_camera(session, camera).uuid}"
