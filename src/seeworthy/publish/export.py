"""Export a bench as open data: a package that others can read, check and pool.

CSV tables for people and spreadsheets, the same as typed Parquet, a descriptor that says
what every column means; figures as SVG, PNG or PDF and the evidence where asked for.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import shutil
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

from sqlalchemy import select

from seeworthy.bench import evidence
from seeworthy.bench.identity import Identity, identity_in
from seeworthy.bench.lookup import find_camera
from seeworthy.bench.models import SourceRow
from seeworthy.bench.outcomes import figure_of
from seeworthy.ground.errors import Conflict, NotFound, WrongCall
from seeworthy.ground.leftovers import beside, part_of, scratch
from seeworthy.publish.cells import as_cell
from seeworthy.publish.describe import DescribedFacts, describe
from seeworthy.publish.rows_out import Rows, as_json, cameras_of, details_of, tables_of, takes_of
from seeworthy.publish.sheets import Sheet, arrow_schema, sheets

if TYPE_CHECKING:
    from seeworthy.bench.models import CameraRow, EvidenceRow, TakeRow
    from seeworthy.bench.store import Bench
    from seeworthy.publish.figures import Format

FORMATS = ("svg", "png", "pdf")
DETAILS = "details.json"
EVIDENCE = "evidence"


def export_bench(
    bench: Bench,
    folder: str | Path | None = None,
    *,
    camera: str | None = None,
    figures: Sequence[str] = (),
    with_evidence: bool = False,
    theirs: bool = False,
) -> Path:
    """Write a data package and return its folder, or its file where the name ends in .zip.

    Args:
        folder: New or empty; default ``exports/data`` (or ``exports/data-CAMERA``) of the bench,
            which is replaced.
        camera: Only this camera.
        figures: Also every figure as ``svg``, ``png`` or ``pdf``.
        with_evidence: Also clips and pictures, under their SHA-256; those that are gone
            or changed are left out.
        theirs: Also cameras of other groups, whose packages were taken in.

    Raises:
        NotFound: No such camera, or none of our own.
        Conflict: The folder holds something else.
    """
    for kind in figures:
        if kind not in FORMATS:
            raise WrongCall(f"Figures cannot be '{kind}'.", f"Choose from {', '.join(FORMATS)}.")
    with bench.reading() as session:
        chosen = [find_camera(session, camera)] if camera else cameras_of(session, theirs=theirs)
        if not chosen:
            raise NotFound(
                "The bench has no camera of its own to export.",
                "Add one: seeworthy camera add NAME; --theirs exports those of other groups.",
            )
        target = _target(bench, folder, camera)
        takes = takes_of(session, chosen)
        identity = identity_in(session)
        facts = _facts(identity, chosen, takes, list(session.scalars(select(SourceRow))))
        target.parent.mkdir(parents=True, exist_ok=True)
        # Written beside and moved into place, so that a full disk leaves no half package.
        packed = target.suffix.lower() == ".zip"
        with (part_of(target.parent, "export", folder=True) if packed
              else beside(target, "export", folder=True)) as part:  # fmt: skip
            write_tables(part, tables_of(chosen, takes, identity.id))
            (part / DETAILS).write_text(as_json(details_of(takes)) + "\n", encoding="utf-8")
            _figures(part, takes, figures)
            if with_evidence:
                _evidence(bench, part, takes)
            describe(part, facts)
            if packed:
                with beside(target, "export") as archive:
                    pack(part, archive)
    return target


def _facts(
    identity: Identity,
    cameras: Sequence[CameraRow],
    takes: Sequence[TakeRow],
    sources: Sequence[SourceRow],
) -> DescribedFacts:
    methods: dict[str, int] = {}
    for t in takes:
        if t.outcome is not None:
            version = t.outcome.procedure_version
            methods[t.procedure] = max(version, methods.get(t.procedure, 0))
    used = {c.source_uuid for c in cameras}
    return DescribedFacts(
        identity,
        dt.datetime.now(dt.UTC).replace(microsecond=0),
        dict(sorted(methods.items())),
        tuple(
            Identity(s.uuid, s.title, s.licence, tuple(s.contributors))
            for s in sources
            if s.uuid in used
        ),
    )


def _target(bench: Bench, folder: str | Path | None, camera: str | None) -> Path:
    if folder is None:
        name = "data" if camera is None else f"data-{_plain_name(camera)}"
        return bench.folder / "exports" / name
    target = Path(folder)
    if target.suffix.lower() == ".zip":
        if target.exists():
            raise Conflict(f"'{target}' is there already.", "Name a new file.")
        return target
    if target.exists() and (not target.is_dir() or (any(target.iterdir()) and not _ours(target))):
        raise Conflict(f"'{target}' exists and holds something else.", "Name a new folder.")
    return target


def _ours(folder: Path) -> bool:
    """Tell whether a folder is a package that Seeworthy wrote; another one is not replaced."""
    try:
        return "seeworthy" in json.loads((folder / "datapackage.json").read_bytes())
    except (OSError, ValueError, TypeError, RecursionError):
        return False


def _plain_name(text: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in text).strip("-").lower() or "camera"


def write_tables(folder: Path, tables: Mapping[str, Rows]) -> None:
    """Write every table as CSV and as Parquet (in ``parquet/``) into a folder."""
    (folder / "parquet").mkdir()
    for of in sheets():
        write_table(folder, of, tables.get(of.name, []))


def write_table(folder: Path, of: Sheet, rows: Rows) -> None:
    """Write one table as CSV and as Parquet into a folder that has ``parquet/``."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(of.names)
    kinds = [c.type for c in of.columns]
    writer.writerows([as_cell(v, k) for v, k in zip(r, kinds, strict=True)] for r in rows)
    (folder / f"{of.name}.csv").write_text(text.getvalue(), encoding="utf-8", newline="")
    write_parquet(folder / "parquet" / f"{of.name}.parquet", of, rows)


def write_parquet(path: Path, of: Sheet, rows: Rows) -> None:
    """Write one table as Parquet, with the types of its sheet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = list(zip(*rows, strict=True)) if rows else [()] * len(of.columns)
    schema = arrow_schema(of)
    arrays = [pa.array(list(c), f.type) for c, f in zip(columns, schema, strict=True)]
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), path, compression="zstd")


def _figures(part: Path, takes: Sequence[TakeRow], kinds: Sequence[str]) -> None:
    if not kinds:
        return
    from seeworthy.publish.figures import render

    (part / "figures").mkdir()
    for take in takes:
        for row in take.outcome.figures if take.outcome else ():
            for kind in kinds:
                name = f"take-{take.id}-{_plain_name(row.name)}.{kind}"
                drawn = render(figure_of(row.body), cast("Format", kind))
                (part / "figures" / name).write_bytes(drawn)


def _evidence(bench: Bench, part: Path, takes: Sequence[TakeRow]) -> None:
    rows: list[EvidenceRow] = [f.evidence for t in takes for f in t.files]
    rows += [p.evidence for t in takes if t.outcome for p in t.outcome.pictures]
    for row in rows:
        source = evidence.path_of(bench, row)
        target = part / EVIDENCE / row.sha256[:2] / row.sha256
        if source.is_file() and not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, target)
            if evidence.digest_of(target) != row.sha256:  # a link to a file of somebody's own
                target.unlink()


def pack(folder: Path, archive: Path) -> None:
    """Write a folder as one ZIP file."""
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as opened:
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            name = path.relative_to(folder).as_posix()
            # Clips do not shrink.
            kind = zipfile.ZIP_STORED if name.startswith(EVIDENCE) else zipfile.ZIP_DEFLATED
            opened.write(path, name, kind)


def export_zip(bench: Bench) -> bytes:
    """Return the data package as the content of a ZIP file, for those who take it from a page.

    Raises:
        NotFound: No camera, or none of that name.
    """
    with scratch() as folder:
        return export_bench(bench, folder / "data.zip").read_bytes()
