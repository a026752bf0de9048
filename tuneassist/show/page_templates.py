"""Templates of pages: whatever a file says is escaped and made inert before it is on the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tuneassist.errors import InputError
from tuneassist.inert import inert

if TYPE_CHECKING:
    from jinja2 import Environment


def page_templates(what: str) -> Environment:
    """Return the templates of this package, for pages that escape all text.

    Parameters
    ----------
    what
        What needs them, for the message.

    Raises
    ------
    InputError
        When the template library is not installed; says how to install it.
    """
    try:
        from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
    except ImportError as error:
        raise InputError(
            f"{what} needs jinja2, which is not installed.",
            mend='Install it with: pip install "tuneassist[report]"',
        ) from error
    return Environment(
        loader=PackageLoader("tuneassist", "show"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        finalize=_made_inert,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _made_inert(value: Any) -> Any:
    """Remove control characters from text, line by line; what we drew was cleaned then."""
    if not isinstance(value, str) or hasattr(value, "__html__"):
        return value
    return "\n".join(inert(line) for line in value.split("\n"))
