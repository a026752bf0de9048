"""Every error that this package raises on purpose.

::

    TuneassistError                 base: catch this one
    ├── InputError (ValueError)     a file, a key or a value cannot be used         exit 3
    │   ├── SetupError              the setup file                                  exit 3
    │   ├── LogError                a log file                                      exit 3
    │   └── GridError               a correction grid file or its axes              exit 3
    ├── NoEvidenceError             inputs are fine, nothing usable is in them      exit 4
    ├── RuleBreachError             a grid breaks a rule, or the checker objects    exit 5
    └── OutputError (OSError)       the result could not be written                 exit 3

The exit statuses are the contract's; the command line reads them from the class.
"""

from __future__ import annotations

from typing import ClassVar


class TuneassistError(Exception):
    """Base of every error that this package raises on purpose."""

    exit_status: ClassVar[int] = 3


class InputError(TuneassistError, ValueError):
    """An input cannot be used.

    Parameters
    ----------
    problem
        What is wrong, in one sentence.
    where
        File, and row, key, column or cell where it is.
    mend
        What would be right.
    """

    def __init__(self, problem: str, *, where: str = "", mend: str = "") -> None:
        self.problem = problem
        self.where = where
        self.mend = mend
        place = f"{where}: " if where else ""
        cure = f" {mend}" if mend else ""
        super().__init__(f"{place}{problem}{cure}")


class SetupError(InputError):
    """The setup file cannot be used."""


class LogError(InputError):
    """A log file cannot be used."""


class GridError(InputError):
    """A correction grid, or the file that holds it, cannot be used."""


class NoEvidenceError(TuneassistError):
    """The inputs are sound but hold no usable steady evidence."""

    exit_status: ClassVar[int] = 4


class RuleBreachError(TuneassistError):
    """A grid breaks a rule.

    Parameters
    ----------
    message
        What happened.
    breaches
        One sentence per broken rule.
    """

    exit_status: ClassVar[int] = 5

    def __init__(self, message: str, breaches: tuple[str, ...] = ()) -> None:
        self.breaches = breaches
        super().__init__("\n".join((message, *breaches)))


class OutputError(TuneassistError, OSError):
    """A result could not be written; what was there before is untouched."""
