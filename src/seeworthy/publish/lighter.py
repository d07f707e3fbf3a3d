"""Charts as SVG that is quick to turn into pixels and looks the same.

A renderer makes a layer as large as the whole picture for every group that is clipped and for
every shape that has an opacity: a chart of six curves took one second of a card's drawing.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET

_SVG = "{http://www.w3.org/2000/svg}"
_SHAPES = {f"{_SVG}{name}" for name in ("path", "line", "rect")}


def lighter(svg: str) -> str:
    """Return a chart with one clip for neighbours that share it, and opacity as paint."""
    ET.register_namespace("", _SVG[1:-1])
    root = ET.fromstring(svg)  # noqa: S314 - ours, drawn a moment ago
    outlines = {
        f"url(#{c.get('id')})": "".join(ET.tostring(part, "unicode").strip() for part in c)
        for c in root.iter(f"{_SVG}clipPath")
    }
    _gather(root, outlines)
    for shape in root.iter():
        _paint_opacity(shape)
    return ET.tostring(root, "unicode")


def _gather(group: ET.Element, outlines: dict[str, str]) -> None:
    """Put neighbours that are clipped alike into one group with that clip, from within outwards."""
    made: list[ET.Element] = []
    last = ""
    for child in group:
        if child.tag == f"{_SVG}g":
            _gather(child, outlines)
        if not _paints(child):
            continue
        clip = child.get("clip-path", "")
        outline = outlines.get(clip, "") if child.get("transform") is None else ""
        if outline:
            if outline != last:
                made.append(ET.Element(f"{_SVG}g", {"clip-path": clip}))
            del child.attrib["clip-path"]
            made[-1].append(child)
        else:
            made.append(child)
        last = outline
    group[:] = made
    only = made[0] if len(made) == 1 else None
    still = group.get("transform") in (None, "translate(0,0)") and group.get("clip-path") is None
    if only is not None and only.tag == f"{_SVG}g" and set(only.attrib) == {"clip-path"} and still:
        # What moves nothing and holds one clipped group may itself have the clip.
        group.attrib.pop("transform", None)
        group.attrib.update(only.attrib)
        group[:] = list(only)


def _paints(element: ET.Element) -> bool:
    """Tell whether anything of an element is seen; a chart holds many outlines without paint."""
    if element.tag == f"{_SVG}g":
        return len(element) > 0
    if element.tag not in _SHAPES:
        return True
    return element.get("display") != "none" and any(
        element.get(p, "none") != "none" for p in ("fill", "stroke")
    )


def _paint_opacity(shape: ET.Element) -> None:
    """Say a shape's opacity of its fill or of its stroke, where it has one of them."""
    opacity = shape.get("opacity")
    if opacity is None or shape.tag not in _SHAPES:
        return
    paints = [p for p in ("fill", "stroke") if shape.get(p, "none") != "none"]
    if len(paints) == 1 and shape.get(f"{paints[0]}-opacity") is None:
        del shape.attrib["opacity"]
        shape.set(f"{paints[0]}-opacity", opacity)
