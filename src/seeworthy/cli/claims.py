"""``seeworthy claims``: the seller's figures against the measured ones."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from seeworthy.cli.opening import AsJson, BenchDir, opened, say_stale
from seeworthy.cli.tables import next_step, table

if TYPE_CHECKING:
    from seeworthy.judge.claims.judgement import Judgement
    from seeworthy.judge.claims.listing import ListingReading, Suggestion

app = typer.Typer(rich_markup_mode=None)


@app.command()
def claims(
    camera: str = typer.Argument(None, help="Which camera; all of the bench if left out."),
    bench: BenchDir = None,
    tolerance: str = typer.Option(
        "5 %", "--tolerance", help="How far off a claim may be and still count as kept."
    ),
    listing: str = typer.Option(
        "", "--listing", metavar="FILE", help="Pick claims from a seller's listing ('-' to paste)."
    ),
    accept: str = typer.Option(
        "", "--accept", metavar="NUMBERS", help="With --listing: enter these, such as 1,3 or all."
    ),
    as_json: AsJson = False,
) -> None:
    """Hold every claim of the seller against what was measured.

    Decided with the 95 % interval of the measurement: a claim is confirmed when the whole
    interval lies within the tolerance of it, more or less than claimed (heavier, narrower,
    shorter) when the whole interval lies outside, and otherwise it says that it cannot tell.
    Whether that is better or worse stands beside it. Takes under like conditions are
    combined first; the set nearest to ordinary use (a bright scene, room temperature)
    decides, and where others say otherwise they are named.
    """
    from seeworthy.bench.cameras import get_camera, list_cameras
    from seeworthy.cli import words
    from seeworthy.judge.claims.choose import judge_camera
    from seeworthy.judge.claims.tolerance import Tolerance

    if listing:
        _from_listing(camera, listing, accept, bench, as_json)
        return
    rule = Tolerance.parse(tolerance)
    with opened(bench) as place:
        say_stale(place)
        names = (
            [get_camera(place, camera).name] if camera else [c.name for c in list_cameras(place)]
        )
        found = [(n, judge_camera(place, n, rule)) for n in names]
    if as_json:
        documents = [
            {"camera": name, "tolerance": str(rule), "claims": [j.to_json() for j in judged]}
            for name, judged in found
        ]
        words.show_json(documents[0] if camera else documents)
        return
    for name, judged in found:
        typer.echo(f"{name} (tolerance {rule})")
        _show(name, judged)
    if not found:
        typer.echo("No camera yet.")
        next_step("seeworthy camera add NAME")


def _show(name: str, judged: Sequence[Judgement]) -> None:
    rows = []
    for item in judged:
        if item.claim is not None:
            aside = "" if item.favour in {"", "as claimed", "off"} else f" ({item.favour})"
            rows.append((item.word, f"{item.sentence}{aside}"))
    table(rows, states=0)
    silent = [j.title for j in judged if j.claim is None]
    if silent:
        few = ", ".join(silent[:3])
        more = f" and {len(silent) - 3} more (--json names them)" if len(silent) > 3 else ""
        typer.echo(f"  No claim entered for {few}{more}.")
    untested = [j for j in judged if j.claim is not None and j.state == "not tested"]
    if untested:
        next_step(_test_of(untested[0].subject))
        return
    quoted = shlex.quote(name)
    if not any(j.claim for j in judged):
        next_step(f"enter a claim: seeworthy camera claim {quoted} mass '60 g'")
    else:
        next_step(f"seeworthy report {quoted}")


def _test_of(subject: str) -> str:
    """Return the command that tests a claim."""
    from seeworthy.ground.measurands import all_measurands

    known = all_measurands().get(subject)
    name = known.procedure if known else "stream"
    return f"test it: seeworthy procedures {name} says how"


def _from_listing(camera: str, listing: str, accept: str, bench: BenchDir, as_json: bool) -> None:
    """Show what a listing claims; enter what the user accepts."""
    from seeworthy.bench.cameras import get_camera
    from seeworthy.bench.claims import set_claim
    from seeworthy.cli import words
    from seeworthy.ground.errors import WrongCall
    from seeworthy.judge.claims.listing import check_choice, read_listing

    if not camera:
        raise WrongCall("Whose listing is it?", "Name the camera: claims CAMERA --listing FILE.")
    found = read_listing(_listing_text(listing))
    chosen, kept = _chosen(accept, found.suggestions), []
    check_choice([(s.subject, s.text) for i, s in chosen], found.frames)
    with opened(bench) as place:
        now = {c.subject: c for c in get_camera(place, camera).claims}
        for i, item in list(chosen):
            old = now.get(item.subject)
            if accept.strip() == "all" and old is not None and old.text != item.text:
                kept.append(i)  # what was entered before is replaced by number only
                continue
            source = f"listing, line {item.line}: {item.found}"
            set_claim(place, camera, item.subject, item.text, source=source)
    entered = {i for i, _ in chosen} - set(kept)
    before = {s: "nothing" if c.silent else c.text for s, c in now.items()}
    if as_json:
        words.show_json(_as_json(found, entered, before))
        return
    _say(found, entered, kept, before)


def _listing_text(listing: str) -> str:
    from seeworthy.ground.errors import UnreadableInput

    try:
        text = sys.stdin.read() if listing == "-" else Path(listing).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UnreadableInput(f"There is no file '{listing}'.", "Check the name.") from None
    except (OSError, UnicodeDecodeError, ValueError):
        raise UnreadableInput(
            f"'{listing}' cannot be read as text.", "Save the listing as plain text (UTF-8)."
        ) from None
    if not text.strip():
        raise UnreadableInput("The listing is empty.", "Paste the seller's text into it.")
    return text


def _as_json(found: ListingReading, entered: set[int], before: dict[str, str]) -> dict[str, object]:
    return {
        "suggestions": [
            {
                "number": i, "subject": s.subject, "text": s.text, "found": s.found,
                "line": s.line, "remark": s.remark, "against": list(s.against),
                "accepted": i in entered, "before": before.get(s.subject),
            }
            for i, s in enumerate(found.suggestions, 1)
        ],
        "left_over": [{"line": n, "text": t} for n, t in found.left],
        "without_figures": [{"line": n, "text": t} for n, t in found.prose],
    }  # fmt: skip


def _say(found: ListingReading, entered: set[int], kept: list[int], before: dict[str, str]) -> None:
    for i, s in enumerate(found.suggestions, 1):
        old = before.get(s.subject)
        change = f" (was {old})" if old is not None and old != s.text else ""
        if change and i in entered:
            change = f" (replaces {old}: {old} -> {s.text})"
        mark = ", entered" if i in entered else ", not entered" if i in kept else ""
        mind = f"  Mind: {s.mind}" if s.mind and i not in entered else ""
        typer.echo(f"  {i}. {s.subject} = {s.text}{change}{mark}  [line {s.line}: {s.found}]{mind}")
    if found.left:
        typer.echo("Left over, no rule reads it: "
                   + "; ".join(f"{t} (line {n})" for n, t in found.left))  # fmt: skip
    if found.prose:
        typer.echo("No figure in: " + "; ".join(f"{t} (line {n})" for n, t in found.prose))
    if kept:
        numbers = ",".join(map(str, kept))
        typer.echo(
            "Not entered, because the bench holds another claim: name the number to replace it, "
            f"--accept {numbers}."
        )
    if not entered and not kept and found.suggestions:
        typer.echo("Nothing was entered. Add --accept all, or --accept 1,3.")


def _chosen(accept: str, found: Sequence[Suggestion]) -> list[tuple[int, Suggestion]]:
    """Return the suggestions that are named; ``all`` is refused where the listing contradicts."""
    from seeworthy.ground.errors import WrongCall

    numbered = list(enumerate(found, 1))
    if not accept:
        return []
    if accept.strip() == "all":
        torn = [i for i, s in numbered if s.against]
        if torn:
            raise WrongCall(
                f"The listing contradicts itself in the numbers {', '.join(map(str, torn))}.",
                "Name the ones that you mean, such as --accept 1,3.",
            )
        return [(i, s) for i, s in numbered if not s.instead]
    try:
        wanted = [int(part) for part in accept.split(",") if part.strip().isdecimal()]
        whole = len(wanted) == len(accept.split(","))
    except ValueError:
        wanted, whole = [], False
    if not whole or not all(1 <= i <= len(found) for i in wanted):
        raise WrongCall(
            f"'{accept}' does not name suggestions.",
            f"Write all, or numbers from 1 to {len(found)}.",
        )
    return [(i, s) for i, s in numbered if i in wanted]
