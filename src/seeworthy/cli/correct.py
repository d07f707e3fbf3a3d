"""``seeworthy correct``: mend a clip with what was measured."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from seeworthy.cli.opening import AsJson, BenchDir, UnitName

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench
    from seeworthy.judge.correct.apply import Mended
    from seeworthy.judge.correct.data import Corrections
    from seeworthy.judge.correct.prove import Proof

app = typer.Typer(rich_markup_mode=None)


@app.command()
def correct(
    clips: list[Path] = typer.Argument(None, metavar="CLIP", help="Clips to mend; only read."),
    bench: BenchDir = None,
    camera: str = typer.Option(
        None, "--camera", metavar="NAME", help="Mend with the newest takes of this camera."
    ),
    unit: UnitName = None,
    lens: Path = typer.Option(
        None, "--lens", metavar="FILE.json", help="What 'measure lens … --json' printed."
    ),
    shading: Path = typer.Option(
        None, "--shading", metavar="FILE.json", help="What 'measure shading … --json' printed."
    ),
    colour: Path = typer.Option(
        None, "--colour", metavar="FILE.json", help="What 'measure colour … --json' printed."
    ),
    rolling: bool = typer.Option(
        False, "--rolling", help="Put rows where one moment had shown them, by the clip's motion."
    ),
    readout: str = typer.Option(
        None, "--readout", metavar="TIME|FILE.json", help="Read-out time for --rolling."
    ),
    view: str = typer.Option(
        None, "--view", metavar="ANGLE", help="Angle across for --rolling, without a lens result."
    ),
    fill_stamp: bool = typer.Option(
        False, "--fill-stamp", help="Fill a stamp that is burned in; nothing else is touched."
    ),
    without: list[str] = typer.Option(
        None, "--without", metavar="KIND", help="Leave out lens, shading or colour."
    ),
    out: Path = typer.Option(
        None, "--out", metavar="FILE", help="The new file; beside the clip when left out."
    ),
    keep_all: bool = typer.Option(
        False, "--keep-all", help="Keep all of the picture with black edges, not a full frame."
    ),
    lut_only: Path = typer.Option(
        None, "--lut-only", metavar="FILE.cube", help="Write the colours as a LUT; mend no clip."
    ),
    gain_map: Path = typer.Option(
        None, "--gain-map", metavar="FILE.png", help="Write the gain map as a 16-bit PNG, too."
    ),
    lens_map: Path = typer.Option(
        None, "--lens-map", metavar="FILE.json", help="Write how the picture is straightened, too."
    ),
    prove: list[str] = typer.Option(
        None,
        "--prove",
        metavar="KIND=CLIP",
        help="Show the figure before and after on a clip that it was not fitted to.",
    ),
    with_: list[str] = typer.Option(
        None, "--with", metavar="ROLE=FILE", help="What --prove needs besides: reference=a.jpg."
    ),
    force: bool = typer.Option(False, "--force", help="Replace files that exist."),
    as_json: AsJson = False,
) -> None:
    """Mend a clip with what was measured: straight lines, even corners, true colours.

    Takes the newest lens, shading and colour results of a camera in a bench, or results from
    'seeworthy measure … --json'. Sound, time stamps and rotation stay as they are. The clip
    is never changed; the new one is written beside it.
    """  # fmt: skip
    from seeworthy.cli import words
    from seeworthy.ground.errors import WrongCall
    from seeworthy.judge.correct import choose

    files = {"lens": lens, "shading": shading, "colour": colour}
    asked = _Asked(rolling or bool(readout or view), readout, view, fill_stamp)
    given = _corrections(
        bench, camera, unit, files, choose.kinds_of(without or (), "--without"), asked
    )
    if not (clips or lut_only or gain_map or lens_map or prove):
        raise WrongCall("No clip was named.", "Name a clip, or a map to write.")
    if out is not None and len(clips or ()) > 1:
        raise WrongCall("--out names one file for several clips.", "Leave it out, or mend one.")
    document: dict[str, Any] = {"wrote": [], "clips": [], "proofs": []}
    # What proves is read before anything is written: a bad proof leaves no clip behind.
    proofs = _proofs(given, prove or [], with_ or [], as_json)
    for path, said in _maps(given, clips or [], lut_only, gain_map, lens_map, keep_all, force):
        document["wrote"].append({"file": str(path), "what": said})
        if not as_json:
            typer.echo(f"{path}\n  {said}")
    for clip in [] if lut_only else clips or []:
        mended = _mend(clip, given, out, keep_all, force, as_json)
        document["clips"].append(mended.to_json())
        if not as_json:
            _show(mended)
    for proof in proofs:
        document["proofs"].append(proof.to_json())
        if not as_json:
            _show_proof(proof)
    if as_json:
        words.show_json(document)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is found in the clip itself."""

    rolling: bool
    readout: str | None
    view: str | None
    fill_stamp: bool

    def add(self, found: Corrections, bench: Bench | None, camera: str | None) -> Corrections:
        from seeworthy.judge.correct import choose

        moved = None
        if self.rolling:
            moved = choose.rolling_of(self.readout, self.view, bench, camera)
        return replace(found, rolling=moved, fill_stamp=self.fill_stamp)


def _corrections(
    bench: Path | None,
    camera: str | None,
    unit: str | None,
    files: Any,
    without: Any,
    asked: _Asked,
) -> Corrections:
    from seeworthy.cli.opening import opened
    from seeworthy.ground.errors import WrongCall
    from seeworthy.judge.correct import choose
    from seeworthy.judge.correct.data import Corrections

    named = choose.from_files({k: p for k, p in files.items() if p and k not in without})
    if camera is None:
        if bench is not None:
            raise WrongCall("Which camera of the bench?", "Add --camera NAME.")
        whole = asked.add(named, None, None)
        if not whole.any():
            raise WrongCall(
                "There is nothing to correct with.",
                "Add --camera NAME (of a bench), or --lens, --shading or --colour FILE.json; "
                "--rolling and --fill-stamp look at the clip itself.",
            )
        return whole
    with opened(bench) as place:
        taken = choose.from_bench(place, camera, unit=unit, without=without)
        return asked.add(Corrections.of(*named.parts(), *taken.parts()), place, camera)


def _maps(
    given: Corrections,
    clips: list[Path],
    lut: Path | None,
    gain: Path | None,
    lens: Path | None,
    keep_all: bool,
    force: bool,
) -> list[tuple[Path, str]]:
    from seeworthy.judge.correct import exports

    clip = clips[0] if clips else None
    wrote = []
    if lut is not None:
        wrote.append((lut, exports.write_lut(given, lut, clip, force=force)))
    if gain is not None:
        wrote.append((gain, exports.write_gain(given, gain, clip, force=force)))
    if lens is not None:
        said = exports.write_lens_map(given, lens, clip, keep_all=keep_all, force=force)
        wrote.append((lens, said))
    return wrote


def _mend(
    clip: Path, given: Corrections, out: Path | None, keep_all: bool, force: bool, quiet: bool
) -> Mended:
    from seeworthy.cli import words
    from seeworthy.judge.correct.apply import correct_clip
    from seeworthy.judge.correct.outclip import default_name
    from seeworthy.media.source import Source

    source = Source.of(clip)
    target = out or default_name(source)
    with words.progress_bar(f"Correcting {source.name}", quiet) as progress:
        return correct_clip(
            source, given, target, keep_all=keep_all, force=force, progress=progress
        )


def _show(mended: Mended) -> None:
    speed = mended.frames / mended.seconds if mended.seconds else 0.0
    typer.echo(f"{mended.path}")
    typer.echo(f"  {mended.frames} frames in {mended.seconds:.1f} s ({speed:.0f} a second).")
    for line in mended.applied:
        typer.echo(f"  {line}")
    for line in (*mended.limits, *mended.warnings):
        typer.echo(f"  Mind: {line}")


def _proofs(given: Corrections, pairs: list[str], with_: list[str], quiet: bool) -> list[Proof]:
    from seeworthy.cli import words
    from seeworthy.judge.correct.choose import kinds_of
    from seeworthy.judge.correct.prove import prove

    roles = words.pairs(with_, "--with", "reference=a.jpg")
    found = []
    for name, paths in words.pairs(pairs, "--prove", "shading=wall.mp4").items():
        (kind,) = kinds_of([name], "--prove")
        for path in paths:
            with words.progress_bar(f"Proving {kind} on {Path(path).name}", quiet) as progress:
                found.append(prove(kind, Path(path), given, roles=roles, progress=progress))
    return found


def _show_proof(proof: Proof) -> None:
    from seeworthy.cli import words

    typer.echo(f"{proof.kind} on {proof.clip}, not corrected and corrected:")
    for before, after in proof.pairs:
        for said, found in (("before", before), ("after", after)):
            name, value, rest = words.result_line(found)
            typer.echo(f"  {name}, {said}: {value}  {rest}")
    if proof.fitted:
        typer.echo("  Mind: the correction was fitted to this very clip; another proves more.")
