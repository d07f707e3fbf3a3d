"""The report of a camera as PDF: set by Typst from the same rows as the HTML page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor, Future

from seeworthy.ground.customary import customary_text
from seeworthy.ground.glossary import words_in
from seeworthy.ground.leftovers import scratch
from seeworthy.ground.results import Picture
from seeworthy.procedures.cautions import CAUTIONS
from seeworthy.publish import drawing, figures, views
from seeworthy.publish.chart import VERSION
from seeworthy.publish.command import command
from seeworthy.publish.figures_us import us_figure, us_report
from seeworthy.publish.first import PurposeRow, Shown, first_page
from seeworthy.publish.html import Units
from seeworthy.publish.model import CameraReport, TakeReport
from seeworthy.publish.palette import GREEN, GREY, INK, PURPLE, RULE, VERMILION
from seeworthy.publish.typeset import escape, table, whole
from seeworthy.publish.verdict import tallies, verdict
from seeworthy.publish.words import to_typst

# Most pixels across and down over a printed page of 17 cm (165 to the inch), and quality.
_LIGHT = (1100, 1100), 82

_HEAD = """#set document(title: {title})
#set page(paper: "{paper}", margin: (x: 18mm, top: 13mm, bottom: 15mm),
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
#show table.cell: set block(breakable: false)
#show heading.where(level: 3): set block(sticky: true)
#let own(body) = block(stroke: (left: 2pt + rgb("#0072B2")), inset: (left: 6pt, y: 2pt), \
width: 100%)[#text(size: 8pt)[The reviewer says] \\ #body]
"""


# What one has to know before one buys stands on one page, A4 or Letter.
_TIGHT = "#set text(size: 8.2pt)\n#set par(leading: 0.45em)\n#set table(inset: (x: 3pt, y: 1.7pt))"
_WIDE = "#set text(size: 9.6pt)\n#set par(leading: 0.6em)\n#set table(inset: (x: 3pt, y: 4pt))"


def begin_drawing(takes: Iterable[TakeReport], *, units: Units, hands: Executor) -> None:
    """Have everything drawn that `pdf` will ask for, as soon as the takes are read."""
    for told in takes:
        for picture in told.pictures:
            hands.submit(drawing.jpeg, picture.data, *_LIGHT)
        for figure in told.figures:
            shown = us_figure(figure) if units == "us" else figure
            spec = figures.specification(shown, figures.PRINTED)
            hands.submit(drawing.svg, spec, VERSION)


def pdf(report: CameraReport, *, units: Units = "both", hands: Executor | None = None) -> bytes:
    """Return the report as PDF: A4, or Letter where US customary units stand first.

    Args:
        units: {"both", "us", "metric"}. As of the page.
        hands: What draws figures and fits pictures in (`seeworthy.publish.drawing`); by default
            this process.
    """
    import typst

    if units == "us":
        report = us_report(report)
    with scratch() as folder:
        writing = _Source(units, hands or drawing.Here())
        source = writing.text(report)
        for name, job in writing.files.items():
            made = job.result()
            (folder / name).write_bytes(made if isinstance(made, bytes) else made.encode())
        (folder / "report.typ").write_text(source, encoding="utf-8")
        compiled = typst.compile(folder / "report.typ", root=folder, format="pdf")
    if not isinstance(compiled, bytes):
        raise TypeError("one PDF expected")
    return compiled


class _Source:
    """Builds the Typst document; `files` are the pictures and figures that it asks for."""

    def __init__(self, units: Units, hands: Executor) -> None:
        self.units = units
        self.hands = hands
        self.files: dict[str, Future[bytes] | Future[str]] = {}

    def _in_units(self, text: str, about: str) -> str:
        return customary_text(text, about=about) if self.units == "us" else text

    def say(self, text: str, about: str = "") -> str:
        """Return a text with the units first that are asked for, escaped."""
        return escape(self._in_units(text, about))

    def figure(self, text: str, about: str) -> str:
        """Return a figure that is not broken inside; with two units it may break between."""
        first, bracket, rest = self._in_units(text, about).partition(" (")
        return whole(first) + (f" {whole(bracket.strip() + rest)}" if bracket else "")

    def text(self, report: CameraReport) -> str:
        title = _quoted(f"{report.camera} bench report")
        made = f" · {views.long_date(report.made)}" if report.made else ""
        foot = escape(f"{report.camera} · Seeworthy {report.seeworthy}{made}")
        paper = "us-letter" if self.units == "us" else "a4"
        parts = [_HEAD.format(title=title, foot=foot, ink=INK, rule=RULE, paper=paper)]
        parts += self._front(report)
        parts += self._claims(report)
        chapters = views.chapters(report)
        tests = first_page(report).words.tests
        for chapter in chapters:
            parts += self._chapter(chapter, tests.get(chapter.anchor[2:], ""))
        parts += self._repeat(chapters)
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
        parts = [f"= {escape(report.camera)}"]
        units = []
        for unit in report.units:
            firmware = ", ".join(
                f"firmware {f.name} from {views.long_date(f.since)}" for f in unit.firmware
            )
            units.append(f"unit {unit.serial}" + (f", {firmware}" if firmware else ""))
        parts.append(escape(" · ".join(filter(None, [report.bench, report.maker, *units]))))
        if report.note:
            parts.append(f"_{escape(report.note)}_")
        first = first_page(report)
        parts.append("== Verdict")
        if first.words.verdict:
            parts.append(f"#own[{to_typst(first.words.verdict)}]")
        if first.answer:
            parts.append(f"#text(size: 12pt)[{escape(first.answer)}]")
        told = tallies(report)
        if not (first.answer and told):
            parts.append(escape(found.line))
        if report.troubles:
            said = f"Mind: the evidence is not whole. {' '.join(report.troubles)}"
            parts.append(f"*{escape(said)}*")
        shown = [x for x in (first.frame, first.evidence) if x is not None]
        if shown:
            cells = ", ".join(self._small(x) for x in shown)
            parts.append(f"#grid(columns: (1fr, 1fr), gutter: 4mm, {cells})")
        if first.purposes:
            parts += [_TIGHT, "=== What it is good and bad for"]
            rows = [_purpose(r, self.say(r.why)) for r in first.purposes]
            parts.append(table(("3fr", "4fr", "9fr"), ("Flight", "Verdict", "Why"), rows))
            own = [("Fits barely", first.barely)] if first.barely else []
            parts.append(_words([r.why for r in first.purposes], own))
        if first.air:
            parts.append("=== Six figures for the air")
            air = [
                (f"*{escape(r.title)}*",
                 f"*{self.figure(r.value, r.title)}*\\ {self.figure(r.interval, r.title)}",
                 self.say(r.words), escape(r.against or "–"))
                for r in first.air
            ]  # fmt: skip
            heads = ("Figure", "Value, 95 % interval", "What it means", "Against the others here")
            parts.append(table(("3fr", "4fr", "5fr", "4fr"), heads, air))
        if told:
            parts.append("=== Claims kept and broken")
            rows = [
                (_badge(t.word, _GRADES.get(t.key, GREY)), self.say("; ".join(t.items)))
                for t in told
            ]
            parts.append(table(("3fr", "13fr"), (), rows))
        undone = ", ".join(title.lower() for title, _ in first.not_done)
        parts.append(escape(" ".join(first.tested)))
        if undone:
            parts.append(f"*Not done:* {escape(undone)}.")
        parts += ["#pagebreak(weak: true)", _WIDE]
        if first.words.notes:
            parts += ["== The reviewer’s notes", f"#own[{to_typst(first.words.notes)}]"]
        return parts

    def _small(self, shown: Shown) -> str:
        name = self._light(shown.picture)
        alt = _quoted(shown.caption)
        return (
            f'[#image("{name}", height: 20mm, width: 100%, fit: "contain", alt: {alt})\n'
            f"#text(size: 8pt)[{escape(shown.caption)}]]"
        )

    def _claims(self, report: CameraReport) -> list[str]:
        rows = views.claim_rows(report.judgements)
        if not rows:
            return []
        cells: list[tuple[str, ...]] = []
        for row in rows:
            measured = f"*{self.figure(row.measured, row.title)}*" if row.measured else "–"
            if row.interval:
                measured += f"\\ {self.figure(row.interval, row.title)}"
            if row.strip:
                measured += f"\\ {_strip(row.strip, row.badge.colour)}"
            state = _badge(row.badge.word, row.badge.colour)
            if row.favour:
                state += f"\\ {escape(row.favour)}"
            claimed = self.figure(row.claimed, row.title)
            if row.source:
                claimed += f"\\ #text(size: 8pt)[{escape(row.source)}]"
            cells.append((f"*{escape(row.title)}*", claimed, measured, state))
            if row.remark:
                cells.append((f"#text(size: 8.4pt)[{self.say(row.remark, row.title)}]",))
        heads = ("Claim", "Claimed", "Measured, 95 % interval", "State")
        return [
            "== What was claimed, and what was measured",
            escape(f"A claim counts as kept when the whole interval lies within {report.tolerance}"
                   " of it, or on the side nobody minds."),
            table(("26fr", "20fr", "32fr", "24fr"), heads, cells),
        ]  # fmt: skip

    def _chapter(self, chapter: views.Chapter, own: str) -> list[str]:
        parts = [f"== {escape(chapter.title)}"]
        if chapter.question:
            parts.append(f"#block(sticky: true)[_{escape(chapter.question)}_]")
        if own:
            parts.append(f"#own[{to_typst(own)}]")
        for take in (*chapter.now, *chapter.before):
            parts += self._take(take)
        box = '#block(fill: rgb("#f7e3d8"), inset: 6pt, width: 100%)'
        parts += [f"{box}[*Caution.* {escape(c)}]" for c in chapter.cautions]
        if chapter.steps:
            steps = "\n".join(f"+ {escape(step)}" for step in chapter.steps)
            how = "#block(sticky: true)[*How it is measured*]"
            parts.append(f"#text(size: 8.4pt)[{how}\n\n{steps}\n]")
        return parts

    def _repeat(self, chapters: list[views.Chapter]) -> list[str]:
        cells = []
        for chapter in chapters:
            for view in chapter.takes:
                take = view.told.take
                lines = [f"{f.name} {f.sha256}" for f in take.files]
                lines += [f"{r.name} = {r.text}" for r in take.readings]
                lines += [f"{name} = {value}" for name, value in take.options]
                said = "\\ ".join(escape(line) for line in [*lines, command(take)])
                name = f"*{escape(view.label)}*\\ {escape(chapter.title)}"
                cells.append((name, f"#text(size: 7.4pt)[{said}]"))
        if not cells:
            return []
        heads = ("Take", "Files with SHA-256, readings as typed, and the command")
        return ["== How to repeat it", table(("1fr", "5fr"), heads, cells)]

    def _take(self, view: views.TakeView) -> list[str]:
        told, outcome = view.told, view.told.outcome
        parts = [f"=== {escape(view.label)}", f"#block(sticky: true)[{escape(view.context)}]"]
        if told.stale:
            parts.append("*Out of date:* inputs or method have changed since.")
        if told.refusal is not None:
            parts.append(f"*Not measured.* {escape(told.refusal.message)}")
            parts.append(f"*What to do:* {escape(told.refusal.hint)}")
            parts += [self._picture(p) for p in told.refusal.pictures]
        if outcome is None:
            return parts
        parts.append(self.say(outcome.sentence))
        if view.rows:
            heads = ("Quantity", "Value", "95 % interval", "u", "n", "Conditions")
            if view.sharpness:
                parts.append(_map(view.sharpness))
            shown = [r for r in view.rows if not (view.sharpness and views.in_map(r.measurand))]
            cells = [self._row(row) for row in shown]
            widths = ("26fr", "17fr", "25fr", "17fr", "auto", "18fr")
            parts.append(table(widths, heads, cells))
            parts.append(_words([f"{r.title} {r.value} {r.meaning}" for r in view.rows]))
        parts += [f"*Mind:* {self.say(w)}" for w in outcome.warnings]
        parts += _budgets(view.rows)
        if view.findings:
            said = "; ".join(f"{name}: {value}" for name, value, _ in view.findings)
            parts.append(f"#text(size: 8.4pt)[{escape(said)}]")
        for figure in outcome.figures:
            spec = figures.specification(figure, figures.PRINTED)
            name = f"p{len(self.files)}.svg"
            self.files[name] = self.hands.submit(drawing.svg, spec, VERSION)
            caption = f"*{escape(figure.title)}.* {escape(figure.sentence)}"
            parts.append(_image(name, caption, f"{figure.title}. {figure.sentence}"))
        parts += [self._picture(p) for p in outcome.pictures]
        return parts

    def _row(self, row: views.ResultLine) -> tuple[str, ...]:
        interval = self.figure(row.interval, row.title)
        if self.units == "both" and row.customary:
            interval += f"\\ #text(size: 8pt)[{whole(row.customary)}]"
        return (
            f"*{escape(row.title)}*",
            self.figure(row.value, row.title),
            interval,
            self.figure(row.u, row.title),
            whole(row.n),
            self.say(row.conditions or "–"),
        )

    def _picture(self, picture: Picture) -> str:
        return _image(self._light(picture), escape(picture.caption), picture.caption)

    def _light(self, picture: Picture) -> str:
        """Have a picture made as light as a printed page can show, and return its file."""
        name = f"p{len(self.files)}.jpg"
        self.files[name] = self.hands.submit(drawing.jpeg, picture.data, *_LIGHT)
        return name


def _image(name: str, caption: str, alt: str) -> str:
    return (
        f"#block(breakable: false)[{caption}\n\n"
        f'#image("{name}", height: 55mm, width: 100%, fit: "contain", alt: {_quoted(alt)})]'
    )


def _quoted(text: str) -> str:
    """Return a text as a string of Typst."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ") + '"'


def _budgets(rows: Sequence[views.ResultLine]) -> list[str]:
    """Return what the uncertainties are made of, a line a result, the largest share first."""
    lines = []
    for row in (r for r in rows if r.budget):
        where = f" ({row.conditions})" if row.conditions else ""
        made = "; ".join(
            f"{name} {u}, {kind}, {share} ({source})"
            for name, u, kind, _, share, source in row.budget
        )
        lines.append(f"*{escape(row.title + where)}:* {escape(made)}.")
    if not lines:
        return []
    head = "#block(sticky: true)[*What the uncertainty is made of:* component, u, kind, share]"
    return [f"#text(size: 7.6pt)[{head}\n\n" + " \\\n".join(lines) + "]"]


def _words(texts: list[str], own: Sequence[tuple[str, str]] = ()) -> str:
    """Explain the words of the trade that stand in some texts, after our own."""
    told = "; ".join(f"{word}: {meaning}" for word, meaning in [*own, *words_in(texts)])
    return f"#text(size: 8pt)[{escape(told)}]" if told else ""


def _badge(word: str, colour: str) -> str:
    """Return a state as its word in a box edged with its colour."""
    return (
        f'#box(stroke: 1pt + rgb("{colour}"), inset: (x: 4pt, y: 2pt), radius: (left: 6pt))'
        f"[#text(size: 8.6pt)[*{escape(word)}*]]"
    )


_GRADES = {"kept": GREEN, "better": GREEN, "open": PURPLE, "worse": VERMILION}


def _purpose(row: PurposeRow, because: str) -> tuple[str, ...]:
    state = _badge(row.grade, _GRADES.get(row.key, GREY))
    if row.place:
        state += f"\\ #text(size: 8pt)[{escape(row.place)}]"
    why = f"{because} #text(size: 8pt)[It {escape(row.rests)}.]"
    if row.rating is not None:
        stars = f"*{row.rating.stars} of 5.* " if row.rating.stars else ""
        why += f" #own[{stars}{to_typst(row.rating.text)}]"
    return f"*{escape(row.title)}*", state, why


def _strip(strip: views.Strip, colour: str) -> str:
    """Return the scale of a claim: pale block, upright line, solid bar."""
    bar = max(1.5, strip.width)
    return (
        '#box(width: 100%, height: 8pt, stroke: (bottom: 0.5pt + rgb("#4c5a61")))['
        f"#place(dx: {strip.band_left}%, rect(width: {strip.band_width}%, height: 8pt, "
        'fill: rgb("#e9dfc6")))'
        f"#place(dx: {min(strip.low, 98.5)}%, dy: 2.5pt, rect(width: {bar}%, height: 4pt, "
        f'fill: rgb("{colour}")))'
        f"#place(dx: {strip.claim}%, rect(width: 1pt, height: 8pt, fill: black))]"
    )


def _map(cells: tuple[views.MapCell, ...]) -> str:
    """Return sharpness over the picture as nine cells."""
    made = []
    for cell in cells:
        lines = [
            f"{escape(way)} *{whole(value)}* {whole(interval)}"
            for way, value, interval in cell.lines
        ]
        made.append("\\ ".join([f"#text(size: 8pt)[{escape(cell.where)}]", *lines]))
    rows = [tuple(made[i : i + 3]) for i in range(0, len(made), 3)]
    head = "MTF50 over the picture, cycles per pixel, with 95 % interval:"
    return f"{escape(head)}\n\n#text(size: 8pt)[{table(('1fr',) * 3, (), rows)}]"
