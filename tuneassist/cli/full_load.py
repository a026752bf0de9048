"""Options that `runs` and `report` share, and how their logs are read."""

from __future__ import annotations

from contextlib import contextmanager
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from tuneassist import workflow
from tuneassist.cli.inputs import find_logs, read_logs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tuneassist.workflow.runs import ReadLogs

MANY = ("--before", "--after")


class ManyLogs(TyperCommand):
    """A command whose ``--before`` and ``--after`` take all words up to the next option."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Repeat the option before each of its words, as the parser expects."""
        return super().parse_args(ctx, repeat_option(args))


def repeat_option(args: Sequence[str]) -> list[str]:
    """Write ``--before a b`` as ``--before a --before b``.

    Examples
    --------
    >>> repeat_option(["x", "--before", "a", "b", "--json"])
    ['x', '--before', 'a', '--before', 'b', '--json']
    """
    out: list[str] = []
    option = ""
    for word in args:
        if word.startswith("-"):
            option = word if word in MANY else ""
            if not option:
                out.append(word)
        elif option:
            out += [option, word]
        else:
            out.append(word)
    return out


class StandardWord(StrEnum):
    """Standards on the command line."""

    NONE = "none"
    ISO1585 = "iso1585"
    SAE_J1349 = "sae-j1349"
    DIN70020 = "din70020"


Before = Annotated[
    list[Path] | None,
    typer.Option(
        "--before",
        metavar="LOG...",
        help="Full-load logs before the change. Several logs are repeats.",
        show_default=False,
    ),
]
After = Annotated[
    list[Path] | None,
    typer.Option(
        "--after",
        metavar="LOG...",
        help="Full-load logs after the change.",
        show_default=False,
    ),
]
Standard = Annotated[
    StandardWord | None,
    typer.Option(
        "--standard",
        help="Correct torque and power to the air of this standard; none leaves them as measured "
        "in any air. Default: as measured, but runs in different air are not compared.",
        show_default=False,
    ),
]
Humidity = Annotated[
    float | None,
    typer.Option(
        "--humidity",
        metavar="PCT",
        help="With --standard: relative humidity of the air in percent, such as --humidity 45.",
        show_default=False,
    ),
]
Fuel = Annotated[
    float | None,
    typer.Option(
        "--fuel",
        metavar="MG",
        help="Needed only for a diesel with --standard iso1585: fuel at full load in mg per litre "
        "of displacement and working cycle. 65 mg per stroke and cylinder in a 2.0 litre "
        "four-cylinder engine is 130: --fuel 130.",
        show_default=False,
    ),
]


class IgnitionWord(StrEnum):
    """Kinds of ignition on the command line."""

    SPARK = "spark"
    COMPRESSION = "compression"


Ignition = Annotated[
    IgnitionWord | None,
    typer.Option(
        "--ignition",
        help="Without --setup: spark (petrol, gas) or compression (diesel). It decides the limits "
        "and the formula of the standard.",
        show_default=False,
    ),
]
Zero = Annotated[
    bool,
    typer.Option(
        "--zero",
        metavar="",
        help="Test whether nothing changed: standard car before, fitted box with an all-zero grid "
        "after.",
    ),
]
Low = Annotated[
    tuple[float, float] | None,
    typer.Option(
        "--low",
        metavar="LOW HIGH",
        help="Low speeds, for what the driver feels, in rpm, such as --low 2000 3500. Default: "
        "1500 2500.",
        show_default=False,
    ),
]
Driven = Annotated[
    tuple[float, float] | None,
    typer.Option(
        "--driven",
        metavar="LOW HIGH",
        help="Speeds over which the gain is averaged, in rpm, such as --driven 2200 6000. "
        "Default: 1600 2600, where a towing car is driven.",
        show_default=False,
    ),
]


Air = tuple[float, float]
AirBefore = Annotated[
    Air | None,
    typer.Option(
        "--air-before",
        metavar="KPA DEGC",
        help="Air upstream of the air filter for the runs before: pressure (kPa, absolute) and "
        "temperature (degC), such as --air-before 98.7 24. Default: barometer and inlet "
        "temperature as logged.",
        show_default=False,
    ),
]
AirAfter = Annotated[
    Air | None,
    typer.Option(
        "--air-after",
        metavar="KPA DEGC",
        help="The same for the runs after, such as --air-after 99.2 19.",
        show_default=False,
    ),
]
Margin = Annotated[
    float | None,
    typer.Option(
        "--margin",
        metavar="PCT",
        help="With --zero: a smaller change of torque counts as no change, in percent.",
        show_default=False,
    ),
]
Inertia = Annotated[
    float | None,
    typer.Option(
        "--inertia",
        metavar="KGM2",
        help="Needed only where the log has neither torque nor power: inertia of rollers, wheels "
        "and driveline at the crankshaft in the gear driven, in kg m2. Rollers of 80 kg m2 "
        "that turn once for four turns of the crank are 80/16: --inertia 5.",
        show_default=False,
    ),
]


def reader_of(typed: Sequence[Path]) -> ReadLogs:
    """Return a callback that reads one side's logs; they are searched for once."""
    paths = cache(lambda: find_logs(typed))
    return lambda car: read_logs(paths(), setup=car)


def value_of(word: StrEnum | None) -> Any:
    """Return a choice of the command line as the library's plain text."""
    return None if word is None else word.value


@contextmanager
def ignition_as_usage() -> Iterator[None]:
    """Report an ``--ignition`` that contradicts the setup as wrong usage.

    Raises
    ------
    typer.BadParameter
        Wrong usage.
    """
    try:
        yield
    except workflow.runs.IgnitionClashError as error:
        raise typer.BadParameter(str(error)) from error
