"""Short films made from a camera's evidence, for a video: MP4 without sound.

Every frame is a picture of the evidence, drawn upon; what is computed, not filmed, is said on
the picture and in the caption.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from seeworthy.bench.outcomes import list_outcomes
from seeworthy.bench.takes import list_takes
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.leftovers import scratch
from seeworthy.ground.quantities import convert
from seeworthy.media.glimpse import facts, frame_jpeg
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.numbers import value_text
from seeworthy.publish.palette import BLUE, INK, PAPER, VERMILION

if TYPE_CHECKING:
    from seeworthy.bench.records import StoredOutcome, Take, TakeFile
    from seeworthy.bench.store import Bench

Pixels = npt.NDArray[np.uint8]

SIZE = (1280, 720)  # px, as cards and pages show it without enlarging (a judgement)
RATE = 30  # Hz, as most screens can show it evenly (a judgement)
SECONDS = 6.0  # s: time to read three figures (a judgement)
FASTEST = 2.0
"""Picture widths per second at the end of the lean: a pole close by at walking pace, or a tree
line in a fast turn. A judgement."""


def lean(bench: Bench, camera: str, out: Path) -> str:
    """Let an upright lean as speed grows, row by row, by the measured read-out time.

    Returns:
        The caption.

    Raises:
        CannotMeasure: No read-out time, or its clip is not here.
    """
    for stored in reversed(list_outcomes(bench, camera=camera, procedure="readout")):
        found = next((r for r in stored.results if r.measurand == "readout_time"), None)
        if found is not None and stored.take.files and stored.take.files[0].path.is_file():
            break
    else:
        raise CannotMeasure("There is no read-out time with its clip.", "Run 'readout'.")
    still = _still(stored.take.files[0])
    seconds = convert(found.value, found.unit, "s")
    caption = (
        f"A still of take {stored.take.id} of {camera}, leaned by computation with its measured "
        f"read-out time of {value_text(found)}, on top of any lean that it had"
    )
    height, width = still.shape[:2]
    rows = (np.arange(height) + 0.5) / height - 0.5
    twice = np.concatenate([still, still], axis=1)

    def draw(share: float) -> Pixels:
        speed = FASTEST * min(1.0, share / 0.85)
        moved = np.rint(speed * width * seconds * rows).astype(int) % width
        picture = np.stack([twice[row, m : m + width] for row, m in enumerate(moved)])
        return _labelled(
            picture,
            f"{speed:.1f} picture widths a second",
            f"read-out {value_text(found)}, computed",
        )

    _film(out, draw)
    return caption


def light(bench: Bench, camera: str, out: Path) -> str:
    """Wipe between one test at its most and at its least light.

    Raises:
        CannotMeasure: No test was filmed at two light levels.
    """
    best: tuple[float, tuple[float, Take], tuple[float, Take]] | None = None
    takes = [t for t in list_takes(bench, camera=camera) if t.files]
    for procedure in dict.fromkeys(t.procedure for t in takes):
        lit = sorted(
            (
                (c.value, t)
                for t in takes
                if t.procedure == procedure and t.files[0].path.is_file()
                for c in t.conditions
                if c.name == "light" and c.value > 0
            ),
            key=lambda pair: pair[0],
        )
        if len(lit) > 1 and lit[-1][0] > 1.5 * lit[0][0]:
            ratio = lit[-1][0] / lit[0][0]
            if best is None or ratio > best[0]:
                best = ratio, lit[-1], lit[0]
    if best is None:
        raise CannotMeasure("No test was filmed at two light levels.", "Give takes their --light.")
    _, (bright, first), (dim, second) = best
    one, other = _still(first.files[0]), _still(second.files[0])
    lights = [f"{x:.0f} lx" if x >= 100 else f"{x:.3g} lx" for x in (bright, dim)]
    _film(out, _wipe(one, other, *lights))
    return (
        f"The same scene by {camera} at {lights[0]} (take {first.id}) and at {lights[1]} "
        f"(take {second.id})"
    )


def correction(bench: Bench, camera: str, out: Path) -> str:
    """Wipe between a picture as recorded and as mended with the camera's measured lens.

    Raises:
        CannotMeasure: No lens was measured, or its clip is not here.
    """
    from seeworthy.judge.correct.apply import correct_clip
    from seeworthy.judge.correct.choose import from_bench

    stored: StoredOutcome | None = next(
        (
            o
            for o in reversed(list_outcomes(bench, camera=camera, procedure="lens"))
            if o.outcome.correction and o.take.files and o.take.files[0].path.is_file()
        ),
        None,
    )
    if stored is None:
        raise CannotMeasure("There is no measured lens with its clip.", "Run 'lens'.")
    file = stored.take.files[0]
    corrections = from_bench(
        bench, camera, unit=stored.take.unit, without=("shading", "colour", "dark")
    )
    at = _fullest(file)
    with scratch() as place:
        mended = place / "mended.mp4"
        correct_clip(Source(file.path, file.name), corrections, mended, only=at)
        after = _picture(mended, file.name)
    _film(out, _wipe(_picture(file.path, file.name, at), after, "as recorded", "mended"))
    return (
        f"A picture of take {stored.take.id} of {camera}, as recorded and mended with its "
        "measured lens"
    )


def claim(bench: Bench, camera: str, out: Path) -> str:
    """Let the claimed and the measured figure grow side by side, of the claim furthest off.

    Raises:
        CannotMeasure: No claim with a value was measured.
    """
    report = camera_report(bench, camera, pictures=False)
    found = [
        (abs(j.result.value / j.claim.value - 1), j, j.claim, j.result)
        for j in report.judgements
        if j.claim is not None and j.claim.value and j.claim.value > 0
        and j.result is not None and j.result.value > 0
    ]  # fmt: skip
    if not found:
        raise CannotMeasure("No claim with a value was measured.", "Enter one: 'camera claim'.")
    _, said, claimed, measured = max(found, key=lambda entry: entry[0])
    high = measured.interval[1]
    top = max(claimed.value or 0.0, measured.value, high if np.isfinite(high) else 0.0)
    bars = (
        ("claimed", claimed.text or f"{claimed.value:g}", (claimed.value or 0.0) / top, VERMILION),
        ("measured", value_text(measured), measured.value / top, BLUE),
    )

    @lru_cache(1)  # the second half of the film stands still
    def draw(grown: float) -> Pixels:
        image = Image.new("RGB", SIZE, PAPER)
        pen = ImageDraw.Draw(image)
        pen.text((70, 60), f"{report.camera}: {said.title}", INK, font=_font(56))
        for place, (word, text, part, colour) in enumerate(bars):
            y = 210 + 230 * place
            pen.text((70, y), f"{word} {text}".replace("\u202f", " "), INK, font=_font(48))
            pen.rectangle((70, y + 75, 70 + max(2, 1140 * part * grown), y + 155), fill=colour)
        return np.asarray(image)

    _film(out, lambda share: draw(min(1.0, share / 0.5)))
    return f"{report.camera}, {said.title}: claimed {bars[0][1]}, measured {bars[1][1]}"


def load(bench: Bench, camera: str, out: Path) -> str:
    """Draw the load below the picture, where a knock tied clip and logger.

    Raises:
        CannotMeasure: No such take, or its files are not here.
    """
    from seeworthy.procedures import procedure
    from seeworthy.procedures.declare import gather
    from seeworthy.publish.tied_film import write_tied

    for stored in reversed(list_outcomes(bench, camera=camera, procedure="tie")):
        files = stored.take.files
        if stored.results and files and all(f.path.is_file() for f in files):
            break
    else:
        raise CannotMeasure("No clip is tied to its logger here.", "Knock on both: 'tie'.")
    roles: dict[str, list[Source]] = {}
    for file in files:
        roles.setdefault(file.role, []).append(Source(file.path, file.name))
    options: dict[str, list[str]] = {}
    for name, value in stored.take.options:
        options.setdefault(name, []).append(value)
    inputs = gather(procedure("tie"), roles, {}, options)
    return f"Take {stored.take.id} of {camera}: {write_tied(inputs, stored.outcome, out)}"


MAKERS: dict[str, Callable[[Bench, str, Path], str]] = {
    "lean": lean,
    "light": light,
    "correction": correction,
    "claim": claim,
    "load": load,
}
"""Films by name; each answers with its caption."""


@lru_cache
def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _middle(file: TakeFile) -> int:
    """Return the number of the frame that stands for a clip."""
    return (facts(str(file.path), file.name).count or 1) // 2


def _still(file: TakeFile) -> Pixels:
    return _picture(file.path, file.name, _middle(file))


def _fullest(file: TakeFile) -> int:
    """Return which of nine pictures, evenly through a clip, has the most to see in it."""
    count = facts(str(file.path), file.name).count or 1
    places = sorted({round(count * k / 10) for k in range(1, 10)})

    def edges(at: int) -> float:
        shown = io.BytesIO(frame_jpeg(str(file.path), file.name, at, 320))
        grey = np.asarray(Image.open(shown).convert("L"), dtype=float)
        return float(np.abs(np.diff(grey, axis=0)).mean() + np.abs(np.diff(grey, axis=1)).mean())

    return max((at for at in places if at < count), key=edges, default=0)


def _picture(path: Path, name: str, frame: int = 0) -> Pixels:
    """Return a picture of a clip, fitted into `SIZE` on paper."""
    shown = io.BytesIO(frame_jpeg(str(path), name, frame, SIZE[0]))
    image = Image.open(shown).convert("RGB")
    scale = min(SIZE[0] / image.width, SIZE[1] / image.height)
    image = image.resize((round(image.width * scale), round(image.height * scale)))
    whole = Image.new("RGB", SIZE, PAPER)
    whole.paste(image, ((SIZE[0] - image.width) // 2, (SIZE[1] - image.height) // 2))
    return np.asarray(whole)


def _wipe(
    left: Pixels, right: Pixels, left_word: str, right_word: str
) -> Callable[[float], Pixels]:
    def draw(share: float) -> Pixels:
        at = int(SIZE[0] * (0.5 + 0.42 * np.sin(2 * np.pi * share)))
        picture = np.concatenate([left[:, :at], right[:, at:]], axis=1)
        picture[:, max(0, at - 2) : at + 2] = 255
        return _labelled(picture, left_word, right_word)

    return draw


def _labelled(picture: Pixels, left: str, right: str) -> Pixels:
    """Write words at both lower corners, on paper so that they can be read on any picture."""
    made = np.array(picture)
    for x, y, label in (_label(left, end=False), _label(right, end=True)):
        made[y : y + label.shape[0], x : x + label.shape[1]] = label
    return made


@lru_cache(64)
def _label(word: str, end: bool) -> tuple[int, int, Pixels]:
    """Return a label, and where its upper left corner stands; a film shows few of them often."""
    word = word.replace("\u202f", " ")  # Pillow's own face has no narrow space
    image = Image.new("RGB", SIZE)
    pen = ImageDraw.Draw(image)
    font = _font(40)
    width = pen.textlength(word, font=font)
    x = SIZE[0] - 30 - width if end else 30
    y = SIZE[1] - 80 - (64 if end and width > SIZE[0] / 2 else 0)
    pen.rectangle((x - 14, y - 6, x + width + 14, y + 52), fill=PAPER)
    pen.text((x, y), word, INK, font=font)
    box = image.getbbox()
    assert box is not None
    return box[0], box[1], np.asarray(image.crop(box))


def _film(out: Path, draw: Callable[[float], Pixels]) -> None:
    frames = int(SECONDS * RATE)
    with ClipWriter(out, *SIZE, RATE, bit_rate=None, options={"crf": "20"},
                    muxer={"movflags": "+faststart"}) as film:  # fmt: skip
        for number in range(frames):
            film.write_rgb(draw(number / (frames - 1)))
