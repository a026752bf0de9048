"""A figure as inline SVG for a page: no external links, no page-wide styles, unique ids."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree as Tree

from tuneassist.inert import inert
from tuneassist.show.figures.drawing import clean_text, text_stays_text

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.figure import Figure

    from tuneassist.show.report_blocks import Picture

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
        Part of its ids.
    """
    import matplotlib as mpl

    clean_text(figure)
    buffer = io.BytesIO()
    with mpl.rc_context(text_stays_text(name)):
        figure.savefig(buffer, format="svg", metadata=_NO_METADATA)
    return buffer.getvalue()


def svg_markup(picture: Picture) -> Markup:
    """Return a picture as markup for a template.

    Parameters
    ----------
    picture
        The figure with its name, title and description.
    """
    from markupsafe import Markup

    drawn = inline_svg(picture.figure, name=picture.name, title=picture.title, alt=picture.alt)
    return Markup(drawn)  # built by us; its text is escaped by ElementTree


def inline_svg(figure: Figure, *, name: str, title: str, alt: str) -> str:
    """Return a figure as an ``<svg>`` element for a page.

    Parameters
    ----------
    figure
        From matplotlib.
    name
        Makes its ids unique.
    title, alt
        Title and description for screen readers.

    Returns
    -------
    str
        Without width and height, so that it scales; text stays text.
    """
    root = Tree.fromstring(svg_bytes(figure, name=name))  # SVG written above
    _remove_page_wide(root)
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


def _remove_page_wide(root: Tree.Element) -> None:
    """Remove metadata and style sheets, which would apply to the whole page."""
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{_SVG}metadata", f"{_SVG}style"):
                parent.remove(child)


def _own_ids(root: Tree.Element, name: str) -> None:
    """Prefix used ids with the figure's name, and drop the others."""
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
