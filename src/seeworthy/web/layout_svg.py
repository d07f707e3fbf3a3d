"""A printed layout as SVG, for a screen: millimetres become drawing units."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from seeworthy.targets.layout import Layout, Point, light_cells
from seeworthy.targets.printing import printed


def layout_svg(layout: Layout, title: str) -> Any:
    """Return a target or slate as markup."""
    from markupsafe import Markup, escape

    parts = [_polygon(p.points, p.tone) for p in layout.patches]
    parts += [
        f'<circle cx="{d.centre[0]:.2f}" cy="{d.centre[1]:.2f}" r="{d.radius:.2f}" '
        f'fill="{_grey(d.tone)}"/>'
        for d in layout.discs
    ]
    for marker in layout.markers:
        parts.append(_polygon(marker.corners, 0.0))
        parts += [_polygon(cell, 1.0) for cell in light_cells(marker)]
    parts += [
        f'<text x="{t.at[0]:.2f}" y="{t.at[1]:.2f}" font-size="{t.size / 0.73:.2f}" '
        f'fill="#000">{escape(t.text)}</text>'
        for t in layout.labels
        if "measure me" not in t.text  # a screen keeps no scale
    ]
    body = "".join(parts)
    return Markup(  # noqa: S704 - numbers of ours; texts are escaped above
        f'<svg class="card-drawing" viewBox="0 0 {layout.width:g} {layout.height:g}" role="img" '
        f'aria-label="{escape(title)}" shape-rendering="crispEdges">'
        f'<rect width="100%" height="100%" fill="#fff"/>{body}</svg>'
    )


def _polygon(points: Sequence[Point], tone: float) -> str:
    corners = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
    return f'<polygon points="{corners}" fill="{_grey(tone)}"/>'


def _grey(tone: float) -> str:
    level = round(255 * printed(tone))
    return f"#{level:02x}{level:02x}{level:02x}"
