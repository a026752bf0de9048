"""HTML views of objects in notebooks, by import string, to keep the layers apart.

Notebooks call ``_repr_html_``. The object's layer must not import the screens: the view is looked
up here by the object's class and imported on first use.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import cast

VIEWS: Mapping[str, str] = MappingProxyType(
    {
        "Evidence": "evidence_html",
        "Grid": "grid_html",
        "Proposal": "proposal_html",
    }
)
"""Class of an object to the function of `VIEW_MODULE` that shows it."""
VIEW_MODULE = "tuneassist.show.notebook"


def html_of(value: object) -> str:
    """Return an object as HTML for a notebook.

    Parameters
    ----------
    value
        An object of a class in `VIEWS`.

    Examples
    --------
    >>> import numpy as np
    >>> from tuneassist import Axes, Grid
    >>> axes = Axes(rpm=np.array([800.0, 1200.0]), load=np.array([30.0, 60.0]))
    >>> html_of(Grid.zeros(axes)).count("<td")
    4
    """
    view = getattr(importlib.import_module(VIEW_MODULE), VIEWS[type(value).__name__])
    return cast("Callable[[object], str]", view)(value)
