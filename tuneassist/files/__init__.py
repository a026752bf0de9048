"""Setup file in; grid file and result folder out. The only writers to disk."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuneassist.lazy import modules_of

if TYPE_CHECKING:
    from tuneassist.files import (  # noqa: F401 - known to type checkers
        result_writer,
        serialise,
        setup_file,
        setup_keys,
    )
else:
    __getattr__ = modules_of(__name__)
