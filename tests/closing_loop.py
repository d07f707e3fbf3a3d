"""Look at the first pictures of a damaged clip again and again, other threads being busy.

``python closing_loop.py CLIP``: ends at once, or never when a decoder is freed at work.
"""

from __future__ import annotations

import sys
import threading

from seeworthy.media.frames import watch
from seeworthy.media.source import Source


class First:
    """Leaves after three pictures, while the decoder's threads are at work on the next."""

    def begin(self, stage):
        self.seen = 0

    def frame(self, view):
        self.seen += 1
        return self.seen < 3

    def finish(self):
        pass


def spin(ended: threading.Event) -> None:
    while not ended.is_set():
        sum(range(2000))


if __name__ == "__main__":
    ended = threading.Event()
    for _ in range(4):
        threading.Thread(target=spin, args=(ended,), daemon=True).start()
    for _ in range(40):
        watch(Source.of(sys.argv[1]), [First()])
    ended.set()
