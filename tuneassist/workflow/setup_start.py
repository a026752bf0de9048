"""A setup to start from, made from logs: lines for what they show, questions for what they do not.

No unit, fuel or column is guessed. What the logs do not tell is asked, and stands as a "?" in the
file until it is answered.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tuneassist.channels import CHANNELS
from tuneassist.errors import InputError, LogError, SetupError, TuneassistError
from tuneassist.files.grid_file import read_grid
from tuneassist.files.open_questions import OPEN, OpenQuestionsError, Question, asked
from tuneassist.files.safe_files import write_atomically
from tuneassist.files.setup_contradictions import COMPRESSION_FUELS, SPARK_FUELS
from tuneassist.files.setup_draft import ChannelLine, Draft, draft_text
from tuneassist.files.setup_file import SetupFiles, setup_of
from tuneassist.grid import Axes, Floats, Grid
from tuneassist.inert import one_line
from tuneassist.reading import LogReader
from tuneassist.reading.headers import Heading, channel_of
from tuneassist.settings import Ignition, Setup
from tuneassist.units import FUELS, UNITS, convert, plain_unit
from tuneassist.workflow.first_table import (
    MOST_LOAD,
    MOST_RPM,
    RUNNING_RPM,
    axis_of,
    cautious_target,
    lowest_load,
    units_on_axis,
)
from tuneassist.workflow.log_survey import LogSurvey, survey_log
from tuneassist.workflow.output_paths import require_new_file

PETROL_SCALES = (14.3, 14.9)
"""A fuel whose stoichiometric AFR lies between these reads nearly the same on the petrol scale of
gauges; of any other an AFR gauge may show either. [1]"""
_LINES = (
    "time", "rpm", "load", "lambda", "fuel_trim_short", "fuel_trim_long",
    "coolant_temp", "coolant_volts",
)  # fmt: skip
"""Channels that a new setup names; the others are found by their headers."""
_NAME_LENGTH = 40  # letters of a load axis' name
_NEEDED = ("time", "rpm", "lambda")
_FROM_LOG = "Breakpoints where the log was, rounded. Put your controller's own in their place."
_FROM_GRID = "Breakpoints of the grid that was given."


@dataclass(frozen=True, eq=False)
class SetupStart:
    """A setup in the making.

    Parameters
    ----------
    paths, surveys
        The logs that can be read, and what they show; the first one's headers are used.
    set_aside
        Logs that cannot be read, and why.
    grid
        A grid with the controller's axes; None takes the axes from where the logs were.
    answers
        Dotted key of the setup to what was answered.
    """

    paths: tuple[Path, ...]
    surveys: tuple[LogSurvey, ...]
    set_aside: Mapping[str, str]
    grid: Grid | None = None
    answers: Mapping[str, str] = field(default_factory=dict)

    def with_answer(self, key: str, answer: str) -> SetupStart:
        """Return it with one more question answered."""
        return replace(self, answers={**self.answers, key: answer})

    def questions(self) -> tuple[Question, ...]:
        """Return what is still open and can be answered by a word."""
        draft = self.draft()
        return tuple(self.question(key) for key in _open_keys(draft))

    def draft(self) -> Draft:
        """Return the setup as far as logs, grid and answers tell."""
        first, fuel = self.surveys[0], self.answers.get("engine.fuel")
        ignition, load = self._ignition(fuel), self._load()
        unit = self._load_unit(load)
        axes, load_unit = self._axes(load, unit)
        afr = self._afr_stoich(fuel)
        draft = Draft(
            logs=tuple(survey.name for survey in self.surveys),
            label="simulated car" if any(s.is_simulated for s in self.surveys) else "",
            fuel=fuel,
            ignition=ignition,
            afr_stoich=afr,
            channels=tuple(self._channels(load, unit)),
            rpm=axes[0],
            load=axes[1],
            load_name=_load_name(load, first),
            load_unit=load_unit,
            axes_from=_FROM_LOG if self.grid is None else _FROM_GRID,
            target=None,
            notes=self._notes(),
        )
        return replace(draft, target=_target_of(draft))

    def _notes(self) -> tuple[str, ...]:
        """Return what the reader said about columns that are in doubt."""
        first = self.surveys[0]
        doubted = [repr(h.text) for headings in first.in_doubt().values() for h in headings]
        return tuple(note for note in first.notes if any(text in note for text in doubted))

    def _ignition(self, fuel: str | None) -> Ignition | None:
        answer = self.answers.get("engine.ignition")
        if answer == "compression" or fuel in COMPRESSION_FUELS:
            return "compression"
        return "spark" if answer == "spark" or fuel in SPARK_FUELS else None

    def _afr_stoich(self, fuel: str | None) -> str:
        """Return the AFR at lambda 1 where the gauge's scale and the fuel's differ; asked."""
        report = self.surveys[0].found.get("lambda")
        is_afr = report is not None and report.unit == "afr"
        is_afr |= self.answers.get("channels.lambda.unit") == "afr"
        low, high = PETROL_SCALES
        if not is_afr or fuel is None or low < FUELS[fuel].afr_stoich < high:
            return ""
        return self.answers.get("engine.afr_stoich", OPEN)

    def _load(self) -> Heading | None:
        """Return the column of the load axis; None where several could be, or none."""
        first = self.surveys[0]
        answer = self.answers.get("channels.load.column")
        if answer is not None:
            return first.heading_of(answer)
        columns = first.load_columns()
        return columns[0] if len(columns) == 1 else None

    def _load_unit(self, load: Heading | None) -> str | None:
        """Return the unit in which the load is logged; None where that is not known."""
        if load is None:
            return None
        unit = self.answers.get("channels.load.unit")
        return unit or self.surveys[0].unit_of(load, channel_of(load) or "load")

    def _axes(
        self, load: Heading | None, unit: str | None
    ) -> tuple[tuple[Floats | None, Floats | None], str | None]:
        """Return the breakpoints of rpm and load, and the unit of the load's."""
        answer = self.answers.get("axes.load_unit")
        if self.grid is not None:
            fitting = self._units_on_grid(load, unit)
            own = answer or (fitting[0] if len(fitting) == 1 else None)
            return (self.grid.axes.rpm, self.grid.axes.load), own
        own = answer or (_with_reference(load, unit) if load and unit else None)
        return (self._rpm_points(), self._load_points(load, unit, own)), own

    def _units_on_grid(self, load: Heading | None, unit: str | None) -> tuple[str, ...]:
        if load is None or unit is None or self.grid is None:
            return ()
        values = self.surveys[0].values.get(load.index, np.empty(0))
        return units_on_axis(values, unit.split()[0], _is_gauge(load, unit), self.grid.axes.load)

    def _rpm_points(self) -> Floats | None:
        readings = []
        for survey in self.surveys:
            report = survey.found.get("rpm")
            heading = survey.heading_of(report.header) if report else None
            if report and heading and report.unit in UNITS:
                values = convert(survey.values.get(heading.index, []), report.unit, "rpm")
                readings.append(values[values > RUNNING_RPM])
        values = np.concatenate(readings) if readings else np.empty(0)
        return axis_of(values, most=MOST_RPM, lowest=RUNNING_RPM)

    def _load_points(
        self, load: Heading | None, unit: str | None, own: str | None
    ) -> Floats | None:
        if load is None or unit is None or own is None or own != _with_reference(load, unit):
            return None
        same = [(s, s.heading_of(load.text)) for s in self.surveys]
        readings = [s.values[h.index] for s, h in same if h is not None and h.index in s.values]
        values = np.concatenate(readings) if readings else np.empty(0)
        return axis_of(values, most=MOST_LOAD, lowest=lowest_load(own))

    def _channels(self, load: Heading | None, unit: str | None) -> Iterator[ChannelLine]:
        """Yield a line for every channel: found, in doubt, or missing and needed."""
        first = self.surveys[0]
        doubts = first.in_doubt()
        for channel in CHANNELS:
            if channel == "load":
                yield self._load_line(load, unit)
            elif channel in first.found:
                yield self._found_line(channel)
            elif channel in doubts and (load is None or load not in doubts[channel]):
                yield self._doubt_line(channel, doubts[channel])
            elif channel in _NEEDED:
                headers = [h.text for h in first.headings]
                yield self._asked_line(channel, headers)

    def _found_line(self, channel: str) -> ChannelLine:
        report = self.surveys[0].found[channel]
        unit = (
            report.unit
            if report.unit in UNITS and UNITS[report.unit].quantity != "number"
            else None
        )
        why = {
            "values": "no unit in the log; its values fit this one alone",
            "inside": "",
        }.get(report.unit_how, "")
        heading = self.surveys[0].heading_of(report.header)
        if unit and heading and channel in ("manifold_pressure", "boost"):
            unit = _with_reference(heading, unit)
        is_shared = all(s.heading_of(report.header) for s in self.surveys)
        if not is_shared:
            why = "not in every log by this header"
        is_named = channel in _LINES and is_shared
        return ChannelLine(channel, report.header, unit, why, is_marked=not is_named)

    def _load_line(self, load: Heading | None, unit: str | None) -> ChannelLine:
        if load is None:
            columns = self.surveys[0].load_columns() or self.surveys[0].headings
            return self._asked_line("load", [h.text for h in columns])
        is_shared = all(s.heading_of(load.text) for s in self.surveys)
        said = _with_reference(load, unit) if unit else OPEN
        why = "" if unit else f"{asked('axes.load_unit').replace('load breakpoints', 'readings')}?"
        return ChannelLine("load", load.text, said, why, is_marked=not is_shared and bool(unit))

    def _doubt_line(self, channel: str, headings: Sequence[Heading]) -> ChannelLine:
        """Return the line of a channel whose column or unit is in doubt."""
        first, is_decisive = self.surveys[0], CHANNELS[channel].is_decisive
        answer = self.answers.get(f"channels.{channel}.column")
        chosen = first.heading_of(answer) if answer else None
        if chosen is None and len(headings) > 1:
            line = self._asked_line(channel, [h.text for h in headings])
            return replace(line, is_marked=not is_decisive)
        heading = chosen or headings[0]
        unit = self.answers.get(f"channels.{channel}.unit") or first.unit_of(heading, channel)
        units = first.units_that_fit(heading, channel)
        why = "" if unit else f"which unit: {' or '.join(units)}?"
        return ChannelLine(channel, heading.text, unit or OPEN, why, is_marked=not is_decisive)

    def _asked_line(self, channel: str, headers: Sequence[str]) -> ChannelLine:
        answer = self.answers.get(f"channels.{channel}.column")
        if answer is not None:
            return ChannelLine(channel, answer, self.answers.get(f"channels.{channel}.unit"))
        listed = " or ".join(repr(one_line(text, _NAME_LENGTH)) for text in headers)
        return ChannelLine(channel, None, None, f"which column: {listed}?")

    def question(self, key: str) -> Question:
        """Return the question at a key, with the answers that fit."""
        return Question(key, asked(key), self._choices(key))

    def _choices(self, key: str) -> tuple[str, ...]:
        fuel = self.answers.get("engine.fuel", "petrol")
        fixed = {
            "engine.fuel": tuple(FUELS),
            "engine.ignition": ("spark", "compression"),
            "engine.afr_stoich": ("14.7", f"{FUELS[fuel].afr_stoich:g}"),
        }
        if key in fixed:
            return fixed[key]
        if key == "axes.load_unit":
            load = self._load()
            return self._units_on_grid(load, self._load_unit(load))
        section, _, rest = key.partition(".")
        channel, _, last = rest.partition(".")
        if section != "channels":
            return ()
        return self._columns(channel) if last == "column" else self._units(channel)

    def _columns(self, channel: str) -> tuple[str, ...]:
        first = self.surveys[0]
        fitting = first.load_columns() if channel == "load" else first.in_doubt().get(channel)
        return tuple(heading.text for heading in fitting or first.headings)

    def _units(self, channel: str) -> tuple[str, ...]:
        """Return the units that a channel's column may be in."""
        first = self.surveys[0]
        answer = self.answers.get(f"channels.{channel}.column")
        heading = first.heading_of(answer) if answer else None
        if channel == "load":
            heading = self._load()
            channel = (channel_of(heading) if heading else None) or "load"
        elif heading is None:
            heading = next(iter(first.in_doubt().get(channel, ())), None)
        if channel == "load" or heading is None:
            return tuple(word for word, unit in UNITS.items() if unit.quantity != "number")
        return first.units_that_fit(heading, channel)

    def accepted(self, key: str, answer: str) -> str:
        """Return an answer as it stands in the setup; a choice may be given by its number.

        Raises
        ------
        InputError
            When it does not answer the question.
        """
        choices, said = self._choices(key), answer.strip()
        if key == "axes.load_unit":
            said = plain_unit(said)
        is_header = key.endswith(".column") and self.surveys[0].heading_of(said) is not None
        if not choices or said in choices or is_header:
            return said
        if said.isascii() and said.isdecimal() and 1 <= int(said) <= len(choices):
            return choices[int(said) - 1]
        raise InputError(
            f"{one_line(said, _NAME_LENGTH)!r} does not answer: {asked(key)}.",
            mend=f"One of {', '.join(one_line(c, _NAME_LENGTH) for c in choices)}.",
        )


@dataclass(frozen=True)
class WrittenSetup:
    """A new setup file.

    Parameters
    ----------
    path
        The file.
    questions
        What is still open in it.
    complaints
        Why logs cannot be used with it yet, though nothing is open.
    """

    path: Path
    questions: tuple[Question, ...]
    complaints: tuple[str, ...]


def start_setup(paths: Sequence[Path], *, grid: Path | None = None) -> SetupStart:
    """Read logs and a grid for a new setup.

    Parameters
    ----------
    paths
        The logs; one that cannot be read is set aside.
    grid
        A grid file with the controller's axes.

    Raises
    ------
    InputError
        When the grid, or every log, cannot be used.
    """
    axes = read_grid(grid) if grid is not None else None
    surveys: list[tuple[Path, LogSurvey]] = []
    errors: dict[str, TuneassistError] = {}
    for path in paths:
        try:
            surveys.append((path, survey_log(path)))
        except LogError as error:
            errors[path.name] = error
    if not surveys:
        raise next(iter(errors.values()))
    return SetupStart(
        tuple(path for path, _ in surveys),
        tuple(survey for _, survey in surveys),
        {name: str(error) for name, error in errors.items()},
        axes,
    )


def write_setup(start: SetupStart, out: Path, *, overwrite: bool = False) -> WrittenSetup:
    """Write the setup, whole or not at all.

    Parameters
    ----------
    start
        With the answers so far.
    out
        The file.
    overwrite
        Replace a file of this name.

    Raises
    ------
    OutputError
        When it cannot be written, or the name is taken.
    """
    require_new_file(out, overwrite=overwrite)
    draft, setup = _settled(start.draft(), out)
    complaints = tuple(_complaints(start.paths, setup)) if setup else ()
    write_atomically(out, draft_text(draft).encode("utf-8"))
    return WrittenSetup(out, tuple(map(start.question, _open_keys(draft))), complaints)


def _settled(draft: Draft, out: Path) -> tuple[Draft, Setup | None]:
    """Return a draft that reads as a setup, or leaves nothing but questions.

    Breakpoints that cannot be a car's, such as those of a log of idle alone, become a question.
    """
    for _ in range(2):  # both axes may have to be asked for
        try:
            return draft, setup_of(SetupFiles(out, draft_text(draft).encode("utf-8")))
        except OpenQuestionsError:
            return draft, None
        except SetupError as error:
            said = error.without(str(out))
            draft = replace(draft, axes_from=f"{draft.axes_from} {said}", target=None)
            draft = replace(draft, rpm=None) if "axes.rpm" in said else replace(draft, load=None)
    return draft, None


def _complaints(paths: Sequence[Path], setup: Setup) -> Iterator[str]:
    for path in paths:
        try:
            for _ in LogReader(path, setup=setup).parts():
                pass
        except TuneassistError as error:
            yield str(error)


def _open_keys(draft: Draft) -> Iterator[str]:
    """Yield the keys that the file leaves open, in its order."""
    engine = {"ignition": draft.ignition is None, "fuel": draft.fuel is None}
    engine["afr_stoich"] = draft.afr_stoich == OPEN
    # the fuel goes first: it may tell the ignition
    yield from (f"engine.{k}" for k in ("fuel", "ignition", "afr_stoich") if engine[k])
    for line in draft.channels:
        yield from line.open_keys()
    axes = {"rpm": draft.rpm, "load": draft.load, "load_unit": draft.load_unit}
    yield from (f"axes.{name}" for name, value in axes.items() if value is None)
    if draft.target is None:
        yield "target.table"


def _target_of(draft: Draft) -> Floats | None:
    if draft.rpm is None or draft.load is None or not draft.load_unit or not draft.ignition:
        return None
    axes = Axes(draft.rpm, draft.load, load_name=draft.load_name, load_unit=draft.load_unit)
    return cautious_target(axes, draft.ignition)


def _is_gauge(load: Heading, unit: str) -> bool:
    if unit.endswith((" gauge", " absolute")):
        return unit.endswith(" gauge")
    if UNITS[unit].quantity != "pressure":
        return False
    return load.reference == "gauge" or (channel_of(load) == "boost" and load.reference is None)


def _with_reference(load: Heading, unit: str) -> str:
    return f"{unit} gauge" if _is_gauge(load, unit) and " " not in unit else unit


def _load_name(load: Heading | None, first: LogSurvey) -> str:
    if load is None:
        return "load"
    channel = channel_of(load)
    if channel in ("manifold_pressure", "boost"):
        return channel.replace("_", " ")
    bare = re.sub(r"[\[(][^\[\]()]*[\])]", " ", load.text)
    return " ".join(one_line(bare, _NAME_LENGTH).lower().split()) or "load"
