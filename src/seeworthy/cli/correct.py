"""``seeworthy correct``: mend a clip with what was measured."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from seeworthy.cli.opening import AsJson, BenchDir, UnitName, opened
from seeworthy.cli.tables import next_step

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench
    from seeworthy.judge.correct.apply import Mended
    from seeworthy.judge.correct.data import Corrections
    from seeworthy.judge.correct.prove import Proof

app = typer.Typer(rich_markup_mode=None)


def _json_of(name: str) -> Any:
    return typer.Option(
        f"--{name}", metavar="FILE.json", help=f"What 'measure {name} … --json' printed."
    )


Clips = Annotated[
    list[Path] | None, typer.Argument(metavar="CLIP", help="Clips to mend; only read.")
]
OfCamera = Annotated[
    str | None,
    typer.Option("--camera", metavar="NAME", help="Mend with the newest takes of this camera."),
]
LensFile = Annotated[Path | None, _json_of("lens")]
ShadingFile = Annotated[Path | None, _json_of("shading")]
ColourFile = Annotated[Path | None, _json_of("colour")]
DarkFile = Annotated[Path | None, _json_of("dark")]
Rolling = Annotated[
    bool,
    typer.Option(
        "--rolling", help="Put rows where one moment had shown them, by the clip's motion."
    ),
]
Readout = Annotated[
    str | None,
    typer.Option("--readout", metavar="TIME|FILE.json", help="Read-out time for --rolling."),
]
View = Annotated[
    str | None,
    typer.Option(
        "--view", metavar="ANGLE", help="Angle across for --rolling, without a lens result."
    ),
]
GyroLog = Annotated[
    Path | None,
    typer.Option(
        "--gyro", metavar="LOG", help="Put rows right by the log of the camera's gyroscope."
    ),
]
FillStamp = Annotated[
    bool,
    typer.Option("--fill-stamp", help="Fill a stamp that is burned in; nothing else is touched."),
]
Without = Annotated[
    list[str] | None,
    typer.Option("--without", metavar="KIND", help="Leave out lens, shading, colour or dark."),
]
Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="FILE", help="The new file; beside the clip when left out."),
]
KeepAll = Annotated[
    bool,
    typer.Option("--keep-all", help="Keep all of the picture with black edges, not a full frame."),
]
LutOnly = Annotated[
    Path | None,
    typer.Option(
        "--lut-only", metavar="FILE.cube", help="Write the colours as a LUT; mend no clip."
    ),
]
GainMap = Annotated[
    Path | None,
    typer.Option("--gain-map", metavar="FILE.png", help="Write the gain map as a 16-bit PNG, too."),
]
LensMap = Annotated[
    Path | None,
    typer.Option(
        "--lens-map", metavar="FILE.json", help="Write how the picture is straightened, too."
    ),
]
Prove = Annotated[
    list[str] | None,
    typer.Option(
        "--prove",
        metavar="KIND=CLIP",
        help="Show the figure before and after on a clip that it was not fitted to.",
    ),
]
With = Annotated[
    list[str] | None,
    typer.Option(
        "--with", metavar="ROLE=FILE", help="What --prove needs besides: reference=a.jpg."
    ),
]
Force = Annotated[bool, typer.Option("--force", help="Replace files that exist.")]


@app.command()
def correct(
    clips: Clips = None,
    bench: BenchDir = None,
    camera: OfCamera = None,
    unit: UnitName = None,
    lens: LensFile = None,
    shading: ShadingFile = None,
    colour: ColourFile = None,
    dark: DarkFile = None,
    rolling: Rolling = False,
    readout: Readout = None,
    view: View = None,
    gyro: GyroLog = None,
    fill_stamp: FillStamp = False,
    without: Without = None,
    out: Out = None,
    keep_all: KeepAll = False,
    lut_only: LutOnly = None,
    gain_map: GainMap = None,
    lens_map: LensMap = None,
    prove: Prove = None,
    with_: With = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Mend a clip with what was measured: straight lines, even corners, true colours, hot pixels.

    Takes the newest lens, shading, colour and dark results of a camera in a bench, or results from
    'seeworthy measure … --json'. Sound, time stamps and rotation stay as they are. The clip
    is never changed; the new one is written beside it.
    """
    from seeworthy.ground.errors import WrongCall
    from seeworthy.judge.correct import choose

    files = {"lens": lens, "shading": shading, "colour": colour, "dark": dark}
    asked = _Asked(rolling or bool(readout or view or gyro), readout, view, gyro, fill_stamp)
    left_out = choose.kinds_of(without or (), "--without")
    given = _corrections(bench, camera, unit, files, left_out, asked)
    if not (clips or lut_only or gain_map or lens_map or prove):
        raise WrongCall("No clip was named.", "Name a clip, or a map to write.")
    if out is not None and len(clips or ()) > 1:
        raise WrongCall("--out names one file for several clips.", "Leave it out, or mend one.")
    # What proves is read before anything is written: a bad proof leaves no clip behind.
    proofs = _proofs(given, prove or [], with_ or [], as_json)
    maps = _maps(given, clips or [], lut_only, gain_map, lens_map, keep_all, force)
    wanted = [] if lut_only else clips or []
    _tell(maps, (_mend(c, given, out, keep_all, force, as_json) for c in wanted), proofs, as_json)


def _tell(
    maps: list[tuple[Path, str]], clips: Iterator[Mended], proofs: list[Proof], as_json: bool
) -> None:
    """Print what was written, each clip as soon as it is mended."""
    from seeworthy.cli import words

    if as_json:
        words.show_json(
            {
                "wrote": [{"file": str(path), "what": said} for path, said in maps],
                "clips": [mended.to_json() for mended in clips],
                "proofs": [proof.to_json() for proof in proofs],
            }
        )
        return
    for path, said in maps:
        typer.echo(f"{path}\n  {said}")
    mended = False
    for one in clips:
        _show(one)
        mended = True
    for proof in proofs:
        _show_proof(proof)
    if mended and not proofs:
        next_step("what it gains, in figures: the same with --prove KIND=ANOTHER_CLIP --force")


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is found in the clip itself."""

    rolling: bool
    readout: str | None
    view: str | None
    gyro: Path | None
    fill_stamp: bool

    def add(self, found: Corrections, bench: Bench | None, camera: str | None) -> Corrections:
        from seeworthy.judge.correct import choose

        moved = None
        if self.rolling:
            moved = choose.rolling_of(self.readout, self.view, bench, camera, self.gyro)
        return replace(found, rolling=moved, fill_stamp=self.fill_stamp)


def _corrections(
    bench: Path | None,
    camera: str | None,
    unit: str | None,
    files: Any,
    without: Any,
    asked: _Asked,
) -> Corrections:
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
                "Add --camera NAME (of a bench), or --lens, --shading, --colour or --dark "
                "FILE.json; --rolling and --fill-stamp look at the clip itself.",
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
