"""A figure as SVG that may stand inside a page: no address, no style that leaks, ids of its own."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree as Tree

from tuneassist.inert import inert
from tuneassist.show.figures.drawing import clean_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SVG, _XLINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}"
_NO_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}
_REFERENCE = re.compile(r"url\(#([^)]+)\)")


def svg_bytes(figure: Figure, *, name: str) -> bytes:
    """Return a figure as the bytes of an SVG file, the same for the same figure.

    Parameters
    ----------
    figure
        From matplotlib.
    name
        Goes into its ids.
    """
    import matplotlib as mpl

    clean_words(figure)
    buffer = io.BytesIO()
    with mpl.rc_context(
        {"svg.fonttype": "none", "svg.hashsalt": name, "font.family": "sans-serif"}
    ):
        figure.savefig(buffer, format="svg", metadata=_NO_METADATA)
    return buffer.getvalue()


def inline_svg(figure: Figure, *, name: str, title: str, alt: str) -> str:
    """Return a figure as an ``<svg>`` element for a page.

    Parameters
    ----------
    figure
        From matplotlib.
    name
        Makes its ids unlike those of other figures.
    title, alt
        Name and description, for who cannot see it.

    Returns
    -------
    str
        Without width and height, so that it takes the room it is given; text stays text.
    """
    root = Tree.fromstring(svg_bytes(figure, name=name))  # our own text
    _without_leaks(root)
    _own_ids(root, name)
    for element in root.iter():
        element.tag = element.tag.removeprefix(_SVG)
    size = root.get("viewBox", "0 0 1 1")
    children = list(root)
    root.clear()
    root.attrib.update(
        {"viewBox": size, "role": "img", "aria-labelledby": f"{name}-title {name}-desc"}
    )
    for tag, words in (("title", title), ("desc", alt)):
        element = Tree.SubElement(root, tag, {"id": f"{name}-{tag}"})
        element.text = inert(words)
    root.extend(children)
    return Tree.tostring(root, encoding="unicode", short_empty_elements=True)


def _without_leaks(root: Tree.Element) -> None:
    """Take out metadata and style sheets: the latter would hold for the whole page."""
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{_SVG}metadata", f"{_SVG}style"):
                parent.remove(child)


def _own_ids(root: Tree.Element, name: str) -> None:
    """Put the figure's name ahead of ids that are used, and drop the others."""
    used: set[str] = set()
    for element in root.iter():
        for key, value in element.attrib.items():
            used.update(_REFERENCE.findall(value))
            if key in (f"{_XLINK}href", "href"):
                used.add(value.removeprefix("#"))
    for element in root.iter():
        kept: dict[str, str] = {}
        for key, value in element.attrib.items():
            if key == "id":
                if value in used:
                    kept["id"] = f"{name}-{value}"
            elif key in (f"{_XLINK}href", "href"):
                kept["href"] = f"#{name}-{value.removeprefix('#')}"
            else:
                kept[key] = _REFERENCE.sub(rf"url(#{name}-\1)", value)
        element.attrib.clear()
        element.attrib.update(kept)
