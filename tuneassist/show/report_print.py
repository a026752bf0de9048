"""What a page needs on paper: the words at the foot of each sheet."""

from __future__ import annotations

MOST_LABEL = 60
"""Characters of a car's label at the foot of a sheet: more would meet the page number. [1]"""

PAGE = '", page " counter(page) " of " counter(pages)'


def sheet_style(label: str, made_at: str, *, is_simulated: bool) -> str:
    """Return the style that puts car, date and page number on each sheet.

    The printer chooses the paper, so the rule has margins and no size.

    Parameters
    ----------
    label
        Name of the car.
    made_at
        When the page was made.
    is_simulated
        Whether the data are simulated: each sheet then says so.
    """
    car = label if len(label) <= MOST_LABEL else f"{label[: MOST_LABEL - 1]}…"
    left = f"{car} (SIMULATED DATA)" if is_simulated else car
    font = 'font: 8pt system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; color: #333'
    return (
        "@page { margin: 11mm 12mm 15mm; "
        f"@bottom-left {{ content: {css_string(left)}; {font}; white-space: nowrap; }} "
        f"@bottom-right {{ content: {css_string(made_at)} {PAGE}; {font}; white-space: nowrap; }} "
        "}"
    )


def css_string(text: str) -> str:
    r"""Return text as a string of a style sheet that nothing in it can end.

    Parameters
    ----------
    text
        Any text.

    Examples
    --------
    >>> css_string('a"</style>')
    '"a\\22 \\3c \\2f style\\3e "'
    """
    return '"' + "".join(c if c.isalnum() or c == " " else f"\\{ord(c):x} " for c in text) + '"'
