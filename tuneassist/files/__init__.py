"""Setup file in; grid file and result folder out. The only writers to disk."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuneassist.lazy import modules_of

if TYPE_CHECKING:
    from tuneassist.files import (
        proposal_folder as proposal_folder,
    )
    from tuneassist.files import (
        setup_file as setup_file,
    )
    from tuneassist.files import (
        setup_keys as setup_keys,
    )
    from tuneassist.files import (
        text as text,
    )
else:
    __getattr__ = modules_of(__name__)
