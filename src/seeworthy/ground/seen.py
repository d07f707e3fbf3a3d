"""Text that strangers wrote, as it is shown: without what cannot be seen or turns it around."""

from __future__ import annotations

import re

TURNING = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""Turn the order of letters around (Unicode Standard Annex 9, 2): 'gnp.exe' shows as 'exe.png'."""
# Controls but tab and line ends, halves of pairs, and what is no character: not allowed in XML 1.0
# (2.2), or for a terminal's eyes only.
_UNSEEN = re.compile(f"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff{TURNING}]")


def only_seen(text: str) -> str:
    """Return a text without characters that cannot be seen, and without those that turn it."""
    return _UNSEEN.sub("", text)
