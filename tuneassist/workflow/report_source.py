"""Read a tune's folder, or a proposal's with its logs, for a report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.correction.boost_forecast import BASIS
from tuneassist.errors import InputError, LogError
from tuneassist.evidence.coverage import coverage_table
from tuneassist.evidence.moving_blocks import no_blocks
from tuneassist.evidence.residuals import hold_residuals
from tuneassist.files.result_reader import ResultFolder, is_result, read_result
from tuneassist.files.round_verification import verify_round
from tuneassist.files.serialise import sha256_of
from tuneassist.files.tune_folder import TuneFolder, open_tune
from tuneassist.files.tune_layout import HISTORY
from tuneassist.grid import Floats, compose_pct, step_between_pct
from tuneassist.loop.history import ANSWERS, START, ProposalOutcome, RoundEntry, TuneState
from tuneassist.loop.pooling import pool_rounds
from tuneassist.loop.verdict import decide
from tuneassist.own_units import as_chosen
from tuneassist.parallel import LogFile, reduce_files
from tuneassist.pipeline import Evidence, LogEvidence, gather
from tuneassist.settings import Setup
from tuneassist.show.boost import written_fuel
from tuneassist.show.report_data import ControllerGrid, ReportData, ReportRound
from tuneassist.show.rounds import grid_name, next_steps
from tuneassist.show.rounds_history import broken_rules
from tuneassist.unit_sentences import restated_for
from tuneassist.units import UNITS
from tuneassist.workflow.logs import distinct_names
from tuneassist.workflow.tune_steps import last_advice, stored_summary
from tuneassist.workflow.verdicts import basis_of_result, basis_of_tune

ALONE = "the proposal"
"""Name of a proposal outside a tune."""

BOOST_COLUMNS = ("manifold_pressure_kpa", "barometer_kpa")
"""Columns of the evidence's cells that tell where the engine is in boost."""


def read_source(folder: Path, logs: Sequence[Path], *, version: str, made_at: str) -> ReportData:
    """Read a folder that ``propose`` or ``rounds`` wrote.

    Parameters
    ----------
    folder
        A tune's or a proposal's folder.
    logs
        The proposal's logs, for its holds; none for a tune, which keeps its own evidence.
    version, made_at
        Version of this program, and the time.

    Raises
    ------
    InputError
        When the folder is neither, or a log does not belong to it.
    """
    data = ReportData(setup=None, version=version, made_at=made_at, is_simulated=False)
    if (folder / HISTORY).is_file():
        if logs:
            raise LogError(
                "a tune keeps its own evidence and takes no logs.",
                where=str(logs[0]),
                mend="Leave out the logs, or name full-load runs after --before and --after.",
            )
        with open_tune(folder, is_reading=True) as tune:
            return _of_tune(tune, data)
    if not folder.is_dir():
        raise InputError("there is no such folder.", where=str(folder))
    if not is_result(folder):
        raise InputError(
            "this folder holds neither a tune nor a proposal.",
            where=str(folder),
            mend="Name one that `tuneassist rounds start` or `tuneassist propose` wrote.",
        )
    return _of_proposal(read_result(folder), logs, data)


def _of_tune(tune: TuneFolder, data: ReportData) -> ReportData:
    state = tune.state
    if not state.rounds:
        raise InputError(
            "no round has been added to this tune yet: there is nothing to report.",
            where=str(tune.path),
            mend=f"Log, then: tuneassist rounds add {tune.path} LOG...",
        )
    for mark in state.rounds:
        verify_round(tune, mark)
    results = [read_result(tune.path / mark.name, known=dict(mark.files)) for mark in state.rounds]
    pooled = _pooled(tune)
    rounds = _rounds(tune, results, pooled)
    label = tune.setup.engine.label
    return replace(
        data,
        setup=tune.setup,
        is_simulated="simulated" in label.casefold() or any(r.is_simulated for r in results),
        rounds=rounds,
        controller_grid=ControllerGrid(grid_name(state.current), tune.grid(state.current)),
        residuals=None if pooled is None else _residuals(pooled, tune.setup),
        answers=tuple(
            f"round {a.number} ({a.verdict}): {ANSWERS[a.answer]}" for a in state.answers
        ),
        broken_rules=broken_rules(state),
        next_steps=next_steps(
            state,
            tune.path,
            rounds[-1].advice,
            has_step=bool(results[-1].cells["step_pct"].fillna(0).ne(0).any()),
        ),
        basis=basis_of_tune(tune, results[-1]),
        to_load=_to_load(tune),
        traces=_traces(
            [log for mark in state.rounds if mark.is_evidence for log in tune.evidence(mark).logs]
        ),
    )


def _rounds(
    tune: TuneFolder, results: Sequence[ResultFolder], pooled: Evidence | None
) -> tuple[ReportRound, ...]:
    """Return the rounds, the last with the advice in force and the readings of all evidence."""
    marks = tune.state.rounds
    *earlier, last = (_round_of(tune, m, result) for m, result in zip(marks, results, strict=True))
    if last.advice is not None:
        last = replace(last, advice=last_advice(tune.state, last.advice))
    return (*earlier, last if pooled is None else _with_readings(last, pooled))


def _round_of(tune: TuneFolder, mark: RoundEntry, result: ResultFolder) -> ReportRound:
    stored = tune.evidence(mark)
    look, advice = stored_summary(tune, mark)
    held = "the grid at the start" if mark.in_force == START else f"the grid of {mark.in_force}"
    is_replaced = mark is tune.state.rounds[-1] and tune.state.current != mark.name
    one = _as_round(result, f"round {mark.number}", f"with {held} in force")
    earlier = [m for m in tune.state.rounds if m.number <= mark.number and m.is_evidence]
    seen = sum((tune.evidence(m).visits.flat() for m in earlier), np.zeros(tune.setup.axes.size))
    return replace(
        one,
        fate=_fate(tune.state.outcome(mark), is_replaced=is_replaced),
        outcome=_outcome(mark, tune.state),
        summary=look,
        advice=advice,
        response=stored.response,
        coverage=_coverage(tune.setup, one.cells, [seen.astype(np.int64)]),
        logs=mark.logs,
    )


def _to_load(tune: TuneFolder) -> ControllerGrid | None:
    name = tune.state.to_load
    return ControllerGrid(grid_name(name), tune.grid(name)) if name else None


def _traces(logs: Sequence[LogEvidence]) -> pd.DataFrame | None:
    """Return the samples over time, as far as they were kept."""
    kept = [_trace_of(log).assign(log=log.name) for log in logs]
    return pd.concat(kept, ignore_index=True) if kept else None


def _trace_of(log: LogEvidence) -> pd.DataFrame:
    """Return a log's thinned samples; where older programs kept none, the blocks between holds."""
    if log.trace is not None:
        return log.trace.rename(columns={"need_pct": "deviation_pct"})
    blocks = no_blocks() if log.blocks is None else log.blocks
    return pd.DataFrame(
        {
            "time_s": 0.5 * (blocks["start_s"] + blocks["end_s"]),
            "rpm": blocks["rpm"],
            "load": blocks["load"],
            "deviation_pct": 100.0 * np.expm1(blocks["need_ln"].to_numpy(dtype=float)),
            "fate": "moving",
        }
    )


def _fate(outcome: ProposalOutcome, *, is_replaced: bool) -> ProposalOutcome:
    """Return "edited" also where an accepted grid was replaced since: its step is not in force."""
    return "edited" if outcome == "accepted" and is_replaced else outcome


def _outcome(mark: RoundEntry, state: TuneState) -> str:
    word = state.outcome(mark)
    if word == "halted":
        return f"halted: {mark.verdict}"
    if word == "proposed":
        return "proposed, neither accepted nor rejected"
    told = "loaded after edits by hand" if word == "edited" else word
    return told if mark.is_evidence else f"{told}; the engine has changed since"


def _pooled(tune: TuneFolder) -> Evidence | None:
    """Fit the rounds that count again, as for the last round."""
    if not tune.state.evidence:
        return None
    rounds = tune.rounds(tune.state.evidence)
    last = rounds[-1]
    return pool_rounds(rounds, setup=tune.setup, current=last.in_force, fuel=last.fuel)


def _residuals(evidence: Evidence, setup: Setup) -> pd.DataFrame:
    return hold_residuals(evidence.holds, evidence.fit, setup.axes, kind=setup.target.kind)


def _with_readings(one: ReportRound, evidence: Evidence) -> ReportRound:
    """Add the highest readings near each cell, for the ceilings on the maps."""
    names = [name for name in map(str, evidence.cells) if name not in one.cells]
    readings = {
        name: evidence.cells[name].to_numpy()
        for name in names
        if name.endswith("_max") or name in BOOST_COLUMNS
    }
    cells, expected = one.cells.assign(**readings), one.expected.assign(**readings)
    return replace(one, cells=cells, expected=expected)


def _of_proposal(result: ResultFolder, logs: Sequence[Path], data: ReportData) -> ReportData:
    setup = as_chosen(result.setup)
    held = "the grid given" if np.nan_to_num(result.current.flat()).any() else "all zeros"
    one = _as_round(result, ALONE, f"with {held} in force")
    inputs = [(i["name"], i["sha256"]) for i in result.record.get("inputs", ())
              if i["role"] == "log"]  # fmt: skip
    one = replace(one, logs=tuple(inputs))
    residuals, traces = None, None
    if logs:
        reduced = _own_logs(logs, {sha: name for name, sha in inputs}, setup)
        evidence = gather(reduced, setup=setup, current=result.current)
        residuals = hold_residuals(evidence.holds, evidence.fit, setup.axes, kind=setup.target.kind)
        visits = [log.visits for log in reduced if log.visits is not None]
        traces = _traces(reduced)
        one = replace(one, coverage=_coverage(setup, one.cells, visits))
    steps = _load_steps(result, has_step=bool((one.cells["step_pct"] != 0).any()))
    basis, label = basis_of_result(result), setup.engine.label
    if (verdict := decide(basis)).word == "STOP":
        steps = (verdict.action, *steps)
    return replace(
        data,
        setup=setup,
        is_simulated=result.is_simulated or "simulated" in label.casefold(),
        rounds=(one,),
        residuals=residuals,
        traces=traces,
        next_steps=steps,
        basis=basis,
    )


def _load_steps(result: ResultFolder, *, has_step: bool) -> tuple[str, ...]:
    """Return what to do with a proposal outside a tune."""
    steps = (
        "Check step.csv against what you know of this engine; cells.csv gives each cell's reason.",
        f"Load {result.path / 'grid.csv'} into the controller: it is the whole grid, not an "
        "addition to the grid in force. Then log again.",
    )
    if result.fuel is not None:
        return (*steps[: 1 + has_step], written_fuel(result.path, has_step=has_step))
    if has_step:
        return steps
    return (
        "No cell changes. If a doubt limits the steps, resolve it first. Otherwise log more "
        "holds in cells without evidence, or finish.",
    )


def _own_logs(paths: Sequence[Path], known: dict[str, str], setup: Setup) -> list[LogEvidence]:
    """Reduce all the logs that a proposal was made from, and no others."""
    files = []
    for path, shown in zip(paths, distinct_names(paths), strict=True):
        sha256 = sha256_of(path)
        if sha256 not in known:
            raise LogError(
                "this is none of the logs that the proposal was made from.",
                where=str(path),
                mend=f"They are {', '.join(known.values())}; the bytes must be the same.",
            )
        files.append(LogFile(path, known.pop(sha256) or shown))
    if known:
        raise LogError(
            f"the proposal was also made from {', '.join(known.values())}.",
            where=str(paths[0]),
            mend="Name all of its logs or none.",
        )
    return [one.evidence for one in reduce_files(files, setup)]


def _as_round(result: ResultFolder, name: str, in_force: str) -> ReportRound:
    record, setup = result.record, as_chosen(result.setup)
    unit = result.setup.axes.load_unit
    boost_unit, counts_from = _boost(result)
    return ReportRound(
        name=name,
        in_force=in_force,
        cells=result.cells.assign(reason=_restated(result.cells["reason"], setup)),
        expected=expected_cells(result.cells, result.setup, fuel_step=_fuel_step(result)),
        fuel=result.fuel,
        boost_unit=boost_unit,
        counts_from=counts_from,
        binding=result.binding.assign(words=_restated(result.binding["words"], setup)),
        less_fuel=tuple(
            f"{one['rpm']:g} rpm, {one['load']:g} {unit}: {one['needs_less_fuel_pct']:.1f} % less "
            "fuel"
            for one in record.get("needs_less_fuel", ())
        ),
        notes=tuple(restated_for(str(note), setup) for note in record.get("notes", ())),
        made_at=str(record.get("made_at", "")),
        grid=result.grid,
    )


def _fuel_step(result: ResultFolder) -> Floats | None:
    """Return what is taken from the fuel beside a boost step; None where nothing is. [%]"""
    if result.fuel is None or result.fuel_before is None:
        return None
    return step_between_pct(result.fuel_before.flat(), result.fuel.flat())


def _boost(result: ResultFolder) -> tuple[str, str]:
    """Return the unit of a boost grid's boost, and what it counts from; empty for a fuel grid."""
    told = result.record.get("boost")
    if BASIS not in result.cells or not isinstance(told, Mapping):
        return "", ""
    unit = str(told.get("unit", "")).partition(" ")[0]
    is_pressure = unit in UNITS and UNITS[unit].quantity == "pressure"
    counts_from = str(told.get("counts_from", ""))
    return unit if is_pressure else "kPa", counts_from


def _restated(words: pd.Series, setup: Setup) -> pd.Series:
    return words.map(lambda one: restated_for(str(one), setup))


def expected_cells(
    cells: pd.DataFrame, setup: Setup, *, fuel_step: Floats | None = None
) -> pd.DataFrame:
    """Return the cells with the deviations expected after their step.

    Parameters
    ----------
    cells
        With ``deviation_pct, ci_low_pct, ci_high_pct, step_pct``. [%]
    setup
        Says what the grid acts on: lambda/(1+s) for fuel, lambda x (1+s) for air.
    fuel_step
        What is taken from the fuel beside a boost step, shape (cells,); None is nothing. [%]
    """
    step = cells["step_pct"].to_numpy(dtype=float)
    moved = {}
    for name in ("deviation_pct", "ci_low_pct", "ci_high_pct"):
        value = cells[name].to_numpy(dtype=float)
        is_fuel = setup.correction.acts_on == "fuel"
        after = step_between_pct(step, value) if is_fuel else compose_pct(value, step)
        moved[name] = after if fuel_step is None else step_between_pct(fuel_step, after)
    return cells.assign(**moved)


def _coverage(
    setup: Setup, cells: pd.DataFrame, visits: Sequence[npt.NDArray[np.int64]]
) -> pd.DataFrame:
    return coverage_table(
        setup.axes,
        target=setup.target.table,
        visits=visits,
        cells=cells,
        margin_cells=setup.steady.outside_margin_cells,
    )
