"""Every error that this package raises on purpose.

::

    TuneassistError                 base: catch this one
    ├── InputError (ValueError)     a file, a key or a value cannot be used         exit 3
    │   ├── SetupError              the setup file                                  exit 3
    │   ├── LogError                a log file                                      exit 3
    │   └── GridError               a correction grid file or its axes              exit 3
    ├── NoEvidenceError             inputs are fine but hold nothing usable      exit 4
    ├── RuleBreachError             a grid breaks a rule, or the checker objects    exit 5
    └── OutputError (OSError)       the result could not be written                 exit 3

The exit statuses are the contract's; the command line reads them from the class. A message may
quote a file: quoted text is made safe to show and shortened here, for every error.
"""

from __future__ import annotations

from typing import ClassVar

from tuneassist.inert import NAME_LENGTH, one_line

MOST_BREACHES = 1000
"""Broken rules that one message names: enough for any table of a controller. [1]"""


class TuneassistError(Exception):
    """Base of every error that this package raises on purpose.

    Parameters
    ----------
    message
        What happened, in one line.
    """

    exit_status: ClassVar[int] = 3

    def __init__(self, message: str = "") -> None:
        super().__init__(one_line(message))

    def __reduce__(self) -> tuple[object, ...]:
        """Restore the error from another process unchanged, without building its message anew."""
        return _as_it_was, (type(self), self.args, dict(self.__dict__))


def _as_it_was(
    kind: type[TuneassistError], args: tuple[object, ...], fields: dict[str, object]
) -> TuneassistError:
    error = kind.__new__(kind)
    error.args = args
    error.__dict__.update(fields)
    return error


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
    example
        Example lines, shown below the message.
    """

    def __init__(self, problem: str, *, where: str = "", mend: str = "", example: str = "") -> None:
        self.problem = one_line(problem)
        self.where = one_line(where, NAME_LENGTH)
        self.mend = one_line(mend)
        place = f"{self.where}: " if where else ""
        cure = f" {self.mend}" if mend else ""
        below = f"\n{example}" if example else ""
        Exception.__init__(self, f"{place}{self.problem}{cure}{below}")

    def without(self, *names: str) -> str:
        """Return the message without a file's name, where that is shown already.

        Parameters
        ----------
        names
            What the file may be called in it.
        """
        place = self.where
        for name in names:
            place = place.removeprefix(one_line(name, NAME_LENGTH))
        place = place.removeprefix(", ")
        first = f"{place[0].upper()}{place[1:]}: " if place else ""
        return f"{first}{self.problem}{f' {self.mend}' if self.mend else ''}"


class SetupError(InputError):
    """The setup file cannot be used."""


class LogError(InputError):
    """A log file cannot be used.

    Parameters
    ----------
    problem, where, mend, example
        As for `InputError`.
    stops_run
        Whether the run stops until it is fixed: the named file is missing, or it may hold readings
        that a ceiling needs.
    """

    def __init__(
        self,
        problem: str,
        *,
        where: str = "",
        mend: str = "",
        example: str = "",
        stops_run: bool = False,
    ) -> None:
        super().__init__(problem, where=where, mend=mend, example=example)
        self.stops_run = stops_run


class GridError(InputError):
    """A correction grid, or the file that holds it, cannot be used."""


class NoEvidenceError(TuneassistError):
    """The inputs are sound but hold no usable evidence."""

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
        self.breaches = tuple(one_line(breach) for breach in breaches)
        more = len(breaches) - MOST_BREACHES
        rest = (f"And {more:,} more.",) if more > 0 else ()
        lines = (one_line(message), *self.breaches[:MOST_BREACHES], *rest)
        Exception.__init__(self, "\n".join(lines))


class OutputError(TuneassistError, OSError):
    """A result could not be written; what was there before is unchanged."""
