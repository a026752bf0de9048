"""What `runs` and `report` share: options that take many logs, and the comparison itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tuneassist.reading import Log
    from tuneassist.runs import RunsComparison, RunSettings
    from tuneassist.settings import EngineSettings, Setup
    from tuneassist.show.run_units import OutputUnits

MANY = ("--before", "--after")
MOST_REASONS = 6
"""Reasons that one message lists. [1]"""
FACTOR_REFUSALS = ("no air state", "fuel not known", "spark only", "outside the standard's range")
"""Names of the refusals that tell why a pull has no factor to standard air."""


class ManyLogs(TyperCommand):
    """A command whose ``--before`` and ``--after`` take every word up to the next option."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Repeat the option ahead of each of its words, which is what the parser knows."""
        return super().parse_args(ctx, spread(args))


def spread(args: Sequence[str]) -> list[str]:
    """Write ``--before a b`` as ``--before a --before b``.

    Examples
    --------
    >>> spread(["x", "--before", "a", "b", "--json"])
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
    """The standards' words on the command line."""

    NONE = "none"
    ISO1585 = "iso1585"
    SAE_J1349 = "sae-j1349"
    DIN70020 = "din70020"


Before = Annotated[
    list[Path] | None,
    typer.Option(
        "--before",
        metavar="LOG...",
        help="Full-load logs of the car as it was; several are repeats.",
        show_default=False,
    ),
]
After = Annotated[
    list[Path] | None,
    typer.Option(
        "--after",
        metavar="LOG...",
        help="Full-load logs of the car as it is now.",
        show_default=False,
    ),
]
Standard = Annotated[
    StandardWord | None,
    typer.Option(
        "--standard",
        help="Bring torque and power to this standard's air; none leaves them as measured, "
        "whatever the air was. Left out: as measured, and runs in air that differs are not "
        "compared.",
        show_default=False,
    ),
]
STANDARDS_WORDS = "--standard iso1585, --standard sae-j1349 or --standard din70020"
"""How a standard is named, for messages."""


Humidity = Annotated[
    float | None,
    typer.Option(
        "--humidity",
        metavar="PCT",
        help="With --standard: relative humidity of the air, percent, such as --humidity 45.",
        show_default=False,
    ),
]
Fuel = Annotated[
    float | None,
    typer.Option(
        "--fuel",
        metavar="MG",
        help="Needed only for a diesel with --standard iso1585: fuel at full load in mg per litre "
        "of displacement and working cycle. 65 mg a stroke into each cylinder of a 2.0 litre four "
        "is 130: --fuel 130.",
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
        help="Without a setup: what the runs are judged as, spark (petrol, gas) or compression "
        "(diesel). It decides the limits and the standard's formula.",
        show_default=False,
    ),
]


class UnitsWord(StrEnum):
    """Systems of units on the command line."""

    METRIC = "metric"
    IMPERIAL = "imperial"
    PS = "ps"


Units = Annotated[
    UnitsWord | None,
    typer.Option(
        "--units",
        help="Units shown: metric is kW, N.m, kPa and degC; imperial hp, lbf.ft, psi and degF; ps "
        "PS, N.m, bar and degC. Left out: as in the setup, else as logged, else metric. JSON stays "
        "metric.",
        show_default=False,
    ),
]
Zero = Annotated[
    bool,
    typer.Option(
        "--zero",
        metavar="",
        help="Judge whether nothing changed: standard car before, fitted box with an all-zero "
        "grid after.",
    ),
]
Driven = Annotated[
    tuple[float, float] | None,
    typer.Option(
        "--driven",
        metavar="LOW HIGH",
        help="Speeds over which the gain is averaged, rpm, such as --driven 2200 6000. Left out: "
        "1600 2600, where a car that tows is driven.",
        show_default=False,
    ),
]


@dataclass(frozen=True, eq=False)
class FullLoad:
    """Logs of both sides and what they say.

    Parameters
    ----------
    before, after
        As read.
    found
        The comparison.
    is_simulated
        Whether label or logs say that they are simulated.
    ignition
        What the runs were judged as.
    is_assumed
        Whether that was taken without being told.
    """

    before: tuple[Log, ...]
    after: tuple[Log, ...]
    found: RunsComparison
    is_simulated: bool
    ignition: str = "spark"
    is_assumed: bool = False


def compare(
    before: Sequence[Path],
    after: Sequence[Path],
    *,
    car: Setup | None,
    settings: RunSettings,
    ignition: IgnitionWord | None = None,
    **air: Any,
) -> FullLoad:
    """Read both sides and compare them.

    Raises
    ------
    InputError
        When the sides ran in air that differs and were not corrected; the message says the way out.
    NoEvidenceError
        When a side has no usable pull, or the two share no speed; the message says why.
    """
    from tuneassist.cli.inputs import find_logs
    from tuneassist.errors import NoEvidenceError
    from tuneassist.runs import compare_runs
    from tuneassist.workflow.logs import is_simulated, refuse_twins

    engine, is_assumed = engine_of(car, ignition)
    sides = [read_full_load(find_logs(paths), car) for paths in (before, after)]
    refuse_twins([log for side in sides for log in side])
    sides = [[with_target(log, car) for log in side] for side in sides]
    found = compare_runs(
        *sides,
        settings=settings,
        engine=engine,
        limits=car.limits if car else None,
        **air,
    )
    _refuse_different_air(found, can_give_air="air_before" in air)
    if not found.is_usable:
        raise NoEvidenceError(f"No usable full-load runs to compare. {_why_not(found)}")
    logs = [log for side in sides for log in side]
    simulated = is_simulated(logs, car)
    return FullLoad(tuple(sides[0]), tuple(sides[1]), found, simulated, engine.ignition, is_assumed)


def engine_of(car: Setup | None, ignition: IgnitionWord | None) -> tuple[EngineSettings, bool]:
    """Return the engine that runs are judged as, and whether its ignition was assumed.

    Raises
    ------
    BadParameter
        When setup and ``--ignition`` do not agree.
    """
    from tuneassist.settings import EngineSettings

    if car is None:
        word = ignition or IgnitionWord.SPARK
        return EngineSettings(ignition=word.value), ignition is None
    if ignition is not None and ignition.value != car.engine.ignition:
        raise typer.BadParameter(
            f"--ignition {ignition.value} does not agree with the setup, whose engine.ignition is "
            f"{car.engine.ignition}: leave it out."
        )
    return car.engine, False


def _refuse_different_air(found: RunsComparison, *, can_give_air: bool) -> None:
    """Raise, with the way out, where the sides ran in air that differs and was not corrected."""
    from tuneassist.errors import InputError
    from tuneassist.runs.same_air import DIFFERENT_AIR

    apart = next((r for r in found.refusals if r.name == DIFFERENT_AIR), None)
    if apart is None:
        return
    why = ""
    if found.settings.standard != "none":
        seen = [r for r in found.refusals if r.name in FACTOR_REFUSALS]
        why = f" {found.standard} could not correct it: {seen[0].description}" if seen else ""
    mend = f"Correct it with {STANDARDS_WORDS}; or compare as measured with --standard none."
    if can_give_air:
        mend += (
            " Where the logged temperature is not that of the outside air, give the air: "
            "--air-before KPA DEGC --air-after KPA DEGC."
        )
    raise InputError(f"{apart.description}{why}", mend=mend)


def with_target(log: Log, car: Setup | None) -> Log:
    """Put the setup's lambda target beside a log's samples, where none was logged."""
    samples = log.samples
    if car is None or "load" not in samples or "lambda_target" in samples:
        return log
    from tuneassist.grid import bilinear_weights

    known = samples[samples["rpm"].notna() & samples["load"].notna()]
    weights = bilinear_weights(car.axes, known["rpm"], known["load"])
    target = known["rpm"].mul(float("nan"))
    target[:] = weights @ car.target.table.ravel()
    return replace(log, samples=samples.assign(lambda_target=target))


def output_units(
    word: UnitsWord | None, logs: Sequence[Log], car: Setup | None = None
) -> OutputUnits:
    """Return the units that were asked for, else the setup's, else those that were logged."""
    from tuneassist.show.run_units import SYSTEMS, units_of

    return units_of(logs, car, None if word is None else SYSTEMS[word.value])


def _why_not(found: RunsComparison) -> str:
    """Say why there is no gain: the refusals of the sides that have no pull."""
    from tuneassist.show.runs import refusal_words

    usable = set(found.pulls["side"]) if len(found.pulls) else set()
    if usable == {"before", "after"}:
        return "The two sides share no speed."
    of_interest = [r for r in found.refusals if r.where.split(",")[0] not in usable]
    words = refusal_words(of_interest)
    more = len(words) - MOST_REASONS
    rest = [f"And {more} more like these."] if more > 0 else []
    return " ".join([*words[:MOST_REASONS], *rest])


def run_settings(standard: StandardWord | None, **given: Any) -> RunSettings:
    """Build the settings from what was given, defaults elsewhere.

    A standard that was named as "none" is the answer to the question what becomes of runs in air
    that differs; one that was left out is not.
    """
    from tuneassist.runs import RunSettings

    known = {name: value for name, value in given.items() if value is not None}
    if standard is StandardWord.NONE:
        known["different_air"] = "as measured"
    word = StandardWord.NONE if standard is None else standard
    return RunSettings(standard=word.value, **known)


def read_full_load(paths: Sequence[Path], car: Setup | None) -> list[Log]:
    """Read full-load logs with the setup's channels, else by their headers, and say so."""
    from tuneassist.cli.console import tell
    from tuneassist.cli.inputs import read_logs
    from tuneassist.errors import LogError
    from tuneassist.files.run_file import NOT_THERE
    from tuneassist.inert import listed

    try:
        return read_logs(paths, setup=car)
    except LogError as error:
        if car is None or not any(words in str(error) for words in NOT_THERE):
            raise
        first = error
    try:
        logs = read_logs(paths, setup=None)
    except LogError:
        raise first from None
    names = listed(log.name for log in logs)
    tell(f"{names}: read by the headers; the setup's channels do not fit: {first.problem}")
    return logs
