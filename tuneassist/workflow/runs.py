"""Compare full-load runs before and after a change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from tuneassist.errors import InputError, LogError, NoEvidenceError, TuneassistError
from tuneassist.files.run_file import NOT_THERE
from tuneassist.grid import bilinear_weights
from tuneassist.inert import listed
from tuneassist.reading import Log
from tuneassist.runs import RunsComparison, RunSettings, compare_runs
from tuneassist.runs.air import AirState
from tuneassist.runs.air_difference import DIFFERENT_AIR
from tuneassist.runs.refusal import Refusal
from tuneassist.runs.settings import Standard
from tuneassist.settings import EngineSettings, Ignition, Setup, UnitSettings
from tuneassist.show.run_units import SYSTEMS, OutputUnits, said_in_units, units_of
from tuneassist.show.runs import refusal_words
from tuneassist.workflow.logs import is_simulated, refuse_duplicates

MOST_REASONS = 6
"""Most reasons in one message. [1]"""
FACTOR_REFUSALS = ("no air state", "fuel not known", "spark only", "outside the standard's range")
"""Refusals that explain why a pull has no factor to standard air."""
STANDARDS_WORDS = "--standard iso1585, --standard sae-j1349 or --standard din70020"
"""The options that name a standard, for messages."""
AS_MEASURED: Final = "none"
"""Name for no correction."""

ReadLogs = Callable[[Setup | None], list[Log]]
"""Reads the logs of one side, with the setup's channels or by header."""
Tell = Callable[[str], None]
"""Takes a message to the user."""


class IgnitionClashError(InputError):
    """The ignition contradicts the setup."""


@dataclass(frozen=True, eq=False)
class SidesAir:
    """The air of both sides; None takes the logged air."""

    before: AirState | None = None
    after: AirState | None = None


@dataclass(frozen=True, eq=False)
class FullLoad:
    """Full-load logs of both sides and their comparison.

    Parameters
    ----------
    before, after
        The logs as read.
    found
        The comparison.
    is_simulated
        Whether label or logs say that the data are simulated.
    ignition
        The type of ignition that the runs were evaluated for.
    is_assumed
        Whether the ignition was assumed.
    setup
        The car's setup; None without one.
    """

    before: tuple[Log, ...]
    after: tuple[Log, ...]
    found: RunsComparison
    is_simulated: bool
    ignition: str = "spark"
    is_assumed: bool = False
    setup: Setup | None = None

    @property
    def logs(self) -> tuple[Log, ...]:
        """The logs of both sides, those before first."""
        return (*self.before, *self.after)

    @property
    def assumed(self) -> str:
        """The ignition if it was assumed, else empty."""
        return self.ignition if self.is_assumed else ""

    def units(self, name: str | None) -> OutputUnits:
        """Return the units to show.

        Parameters
        ----------
        name
            As for `output_units`.
        """
        return output_units(name, self.logs, self.setup)

    def units_logged(self) -> OutputUnits:
        """Return the units in which the logs were written, whatever is to be shown."""
        return units_of(self.logs, None, UnitSettings())


def compare_full_load(
    before: ReadLogs,
    after: ReadLogs,
    *,
    car: Setup | None,
    settings: RunSettings,
    ignition: Ignition | None = None,
    air: SidesAir | None = None,
    tell: Tell,
) -> FullLoad:
    """Read both sides and compare them.

    Parameters
    ----------
    before, after
        Callbacks that read the logs of each side.
    car
        The car's setup: ignition, limits and channels; None takes the defaults of ``ignition``.
    settings
        Thresholds and the standard.
    ignition
        "spark" or "compression", without a setup; None assumes spark and says so.
    air
        The air of both sides; None if it cannot be given.
    tell
        Takes a message about logs that were read without the setup's channels.

    Raises
    ------
    InputError
        When the sides ran in different air without correction; the message says what to do.
    IgnitionClashError
        When ``ignition`` contradicts the setup.
    NoEvidenceError
        When a side has no usable pull, or the two share no speed; the message says why.
    """
    made, refused = try_full_load(
        before, after, car=car, settings=settings, ignition=ignition, air=air, tell=tell
    )
    if refused is not None:
        raise refused
    return made


def try_full_load(
    before: ReadLogs,
    after: ReadLogs,
    *,
    car: Setup | None,
    settings: RunSettings,
    ignition: Ignition | None = None,
    air: SidesAir | None = None,
    tell: Tell,
) -> tuple[FullLoad, TuneassistError | None]:
    """Compare both sides as far as they can be, and return why torque could not be compared.

    Where torque may not be compared, the answer to the pedal still may: see ``found.feel``.

    Parameters
    ----------
    before, after, car, settings, ignition, air, tell
        As for `compare_full_load`.

    Returns
    -------
    made, refused
        The comparison, and the error that `compare_full_load` would raise; None where the gain is
        there.

    Raises
    ------
    IgnitionClashError
        When ``ignition`` contradicts the setup.
    """
    engine, is_assumed = engine_of(car, ignition)
    sides = [read_full_load(read, car, tell) for read in (before, after)]
    refuse_duplicates([log for side in sides for log in side])
    sides = [[with_target(log, car) for log in side] for side in sides]
    given = air or SidesAir()
    found = compare_runs(
        *sides,
        settings=settings,
        engine=engine,
        limits=car.limits if car else None,
        air_before=given.before,
        air_after=given.after,
    )
    said = said_in_units(found, units_of([log for side in sides for log in side], car))
    refused: TuneassistError | None = _different_air(said, can_give_air=air is not None)
    if refused is None and not found.is_usable:
        refused = NoEvidenceError(f"No usable full-load runs to compare. {_why_not(said)}")
    simulated = is_simulated([log for side in sides for log in side], car)
    made = FullLoad(
        tuple(sides[0]), tuple(sides[1]), found, simulated, engine.ignition, is_assumed, car
    )
    return made, refused


def air_of_sides(
    before: tuple[float, float] | None,
    after: tuple[float, float] | None,
    humidity_pct: float | None = None,
) -> SidesAir:
    """Return the air of both sides from what was measured.

    Parameters
    ----------
    before, after
        Pressure [kPa] and temperature [degC]; None takes what was logged.
    humidity_pct
        Relative humidity of both. [%]
    """
    return SidesAir(
        *(
            None if side is None else AirState(*side, relative_humidity_pct=humidity_pct)
            for side in (before, after)
        )
    )


def engine_of(car: Setup | None, ignition: Ignition | None) -> tuple[EngineSettings, bool]:
    """Return the engine to evaluate the runs for, and whether its ignition was assumed.

    Parameters
    ----------
    car
        The car's setup; None without one.
    ignition
        As for `compare_full_load`.

    Raises
    ------
    IgnitionClashError
        When ``ignition`` contradicts the setup.
    """
    if car is None:
        return EngineSettings(ignition=ignition or "spark"), ignition is None
    if ignition is not None and ignition != car.engine.ignition:
        raise IgnitionClashError(
            f"--ignition {ignition} contradicts the setup, whose engine.ignition is "
            f"{car.engine.ignition}. Leave it out."
        )
    return car.engine, False


def run_settings(standard: Standard | None, **given: Any) -> RunSettings:
    """Build the settings from the given values and the defaults.

    Parameters
    ----------
    standard
        "none" compares runs in different air as measured; None refuses to.
    given
        Fields of `tuneassist.RunSettings`; None takes the default.
    """
    known = {name: value for name, value in given.items() if value is not None}
    if standard == AS_MEASURED:
        known["different_air"] = "as measured"
    return RunSettings(standard=standard or AS_MEASURED, **known)


def output_units(name: str | None, logs: Sequence[Log], car: Setup | None = None) -> OutputUnits:
    """Return the units of this name, or by default the setup's, else the logged ones.

    Parameters
    ----------
    name
        "metric", "imperial" or "ps"; None takes the default.
    logs
        The logs as read.
    car
        The car's setup; None without one.
    """
    return units_of(logs, car, None if name is None else SYSTEMS[name])


def read_full_load(read: ReadLogs, car: Setup | None, tell: Tell) -> list[Log]:
    """Read full-load logs with the setup's channels, or by header with a message.

    Parameters
    ----------
    read
        Reads the logs.
    car
        The car's setup; None without one.
    tell
        Takes the message.

    Raises
    ------
    LogError
        When the logs cannot be read either way."""
    try:
        return read(car)
    except LogError as error:
        if car is None or not any(words in str(error) for words in NOT_THERE):
            raise
        first = error
    try:
        logs = read(None)
    except LogError:
        raise first from None
    names = listed(log.name for log in logs)
    tell(f"{names}: read by the headers; the setup's channels do not fit: {first.problem}")
    return logs


def with_target(log: Log, car: Setup | None) -> Log:
    """Add the setup's lambda target to a log's samples, if none was logged.

    Parameters
    ----------
    log
        The log.
    car
        The car's setup; None adds nothing.
    """
    samples = log.samples
    if car is None or "load" not in samples or "lambda_target" in samples:
        return log
    known = samples[samples["rpm"].notna() & samples["load"].notna()]
    weights = bilinear_weights(car.axes, known["rpm"], known["load"])
    target = known["rpm"].mul(float("nan"))
    target[:] = weights @ car.target.table.ravel()
    return replace(log, samples=samples.assign(lambda_target=target))


def _different_air(found: RunsComparison, *, can_give_air: bool) -> InputError | None:
    """Return the error of sides that ran in different air without correction; None otherwise."""
    apart = next((r for r in found.refusals if r.name == DIFFERENT_AIR), None)
    if apart is None:
        return None
    why = ""
    if found.settings.standard != AS_MEASURED:
        seen = [r for r in found.refusals if r.name in FACTOR_REFUSALS]
        why = f" {found.standard} could not correct it: {seen[0].description}" if seen else ""
    mend = f"Correct it with {STANDARDS_WORDS}; or compare as measured with --standard none."
    if can_give_air:
        mend += (
            " If the logged temperature is not that of the outside air, give the air: "
            "--air-before KPA DEGC --air-after KPA DEGC."
        )
    return InputError(f"{apart.description}{why}", mend=mend)


def _told_once(refusals: Sequence[Refusal]) -> list[Refusal]:
    """Return each reason once, at its first place."""
    first = {one.description: one for one in reversed(refusals)}
    return [one for one in refusals if first[one.description] is one]


def _why_not(found: RunsComparison) -> str:
    """Return why there is no gain: the refusals of the sides without a usable pull."""
    usable = set(found.pulls["side"]) if len(found.pulls) else set()
    if usable == {"before", "after"}:
        return "The two sides have no engine speed in common."
    of_interest = [r for r in found.refusals if r.where.split(",")[0] not in usable]
    words = refusal_words(_told_once(of_interest))
    more = len(words) - MOST_REASONS
    rest = [f"And {more} more reasons."] if more > 0 else []
    return " ".join([*words[:MOST_REASONS], *rest])
