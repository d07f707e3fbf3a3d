"""The report of a camera as PDF: set by Typst from the same rows as the HTML page."""

from __future__ import annotations

import io
import re
import tempfile
from pathlib import Path

from seeworthy.ground.results import Picture
from seeworthy.procedures.cautions import CAUTIONS
from seeworthy.publish import figures, views
from seeworthy.publish.model import CameraReport
from seeworthy.publish.palette import INK, RULE
from seeworthy.publish.verdict import verdict

_WIDEST = 1400
_SPECIAL = re.compile(r"([\\#$*_`<>@\[\]~=+/-])")

_HEAD = """#set document(title: {title})
#set page(paper: "a4", margin: (x: 18mm, top: 18mm, bottom: 20mm),
  footer: context align(center, text(size: 8pt)[{foot} · page #counter(page).display() of \
#counter(page).final().first()]))
#set text(font: ("Libertinus Serif", "DejaVu Sans"), size: 9.6pt, fill: rgb("{ink}"), lang: "en")
#set par(leading: 0.6em)
#set smartquote(enabled: false) // 5" is five inches
#show heading.where(level: 1): set text(size: 26pt)
#show heading.where(level: 2): it => block(above: 1.4em, below: 0.7em, stroke: \
(bottom: 0.8pt + rgb("{rule}")), inset: (bottom: 3pt), width: 100%, it)
#set table(stroke: (x, y) => (bottom: 0.4pt + rgb("{rule}")), inset: (x: 3pt, y: 4pt), \
align: left + top)
"""


def pdf(report: CameraReport, *, customary: bool = True) -> bytes:
    """Return the report as PDF, A4.

    Parameters
    ----------
    report : CameraReport
    customary : bool
        Show US customary units beside metric ones.
    """
    import typst

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        source = _Source(folder, customary).text(report)
        (folder / "report.typ").write_text(source, encoding="utf-8")
        compiled = typst.compile(folder / "report.typ", root=folder, format="pdf")
    if not isinstance(compiled, bytes):
        raise TypeError("one PDF expected")
    return compiled


def escape(text: object) -> str:
    """Return a text so that Typst prints it as it is."""
    return _SPECIAL.sub(r"\\\1", str(text))


class _Source:
    """Builds the Typst document; pictures and figures are written beside it."""

    def __init__(self, folder: Path, customary: bool) -> None:
        self.folder = folder
        self.customary = customary
        self.count = 0

    def text(self, report: CameraReport) -> str:
        title = f'"{report.camera} bench report"'.replace("\\", "").replace("\n", " ")
        title = '"' + title.strip('"').replace('"', "'") + '"'
        made = f" · {views.long_date(report.made)}" if report.made else ""
        foot = escape(f"{report.camera} · Seeworthy {report.seeworthy}{made}")
        parts = [_HEAD.format(title=title, foot=foot, ink=INK, rule=RULE)]
        parts += self._front(report)
        parts += self._claims(report)
        for chapter in views.chapters(report):
            parts += self._chapter(chapter)
        parts += [
            "== How to read this",
            escape(
                "An interval holds the true value with 95 % probability; u is the standard "
                "uncertainty, n the number of independent observations. "
            )
            + escape(CAUTIONS["verdict"]),
        ]
        return "\n\n".join(parts) + "\n"

    def _front(self, report: CameraReport) -> list[str]:
        found = verdict(report)
        parts = [f"= {escape(report.camera)}", f"#text(size: 8.6pt)[{escape(report.bench)}]"]
        units = []
        for unit in report.units:
            firmware = ", ".join(
                f"firmware {n} from {views.long_date(d)}" for n, d in unit.firmware
            )
            units.append(f"unit {unit.serial}" + (f", {firmware}" if firmware else ""))
        parts.append(escape(" · ".join(filter(None, [report.maker, *units]))))
        if report.note:
            parts.append(f"_{escape(report.note)}_")
        parts += ["== Verdict", f"#text(size: 12pt)[{escape(found.line)}]"]
        if report.troubles:
            said = f"Mind: the evidence is not whole. {' '.join(report.troubles)}"
            parts.append(f"*{escape(said)}*")
        return parts

    def _claims(self, report: CameraReport) -> list[str]:
        rows = views.claim_rows(report.judgements)
        if not rows:
            return []
        cells: list[tuple[str, ...]] = []
        for row in rows:
            measured = f"*{escape(row.measured)}*" if row.measured else "–"
            if row.interval:
                measured += f"\\ {escape(row.interval)}"
            state = f"*{escape(row.badge.word)}*"
            if row.favour:
                state += f"\\ {escape(row.favour)}"
            cells.append((f"*{escape(row.title)}*", escape(row.claimed), measured, state))
            if row.remark:
                cells.append((f"#text(size: 8.4pt)[{escape(row.remark)}]",))
        heads = ("Claim", "Seller says", "Measured, 95 % interval", "State")
        return [
            "== What the seller says, and what was measured",
            escape(f"A claim counts as kept when the whole interval lies within {report.tolerance}"
                   " of it, or on the side nobody minds."),
            _table((26, 20, 32, 22), heads, cells),
        ]  # fmt: skip

    def _chapter(self, chapter: views.Chapter) -> list[str]:
        parts = [f"== {escape(chapter.title)}"]
        if chapter.question:
            parts.append(f"_{escape(chapter.question)}_")
        box = '#block(fill: rgb("#f7e3d8"), inset: 6pt, width: 100%)'
        parts += [f"{box}[*Caution.* {escape(c)}]" for c in chapter.cautions]
        for take in chapter.takes:
            parts += self._take(take)
        return parts

    def _take(self, view: views.TakeView) -> list[str]:
        take, outcome = view.take, view.take.outcome
        parts = [f"=== {escape(view.label)}", escape(view.context)]
        if take.stale:
            parts.append("*Out of date:* inputs or method have changed since.")
        if take.refusal is not None:
            parts.append(f"*Not measured.* {escape(take.refusal.message)}")
            parts.append(f"*What to do:* {escape(take.refusal.hint)}")
            parts += [self._picture(p) for p in take.refusal.pictures]
        if outcome is None:
            return parts
        parts.append(escape(outcome.sentence))
        if view.rows:
            heads = ("Quantity", "Value", "95 % interval", "u", "n", "Conditions")
            cells = [self._row(row) for row in view.rows]
            parts.append(_table((26, 15, 23, 12, 6, 18), heads, cells))
        parts += [f"*Mind:* {escape(w)}" for w in outcome.warnings]
        if view.findings:
            said = "; ".join(f"{name}: {value}" for name, value, _ in view.findings)
            parts.append(f"#text(size: 8.4pt)[{escape(said)}]")
        for figure in outcome.figures:
            svg = figures.render(figure, "svg")
            parts.append(
                self._image("svg", svg, f"*{escape(figure.title)}.* {escape(figure.sentence)}")
            )
        parts += [self._picture(p) for p in outcome.pictures]
        return parts

    def _row(self, row: views.ResultRow) -> tuple[str, ...]:
        interval = escape(row.interval)
        if self.customary and row.customary:
            interval += f"\\ {escape(row.customary)}"
        return (
            f"*{escape(row.title)}*",
            escape(row.value),
            interval,
            escape(row.u),
            str(row.n),
            escape(row.conditions or "–"),
        )

    def _picture(self, picture: Picture) -> str:
        return self._image("jpg", _light(picture.data), escape(picture.caption))

    def _image(self, ending: str, data: bytes, caption: str) -> str:
        self.count += 1
        name = f"p{self.count}.{ending}"
        (self.folder / name).write_bytes(data)
        return (
            f"#block(breakable: false)[{caption}\n\n"
            f'#image("{name}", height: 75mm, width: 100%, fit: "contain")]'
        )


def _light(data: bytes) -> bytes:
    """Return a picture as a JPEG that a printed page can show, not more."""
    from PIL import Image

    with Image.open(io.BytesIO(data)) as opened:
        image = opened.convert("RGB")
    image.thumbnail((_WIDEST, _WIDEST))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=86, subsampling=0)
    return out.getvalue()


def _table(widths: tuple[int, ...], heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """Return a table; a row of one cell goes across."""
    columns = ", ".join(f"{w}fr" for w in widths)
    head = ", ".join(f"[*{escape(h)}*]" for h in heads)
    body = []
    for row in rows:
        if len(row) == 1:
            body.append(f"table.cell(colspan: {len(widths)})[{row[0]}]")
        else:
            body.append(", ".join(f"[{cell}]" for cell in row))
    lines = ",\n  ".join([f"table.header({head})", *body])
    return f"#table(columns: ({columns}),\n  {lines})"
