"""Draw one card: large type for a phone, as SVG, and from it as PNG.

A card is drawn at the size in which it is shown; its type is sized by the shorter side, so
that a phone held upright and a television show the same words at the same share of the picture.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape
from typing import Literal

from seeworthy.ground.results import Figure
from seeworthy.ground.seen import only_seen
from seeworthy.publish import drawing
from seeworthy.publish.figures import render
from seeworthy.publish.lighter import lighter
from seeworthy.publish.palette import GREY, INK, PAPER, Badge

SIZES: dict[str, tuple[int, int]] = {
    "wide": (1920, 1080),
    "tall": (1080, 1920),
    "square": (1080, 1080),
}
"""Names of the sizes and their pixels: television, phone held upright, square."""

_EM = 0.56
"""Mean advance of a letter of a sans-serif face, in ems; measured on our titles: 0.50 to 0.55."""
_BOLD = 1.12  # how much wider the bold face of a badge runs
_FACE = "Liberation Sans, Arimo, Helvetica, sans-serif"


@dataclass(frozen=True)
class Card:
    """What one card says.

    Attributes:
        name: Of its files, unique in the set.
        kind: ``result``, ``claim``, ``figure`` or ``comparison``.
        head: Small line on top: which camera.
        value: The large figure; ``""`` where a drawing stands instead.
        lines: Below the value: interval, claim.
        badge: How the claim stands, by word and colour.
        foot: Where it comes from.
    """

    name: str
    kind: Literal["result", "claim", "figure", "comparison"]
    head: str
    title: str
    value: str = ""
    lines: tuple[str, ...] = ()
    badge: Badge | None = None
    figure: Figure | None = None
    foot: str = ""

    @property
    def caption(self) -> str:
        """One sentence to stand below the picture."""
        parts = [f"{self.head}: {self.title}", self.value, *self.lines]
        if self.badge is not None:
            parts.append(self.badge.word)
        return ", ".join(p for p in parts if p) + f". {self.foot}."

    @property
    def alternative(self) -> str:
        """What the picture says, for those who do not see it."""
        if self.figure is None:
            return f"A card in large type. {self.caption}"
        return f"A figure: {self.figure.title}. {self.figure.sentence} {self.foot}."


def card_svg(card: Card, size: tuple[int, int], *, alpha: bool = False) -> str:
    """Draw a card.

    Args:
        size: Pixels.
        alpha: Leave the paper out: transparent, for a film; letters get a halo of paper.

    Returns:
        SVG 1.1, complete.
    """
    width, height = size
    # Many words are set smaller until they end above the foot.
    for share in (1.0, 0.85, 0.72, 0.6, 0.5):
        pen = _drawn(card, size, share, alpha)
        if pen.y <= pen.foot(card.foot):
            break
    paper = "" if alpha else f'<rect width="{width}" height="{height}" fill="{PAPER}"/>'
    return only_seen(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img"><title>{escape(card.title)}</title>'
        f"<desc>{escape(card.alternative)}</desc>{paper}{''.join(pen.parts)}</svg>"
    )


def _drawn(card: Card, size: tuple[int, int], share: float, alpha: bool) -> _Pen:
    """Draw what stands above the foot, its words at a share of their usual size."""
    pen = _Pen(size, min(size) / 1080, alpha)
    pen.text(card.head, 46, GREY, 600)
    pen.text(card.title, 64 * share, INK, 700, lines=3)
    if card.figure is not None:
        pen.figure(card.figure)
        return pen
    pen.space(60 * share)
    pen.text(card.value, 200 * share, INK, 700, lines=2, fit=True)
    for line in card.lines:
        pen.text(line, 58 * share, INK, 400, lines=3)
    if card.badge is not None:
        pen.space(24 * share)
        pen.badge(card.badge)
    return pen


def card_png(card: Card, size: tuple[int, int], *, alpha: bool = False) -> bytes:
    """Draw a card as PNG of exactly that size."""
    return drawing.png(card_svg(card, size, alpha=alpha))


def wrapped(text: str, letters: int, most: int) -> list[str]:
    """Break a text into lines of so many letters; the last gets an ellipsis where it is cut."""
    lines = [""]
    words = text.split(" ")  # a narrow space holds a number and its unit together
    if letters > 3:  # what is longer than a line is cut, or it would leave the picture
        words = [w[i : i + letters] for w in words for i in range(0, max(1, len(w)), letters)]
    for word in words:
        if lines[-1] and len(lines[-1]) + 1 + len(word) > letters:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    if len(lines) > most:
        lines = [*lines[: most - 1], lines[most - 1][: max(1, letters - 1)] + "…"]
    return lines


class _Pen:
    """Writes from top to bottom."""

    def __init__(self, size: tuple[int, int], s: float, alpha: bool) -> None:
        self.width, self.height = size
        self.s = s
        self.margin = 80 * s
        self.y = 80 * s
        self.parts: list[str] = []
        # The paint order draws the halo below the letter (SVG 2, 13.8).
        self.halo = (
            f' stroke="{PAPER}" stroke-width="{10 * s:.1f}" paint-order="stroke"' if alpha else ""
        )

    def space(self, px: float) -> None:
        self.y += px * self.s

    def text(
        self, text: str, px: float, colour: str, weight: int, *, lines: int = 1, fit: bool = False
    ) -> None:
        if not text:
            return
        size = px * self.s
        room = self.width - 2 * self.margin
        if fit:
            # As large as it goes: on one line, or on two where that is more than half again.
            one = min(size, room / (_EM * len(text)))
            half = max(map(len, wrapped(text, max(len(text) // 2 + 2, 1), 2)))
            two = min(size, room / (_EM * half))
            size = two if two > 1.5 * one else one
        for line in wrapped(text, max(4, int(room / (_EM * size) + 0.01)), lines):
            self.y += size * 1.18
            self.parts.append(
                f'<text x="{self.margin:.1f}" y="{self.y:.1f}" font-family="{_FACE}" '
                f'font-size="{size:.1f}" font-weight="{weight}" fill="{colour}"{self.halo}>'
                f"{escape(line)}</text>"
            )
        self.y += size * 0.2

    def badge(self, badge: Badge) -> None:
        size = 58 * self.s
        width = (len(badge.word) * _EM * _BOLD + 1.6) * size
        self.parts.append(
            f'<rect x="{self.margin:.1f}" y="{self.y:.1f}" width="{width:.1f}" '
            f'height="{size * 1.6:.1f}" rx="{size * 0.3:.1f}" fill="{PAPER}" '
            f'stroke="{badge.colour}" stroke-width="{size * 0.16:.1f}"/>'
            f'<text x="{self.margin + 0.7 * size:.1f}" y="{self.y + size * 1.15:.1f}" '
            f'font-family="{_FACE}" font-size="{size:.1f}" font-weight="700" fill="{INK}">'
            f"{escape(badge.word)}</text>"
        )
        self.y += size * 1.8

    def foot(self, text: str) -> float:
        """Write the last lines, and return where they begin."""
        size = 30 * self.s
        room = int((self.width - 2 * self.margin) / (_EM * size))
        lines = wrapped(text, room, 2)
        y = self.height - 0.7 * self.margin - (len(lines) - 1) * size * 1.25
        for i, line in enumerate(lines):
            self.parts.append(
                f'<text x="{self.margin:.1f}" y="{y + i * size * 1.25:.1f}" '
                f'font-family="{_FACE}" font-size="{size:.1f}" fill="{GREY}"{self.halo}>'
                f"{escape(line)}</text>"
            )
        return y - size

    def figure(self, figure: Figure) -> None:
        """Put a figure into what is left, drawn small and enlarged, so that its type is large."""
        self.space(30)
        room_w = self.width - 2 * self.margin
        room_h = self.height - self.y - 2.2 * self.margin
        # The type of a figure is 11 px; four times that is 4 % of the shorter side.
        across, down = (int(room / (3.2 * self.s)) for room in (room_w, room_h))
        plot = (max(180, across - 90), max(140, down - 70))
        for again in (True, False):
            svg = lighter(render(figure, "svg", plot).decode())
            found = re.search(r'<svg[^>]*?width="([\d.]+)"[^>]*?height="([\d.]+)"', svg)
            w, h = (float(found[1]), float(found[2])) if found else plot
            scale = min(room_w / w, room_h / h)
            # A figure to scale, or with a tall legend, comes out larger than was asked for.
            share = scale / (3.2 * self.s)
            if share > 0.85 or not again:
                break
            tall = room_h / h < room_w / w
            plot = (
                plot[0] if tall else max(140, int(plot[0] * share)),
                max(110, int(plot[1] * share)) if tall else plot[1],
            )
        x = (self.width - w * scale) / 2
        inner = svg[svg.index(">", svg.index("<svg")) + 1 : svg.rindex("</svg>")]
        inner = re.sub(r'<rect width="[\d.]+" height="[\d.]+" fill="[^"]*"/>', "", inner, count=1)
        self.parts.append(
            f'<g transform="translate({x:.1f} {self.y:.1f}) scale({scale:.4f})">{inner}</g>'
        )
        self.y += h * scale
