"""What a page, a print or a card has drawn: by processes of their own, or here.

The renderer holds Python's lock while it draws and takes half a second to start, so threads
gain nothing; a process that starts while the bench is still being read has both cores at work.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any, TypeVar

T = TypeVar("T")


class Here(Executor):
    """Draws at once in this process: a figure or two are not worth a process."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Return what is done already; an error comes at once, too."""
        done: Future[T] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


def hands(count: int = 1) -> Executor:
    """Return processes that draw, starting now; none is started where there is one core."""
    from seeworthy.engine.workers import LocalWorkers, default_workers

    if default_workers() < 2:
        return Here()
    pool = LocalWorkers(min(count, default_workers()))
    for _ in range(count):
        pool.submit(_start)
    return pool


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


def jpeg(data: bytes, size: tuple[int, int], quality: int) -> bytes:
    """Return a picture as a JPEG without colour subsampling that fits a size."""
    from PIL import Image

    with Image.open(io.BytesIO(data)) as opened:
        image = opened.convert("RGB")
    image.thumbnail(size)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality, subsampling=0)
    return out.getvalue()
