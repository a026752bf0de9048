"""Who shows an object in a notebook: named by import string, so that objects stay below screens.

A notebook asks an object for ``_repr_html_``. A grid does not know pages, and must not: what shows
it is looked up here by the object's kind and loaded when it is first asked for.
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
"""Kind of object to the function of `HOME` that shows it."""
HOME = "tuneassist.show.notebook"


def html_of(value: object) -> str:
    """Return an object as HTML for a notebook.

    Parameters
    ----------
    value
        Of one of the kinds in `VIEWS`.

    Examples
    --------
    >>> import numpy as np
    >>> from tuneassist import Axes, Grid
    >>> axes = Axes(rpm=np.array([800.0, 1200.0]), load=np.array([30.0, 60.0]))
    >>> html_of(Grid.zeros(axes)).count("<td")
    4
    """
    view = getattr(importlib.import_module(HOME), VIEWS[type(value).__name__])
    return cast("Callable[[object], str]", view)(value)
