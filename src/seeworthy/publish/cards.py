"""Cards of a camera for a film: every result, claim, figure and comparison, with words beside."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from seeworthy.bench.cameras import get_camera
from seeworthy.ground.closing import Closing
from seeworthy.ground.errors import CannotMeasure, Conflict, NotFound, SeeworthyError, WrongCall
from seeworthy.ground.leftovers import beside
from seeworthy.publish import drawing
from seeworthy.publish.assemble import camera_report
from seeworthy.publish.card_drawing import SIZES, Card, card_svg
from seeworthy.publish.views import ResultLine, TakeView, chapters, claim_rows
from seeworthy.publish.write import file_names, slug

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench
    from seeworthy.publish.model import CameraReport

SECONDS = 10.0
"""Of one card in ``chapters.txt``. A judgement: time to read a card aloud; players of films with
chapters commonly want ten seconds for each (common practice, no source)."""
KINDS = ("result", "claim", "figure", "comparison")
MARK = "cards.json"


@dataclass(frozen=True, slots=True)
class Cards:
    """What was written: the folder, the cards in order, and clips with their captions."""

    folder: Path
    cards: tuple[Card, ...]
    clips: tuple[tuple[str, str], ...] = ()
    left: tuple[str, ...] = ()


def cards_of(
    bench: Bench, camera: str, compared: Sequence[tuple[frozenset[str], Card]] | None = None
) -> list[Card]:
    """Return the cards of a camera in the order of its report.

    Args:
        compared: The comparisons of the bench, where they are known (`Press`).

    Raises:
        NotFound: No such camera, or nothing measured.
    """
    report = camera_report(bench, camera, pictures=False)
    compared = _compared(bench) if compared is None else compared
    between = [card for cameras, card in compared if report.camera in cameras]
    found = [*_claims(report), *_measured(report), *between]
    if not found:
        raise NotFound(
            f"'{report.camera}' has nothing to show on a card.", "Measure it: 'seeworthy run'."
        )
    names: dict[str, int] = {}
    made = []
    for card in found:
        names[card.name] = names.get(card.name, 0) + 1
        tail = "" if names[card.name] == 1 else f"-{names[card.name]}"
        made.append(replace(card, name=card.name + tail) if tail else card)
    return made


def _claims(report: CameraReport) -> Iterator[Card]:
    for row in claim_rows(report.judgements):
        if not row.claimed or not row.measured:
            continue
        yield Card(
            f"claim-{slug(row.title)}",
            "claim",
            report.camera,
            row.title,
            row.measured,
            tuple(
                line
                for line in (
                    f"claimed: {row.claimed}",
                    f"95 % interval {row.interval}" if row.interval else "",
                )
                if line
            ),
            row.badge,
            None,
            "Measured and claimed figure" + (f"; claim from {row.source}" if row.source else ""),
        )


def _measured(report: CameraReport) -> Iterator[Card]:
    for chapter in chapters(report):
        for view in chapter.takes:
            foot = f"{chapter.title}, {view.label}" + (f", {view.context}" if view.context else "")
            for row in view.rows:
                yield _result(report, view, row, foot)
            for figure in view.told.outcome.figures if view.told.outcome else ():
                yield Card(
                    f"figure-{slug(view.told.take.procedure)}-{view.told.take.id}-{slug(figure.name)}",
                    "figure", report.camera, figure.title, figure=figure, foot=foot,
                )  # fmt: skip


def _result(report: CameraReport, view: TakeView, row: ResultLine, foot: str) -> Card:
    lines = (f"95 % interval {row.interval}", row.conditions)
    return Card(
        f"result-{slug(row.title)}-{view.told.take.id}", "result", report.camera, row.title,
        row.value, tuple(x for x in lines if x), None, None, foot,
    )  # fmt: skip


def _compared(bench: Bench) -> list[tuple[frozenset[str], Card]]:
    """Return the comparisons of a bench: of which cameras, and the card."""
    from seeworthy.judge.compare.comparison import compare_bench
    from seeworthy.publish.judgement_figures import compare_figure

    try:
        found = compare_bench(bench)
    except (CannotMeasure, NotFound):
        return []  # a camera alone, or nothing alike
    made = []
    for row in found.rows:
        figure = compare_figure(row)
        subjects = [v.subject for v in row.values]
        card = Card(
            f"comparison-{slug(row.measurand.title)}", "comparison", ", ".join(subjects),
            figure.title, figure=figure, foot="Like with like; a bar is the 95 % interval",
        )  # fmt: skip
        made.append((frozenset(subjects), card))
    return made


class Press(Closing):
    """Prints the cards of several cameras; what they share is compared and drawn once.

    Charts are drawn in this process, where the chart library is loaded once; every core turns
    them into pixels.
    """

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._pool = drawing.presses()
        self._printed: dict[tuple[int, str, bool], Path] = {}

    @cached_property
    def compared(self) -> list[tuple[frozenset[str], Card]]:
        """The comparisons of the bench."""
        return _compared(self.bench)

    def begin(self, card: Card, size: str, alpha: bool, part: Path, target: Path) -> Future[None]:
        """Begin to write one card into `part`, which is going to be `target`."""
        name = f"{card.name}-{size}"
        key = (id(card.figure), size, alpha)
        known = self._printed.get(key) if card.kind == "comparison" else None
        if known is not None:
            for ending in (".svg", ".png"):
                shutil.copyfile(f"{known}{ending}", part / f"{name}{ending}")
            done: Future[None] = Future()
            done.set_result(None)
            return done
        if card.kind == "comparison":
            self._printed[key] = target / name
        svg = card_svg(card, SIZES[size], alpha=alpha)
        (part / f"{name}.svg").write_text(svg, encoding="utf-8")
        return self._pool.submit(drawing.print_png, svg, part / f"{name}.png")

    def close(self) -> None:
        """End the processes; a card that nobody waits for any more is not printed."""
        self._pool.shutdown(cancel_futures=True)


def _untold(done: int, total: int) -> None:
    """Take no notice of how far it is."""


def write_cards(
    bench: Bench,
    camera: str,
    folder: str | Path | None = None,
    *,
    sizes: Sequence[str] = tuple(SIZES),
    kinds: Sequence[str] = KINDS,
    alpha: bool = False,
    clips: bool = False,
    seconds: float = SECONDS,
    tell: Callable[[int, int], None] = _untold,
    press: Press | None = None,
) -> Cards:
    """Write cards as SVG and PNG with captions and alternative text, and ``chapters.txt``.

    Args:
        folder: New, or cards, which are replaced; default ``exports/cards-CAMERA`` of the bench.
        sizes: Of `SIZES`.
        kinds: Of `KINDS`.
        alpha: Transparent paper.
        clips: Also short films made from the evidence (`seeworthy.publish.card_clips`).
        seconds: Of one card in ``chapters.txt``.
        tell: Called with how many cards are drawn, of how many.
        press: What prints, shared by the cards of several cameras; one of its own by default.

    Raises:
        NotFound: No such camera, nothing measured, or no card of these kinds.
        WrongCall: No such size or kind.
        Conflict: The folder holds something else.
    """
    _check(sizes, kinds, seconds)
    if press is None:
        with Press(bench) as own:
            return write_cards(
                bench, camera, folder, sizes=sizes, kinds=kinds, alpha=alpha, clips=clips,
                seconds=seconds, tell=tell, press=own,
            )  # fmt: skip
    found = [c for c in cards_of(bench, camera, press.compared) if c.kind in kinds]
    if not found:
        raise NotFound("There is no card of this kind.", "Leave --kind out to get all.")
    target = _target(bench, camera, folder)
    with beside(target, "cards", folder=True) as part:
        printed: list[list[Future[None]]] = []
        ready = 0
        for card in found:
            printed.append([press.begin(card, n, alpha, part, target) for n in sizes])
            _words(part, card.name, card.caption, card.alternative)
            while ready < len(printed) and all(job.done() for job in printed[ready]):
                ready += 1
                tell(ready, len(found))
        films, left = _clips(bench, camera, part) if clips else ((), ())
        for number, jobs in enumerate(printed, 1):
            for job in jobs:
                job.result()
            if number > ready:
                tell(number, len(found))
        (part / "chapters.txt").write_text(chapter_lines(found, seconds), encoding="utf-8")
        listed = [{"name": c.name, "kind": c.kind, "caption": c.caption} for c in found]
        (part / MARK).write_text(json.dumps(listed, indent=1, ensure_ascii=False) + "\n")
    return Cards(target, tuple(found), films, left)


def _check(sizes: Sequence[str], kinds: Sequence[str], seconds: float) -> None:
    for given, known, what in ((sizes, SIZES, "size"), (kinds, KINDS, "kind")):
        for one in given:
            if one not in known:
                raise WrongCall(f"There is no {what} '{one}'.", f"Choose from {', '.join(known)}.")
    if not seconds > 0:
        raise WrongCall("A card needs some seconds.", "Write --seconds 10.")


def _target(bench: Bench, camera: str, folder: str | Path | None) -> Path:
    target = Path(folder) if folder else bench.exports_folder / _folder_name(bench, camera)
    if target.exists() and any(target.iterdir()) and not (target / MARK).is_file():
        raise Conflict(f"'{target}' exists and holds something else.", "Name a new folder.")
    target.parent.mkdir(parents=True, exist_ok=True)
    return target


def _folder_name(bench: Bench, camera: str) -> str:
    """Return the name of a camera's folder; no two cameras share one."""
    return file_names(bench)[get_camera(bench, camera).name].replace("report-", "cards-", 1)


def _words(folder: Path, name: str, caption: str, alternative: str) -> None:
    text = f"Caption: {caption}\nAlternative text: {alternative}\n"
    (folder / f"{name}.txt").write_text(text, encoding="utf-8")


def _clips(
    bench: Bench, camera: str, folder: Path
) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    from seeworthy.publish.card_clips import MAKERS

    made, left = [], []
    for name, make in MAKERS.items():
        try:
            caption = make(bench, camera, folder / f"{name}.mp4")
        except SeeworthyError as error:
            left.append(f"{name}: {error.message}")
            continue
        _words(folder, name, caption, f"A short film without sound. {caption}")
        made.append((f"{name}.mp4", caption))
    return tuple(made), tuple(left)


def chapter_lines(cards: Sequence[Card], seconds: float = SECONDS) -> str:
    """Return the chapters of a film that shows every card in turn, one line each."""
    lines = []
    for number, card in enumerate(cards):
        at = dt.timedelta(seconds=round(number * seconds))
        minutes, second = divmod(int(at.total_seconds()), 60)
        hours, minute = divmod(minutes, 60)
        clock = f"{hours}:{minute:02d}:{second:02d}" if hours else f"{minute:02d}:{second:02d}"
        lines.append(f"{clock} {card.title}")
    return "\n".join(lines) + "\n"
