"""The page's sections on full-load runs and the set of tunes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tuneassist.loop.tune_set import run_torque
from tuneassist.runs import Equivalence, RunsComparison
from tuneassist.runs.limit_checks import breach_parts
from tuneassist.runs.torque import power_kw
from tuneassist.show.display import counted, plain
from tuneassist.show.figures.drawing import LINE_SIZE, figure_of, frame_or_new
from tuneassist.show.figures.full_load import ALONG_WORDS, channel_of
from tuneassist.show.report_blocks import (
    Block,
    Bullets,
    DataTable,
    Paragraphs,
    Picture,
    Pictures,
    Section,
)
from tuneassist.show.report_data import FullLoadPart, ReportData, TunesPart
from tuneassist.show.report_feel import feel_blocks
from tuneassist.show.run_units import OutputUnits, said_in_units
from tuneassist.show.runs import (
    ZERO_WORDS,
    air_words,
    assumed_words,
    dip_words,
    drivability_rows,
    driven_words,
    gain_rows,
    limits_counted,
    refusal_words,
    zero_words,
)

ALONG_SHOWN = ("lambda", "boost_kpa", "exhaust_temp_c")
VERDICTS = {"ok": "ok", "remark": "note", "breach": "NOT OK"}


def full_load_section(data: ReportData) -> Section:
    """Return curves before and after, gain, peaks, and limits along the pull."""
    part = data.full_load
    if part is None:
        return Section("Full-load runs")
    found, units = said_in_units(part.found, part.units), part.units
    air = air_words(found)
    blocks: list[Block] = [
        Paragraphs((f"Torque and power {air}.".replace("power as", "power: as"),)),
        *feel_blocks(found, units),
    ]
    if part.zero is not None:
        blocks += _zero(part.zero)
    blocks += [Paragraphs((words[0].upper() + words[1:],)) for words in assumed_words(part.assumed)]
    if len(found.breaches):
        over, checked = limits_counted(found)
        words = f"Limits exceeded along the pull: {over} of {checked}."
        blocks.append(Paragraphs((words,), is_warning=True))
        blocks.append(Bullets(breach_words(found.limit_checks, units)))
    elif found.limit_checks.empty:
        blocks.append(Paragraphs(("No channel with a limit was logged: nothing was checked.",)))
    else:
        blocks.append(Paragraphs(("No limit was exceeded along the logged pulls.",)))
    if len(found.driven):
        blocks.append(Paragraphs(("Gain over the driven speeds:",)))
    blocks.append(Bullets(tuple(driven_words(r, units) for r in found.driven.to_dict("records"))))
    blocks.append(Pictures(_pictures(part, data)))
    blocks += [_gain(found, units), _pulls(found), *_drivability(found, units)]
    blocks.append(_peaks(found, units))
    sentences = (*found.notes, *refusal_words(found.refusals))
    blocks.append(Bullets(tuple(plain(words) for words in sentences)))
    return Section("Full-load runs", tuple(b for b in blocks if b != Bullets(())))


def _zero(zero: Equivalence) -> list[Block]:
    """Show the zero check: standard car before, all corrections at zero after."""
    sentences = [*zero_words(zero), *refusal_words(zero.refusals)]
    words = f"With all corrections at zero, is it the standard car? {ZERO_WORDS[zero.verdict]}."
    verdict_text = zero.statement.removeprefix(f"{zero.verdict}: ")
    statement = f"{verdict_text[:1].upper()}{verdict_text[1:]}"  # the case of unit names is kept
    return [
        Paragraphs((f"{words} {plain(statement)}",), is_warning=zero.verdict == "different"),
        Bullets(tuple(plain(line) for line in sentences)),
    ]


def breach_words(checks: pd.DataFrame, units: OutputUnits) -> tuple[str, ...]:
    """Describe each exceeded limit: in how many pulls, and the worst reading."""
    if checks.empty:
        return ()
    sentences = []
    for (side, _), rows in checks.groupby(["side", "limit_name"], sort=False):
        over = rows[rows["is_breach"].astype(bool)]
        if over.empty:
            continue
        beyond = (over["worst"] - over["limit"]).abs().to_numpy(dtype=float)
        worst = over.iloc[int(beyond.argmax())]
        seen, way, limit = breach_parts(worst.to_dict(), units.reading)
        sentences.append(
            f"{side}: {seen} at {worst['rpm_at_worst']:.0f} rpm, {way} the {limit}, in {len(over)} "
            f"of {counted(len(rows), 'pull')}; exceeded from {over['rpm_from'].min():.0f} to "
            f"{over['rpm_to'].max():.0f} rpm"
        )
    return tuple(sentences)


def _pictures(part: FullLoadPart, data: ReportData) -> tuple[Picture, ...]:
    from tuneassist.show.plots import plot_along, plot_gain

    found, units, simulated = part.found, part.units, data.is_simulated
    shown = [*curve_pictures(part, is_simulated=simulated, has_pulls=True)]
    frame = plot_gain(found.gain, unit=units.torque, is_simulated=simulated)
    by_gain = found.gain.sort_values("gain_nm")
    least, most = by_gain.iloc[0], by_gain.iloc[-1]
    alt = (
        f"Gain in torque from {units.shown(least['gain_nm'], 'N.m'):+z.0f} {units.torque} at "
        f"{least['rpm']:.0f} rpm to {units.shown(most['gain_nm'], 'N.m'):+z.0f} at "
        f"{most['rpm']:.0f} rpm."
    )
    shown.append(Picture("gain", figure_of(frame), "Gain at every speed", alt))
    for column in ALONG_SHOWN:
        if column in found.mean and found.mean[column].notna().any():
            frame = plot_along(
                found.mean, column, limit_checks=found.limit_checks, units=units,
                is_simulated=simulated,
            )  # fmt: skip
            title = f"{ALONG_WORDS[column][0]} along the pull"
            name = f"along-{column.replace('_', '-')}"
            shown.append(Picture(name, figure_of(frame), title, _along_words(found, column, units)))
    return tuple(shown)


def curve_pictures(
    part: FullLoadPart,
    *,
    is_simulated: bool,
    has_pulls: bool = False,
    size: tuple[float, float] = LINE_SIZE,
) -> tuple[Picture, ...]:
    """Return torque and power before and after with their intervals, a picture each.

    Parameters
    ----------
    part
        The full-load runs.
    is_simulated
        Whether the data are simulated; the titles then say so.
    has_pulls
        Draw the single pulls behind their mean.
    size
        Width and height of each. [inch]
    """
    from tuneassist.show.plots import plot_full_load

    shown, curves = [], part.found.curves if has_pulls else None
    for quantity, inside in (("torque", "N.m"), ("power", "kW")):
        unit, frame = part.units.word(inside), frame_or_new(None, size)
        plot_full_load(
            part.found.mean, quantity, curves=curves, unit=unit, is_simulated=is_simulated, ax=frame
        )
        alt = _peak_words(part.found, part.units, quantity)
        title = f"Full-load {quantity} before and after"
        shown.append(Picture(f"full-load-{quantity}", figure_of(frame), title, alt))
    return tuple(shown)


def _peak_words(found: RunsComparison, units: OutputUnits, quantity: str) -> str:
    rows = found.peaks[found.peaks["quantity"] == quantity].to_dict("records")
    parts = [
        f"{row['side']}: peak {units.shown(row['peak'], row['unit']):.0f} "
        f"{units.word(str(row['unit']))} at {row['rpm']:.0f} rpm"
        for row in rows
    ]
    return f"{'; '.join(parts)}. The page has the numbers."


def _along_words(found: RunsComparison, column: str, units: OutputUnits) -> str:
    channel, inside = channel_of(column), ALONG_WORDS[column][1]
    unit, sides = units.unit_of(channel, inside), []
    for side, part in found.mean.groupby("side", sort=False):
        low, high = units.converted([part[column].min(), part[column].max()], channel, inside)
        sides.append(f"{side} {low:z.4g} to {high:z.4g}")
    return f"In {unit}: {', '.join(sides)}."


def _peaks(found: RunsComparison, units: OutputUnits) -> DataTable:
    rows = []
    for row in found.peaks.to_dict("records"):
        peak, low, high = (units.shown(row[n], row["unit"]) for n in ("peak", "low", "high"))
        edge = ", still rising at the edge" if row["is_at_edge"] else ""
        interval = "one run, none" if pd.isna(low) else f"{low:.1f} to {high:.1f}"
        rows.append((f"{row['side']}, {row['quantity']}{edge}",
                     f"{peak:.1f} {units.word(row['unit'])}", interval, f"{row['rpm']:.0f}",
                     f"{row['n']:.0f}"))  # fmt: skip
    head = ("side and quantity", "peak", "95 % interval", "at rpm", "runs")
    return DataTable("Peaks of the mean curves", head, tuple(rows), frozenset({1, 2, 3, 4}))


def _gain(found: RunsComparison, units: OutputUnits) -> DataTable:
    rows = []
    for row in gain_rows(found).to_dict("records"):
        names = ("before_nm", "after_nm", "gain_nm", "gain_low_nm", "gain_high_nm")
        before, after, gain, low, high = (units.shown(row[name], "N.m") for name in names)
        interval = "none" if pd.isna(low) else f"{low:+z.1f} to {high:+z.1f}"
        rows.append((f"{row['rpm']:g}", f"{before:.1f}", f"{after:.1f}", f"{gain:+z.1f}",
                     f"{row['gain_pct']:+z.1f}", interval))  # fmt: skip
    head = ("rpm", "before", "after", "gain", "gain %", "95 % interval")
    caption = f"Torque in {units.torque}; intervals for each speed separately"
    return DataTable(caption, head, tuple(rows), frozenset(range(1, 6)))


def _pulls(found: RunsComparison) -> DataTable:
    rows = tuple(
        (f"{row['side']}: {plain(row['log'])}, pull {row['pull']}",
         f"{row['rpm_from']:.0f} to {row['rpm_to']:.0f}", f"{row['duration_s']:.1f}",
         f"{row['samples']}", "none" if pd.isna(row["factor"]) else f"{row['factor']:.4f}",
         plain(row["conditions"]))
        for row in found.pulls.to_dict("records")
    )  # fmt: skip
    head = ("pull", "rpm", "s", "samples", "factor", "air")
    return DataTable("Pulls", head, rows, frozenset({1, 2, 3, 4}))


def _drivability(found: RunsComparison, units: OutputUnits) -> list[Block]:
    rows = []
    for row in drivability_rows(found).to_dict("records"):
        names = ("before", "after", "change", "change_low", "change_high")
        before, after, change, low, high = (units.shown(row[n], row["unit"]) for n in names)
        rows.append((f"{row['measure']}, {row['rpm_from']:.0f} to {row['rpm_to']:.0f} rpm",
                     units.word(row["unit"]), _or_none(before), _or_none(after),
                     _or_none(change, "+z.2f"),
                     "none" if pd.isna(low) else f"{low:+z.2f} to {high:+z.2f}"))  # fmt: skip
    head = ("measure", "unit", "before", "after", "change", "95 % interval")
    blocks: list[Block] = []
    if rows:
        blocks.append(DataTable("Drivability", head, tuple(rows), frozenset({2, 3, 4, 5})))
    blocks.append(Bullets(tuple(dip_words(found, units))))
    return blocks


def _or_none(value: float, form: str = "z.2f") -> str:
    return "none" if pd.isna(value) else format(value, form)


def tunes_section(data: ReportData) -> Section:
    """Return the set of tunes: kind, full-load run and findings."""
    part = data.tunes
    if part is None:
        return Section("The set of tunes")
    rows = tuple(_tune_row(part, number) for number in range(len(part.tunes)))
    torque, power = part.units.torque, part.units.power
    head = ("tune", "kind", "grid %", f"highest torque, {torque}", f"highest power, {power}")
    table = DataTable("Tunes, least power first", head, rows, frozenset({2, 3, 4}))
    blocks: list[Block] = [table]
    if any(tune.run is not None for tune in part.tunes):
        blocks.append(Pictures((_tunes_picture(part, data),)))
    if found := part.report.findings:
        checks = tuple((VERDICTS[f.verdict], f.topic, plain(f.sentence)) for f in found)
        blocks.append(DataTable("Checks", ("verdict", "about", "found"), checks))
    open_words = [f"Not checked: {plain(words)}." for words in part.report.unchecked]
    blocks.append(Bullets(tuple(open_words)))
    return Section("The set of tunes", tuple(blocks))


def _tune_row(part: TunesPart, number: int) -> tuple[str, ...]:
    tune = part.tunes[number]
    values = np.nan_to_num(tune.grid.flat())
    torque = power = "no run"
    if tune.run is not None and len(run := run_torque(tune.run)):
        torque = f"{part.units.shown(run['torque_nm'].max(), 'N.m'):.0f}"
        kw = float(power_kw(run["torque_nm"], run["rpm"]).max())
        power = f"{part.units.shown(kw, 'kW'):.1f}"
    span = f"{values.min():+z.1f} to {values.max():+z.1f}" if values.any() else "all zeros"
    return (plain(tune.name), tune.kind, span, torque, power)


def _tunes_picture(part: TunesPart, data: ReportData) -> Picture:
    from tuneassist.show.plots import plot_tunes

    unit = part.units.torque
    frame = plot_tunes(
        part.tunes, unit=unit, predicted=part.report.predicted, is_simulated=data.is_simulated
    )
    tops = [
        f"{plain(tune.name)} up to "
        f"{part.units.shown(run_torque(tune.run)['torque_nm'].max(), 'N.m'):.0f} {unit}"
        for tune in part.tunes
        if tune.run is not None
    ]
    title = "Full-load torque of the tunes"
    return Picture("tunes", figure_of(frame), title, f"{'; '.join(tops)}.")
