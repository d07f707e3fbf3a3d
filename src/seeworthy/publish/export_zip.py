"""The data package of a bench as one ZIP file, for those who take it from a page."""

from __future__ import annotations

import io
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

from seeworthy.publish.export import export_bench

if TYPE_CHECKING:
    from seeworthy.bench.store import Bench


def export_zip(bench: Bench, camera: str | None = None) -> bytes:
    """Return the data package of a bench, or of one camera, as the content of a ZIP file.

    Raises
    ------
    NotFound
        No camera, or none of that name.
    """
    with tempfile.TemporaryDirectory(prefix="seeworthy-") as folder:
        made = export_bench(bench, Path(folder) / "data", camera=camera)
        whole = io.BytesIO()
        with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(p for p in made.rglob("*") if p.is_file()):
                archive.write(path, path.relative_to(made).as_posix())
    return whole.getvalue()
