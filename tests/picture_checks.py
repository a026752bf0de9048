"""What is written in a picture: no text on another, none cut off by the paper."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

TOUCH_PX = 1.0
"""Boxes are drawn with their leading: texts that overlap by less do not touch. [pixel]"""


def texts_drawn(figure: Figure) -> list[tuple[str, Bbox]]:
    """Every text that really is drawn, with its box on the paper. [pixels]"""
    canvas, drawn = FigureCanvasAgg(figure), []
    draw = Text.draw

    def note(self: Text, renderer: object) -> None:
        if self.get_visible() and self.get_text().strip():
            drawn.append(self)
        draw(self, renderer)  # type: ignore[arg-type]

    with patch.object(Text, "draw", note):
        canvas.draw()
    renderer = canvas.get_renderer()
    once = {id(text): text for text in drawn}.values()
    return [(text.get_text(), Text.get_window_extent(text, renderer)) for text in once]


def faults(figure: Figure) -> list[str]:
    """Texts that overlap, and texts that the edge of the picture cuts."""
    texts, paper = texts_drawn(figure), figure.bbox
    found = [
        f"cut off: {words!r}"
        for words, box in texts
        if box.x0 < paper.x0 - TOUCH_PX or box.y0 < paper.y0 - TOUCH_PX
        or box.x1 > paper.x1 + TOUCH_PX or box.y1 > paper.y1 + TOUCH_PX
    ]  # fmt: skip
    low = np.array([[box.x0, box.y0] for _, box in texts])
    high = np.array([[box.x1, box.y1] for _, box in texts])
    shared = np.minimum(high[:, None], high) - np.maximum(low[:, None], low)
    for one, other in np.argwhere(np.triu((shared > TOUCH_PX).all(axis=2), 1)):
        found.append(f"overlap: {texts[one][0]!r} and {texts[other][0]!r}")
    return found
