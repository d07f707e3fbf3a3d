"""What a page, a print or a card has drawn: by processes of their own, or here.

The renderer holds Python's lock while it draws and takes half a second to start, so threads
gain nothing; a process that starts while the bench is still being read has both cores at work.
"""

from __future__ import annotations

import hashlib
import io
import pickle
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T")


class Here(Executor):
    """Draws at once in this process: a figure or two are not worth a process."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Return what is done already; an error comes at once, too."""
        done: Future[T] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


class _Once(Executor):
    """Hands on each drawing once: what is asked for again is the one in hand."""

    def __init__(self, pool: Executor) -> None:
        self._pool = pool
        self._asked: dict[bytes, Future[Any]] = {}

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Return the future of the first such call."""
        key = hashlib.sha256(pickle.dumps((fn, args, kwargs))).digest()
        found = self._asked.get(key)
        if found is None:
            found = self._asked[key] = self._pool.submit(fn, *args, **kwargs)
        return found

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes; whoever still waits for a drawing has gone."""
        self._pool.shutdown(wait, cancel_futures=cancel_futures)

    def __exit__(self, kind: Any, value: Any, trace: Any) -> None:
        self.shutdown(cancel_futures=True)


def hands() -> Executor:
    """Return a process that draws, starting now; none is started where there is one core.

    What is asked of it early is being drawn while the bench is read and judged.
    """
    from seeworthy.engine.workers import LocalWorkers, default_workers

    if default_workers() < 2:
        return Here()
    pool = LocalWorkers(1)
    pool.submit(_start)
    return _Once(pool)


def presses() -> Executor:
    """Return processes that only turn SVG into PNG, one a core; they need no chart library."""
    from seeworthy.engine.workers import LocalWorkers, default_workers

    return LocalWorkers() if default_workers() > 1 else Here()


def _start() -> None:
    """Load what draws, so that the first figure does not wait for it."""
    from PIL import Image

    from seeworthy.publish.chart import VERSION

    Image.preinit()
    svg({"mark": "point", "data": {"values": []}, "encoding": {}}, VERSION)


def svg(specification: dict[str, Any], version: str) -> str:
    """Draw a Vega-Lite specification."""
    import vl_convert

    drawn: str = vl_convert.vegalite_to_svg(specification, vl_version=version)
    return drawn


def png(svg: str) -> bytes:
    """Return an SVG as PNG of as many pixels as it says."""
    import vl_convert

    made: bytes = vl_convert.svg_to_png(svg, scale=1.0, ppi=72)
    return made


def print_png(svg: str, path: Path) -> None:
    """Write an SVG as PNG into a file."""
    path.write_bytes(png(svg))


def jpeg(data: bytes, size: tuple[int, int], quality: int) -> bytes:
    """Return a picture as a JPEG without colour subsampling that fits a size."""
    from PIL import Image

    with Image.open(io.BytesIO(data)) as opened:
        image = opened.convert("RGB")
    image.thumbnail(size)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality, subsampling=0)
    return out.getvalue()
