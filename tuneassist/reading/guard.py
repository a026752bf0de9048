"""Does the unit fit the values? A wrong unit is refused with the likely one named.

The bulk of a column is held against the channel's plausible range by quantiles, so that single
spikes and a logger's words for "no value" decide nothing.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

import numpy as np

from tuneassist.channels import CHANNELS, Channel, Plausible
from tuneassist.errors import LogError
from tuneassist.inert import NAME_LENGTH, clipped
from tuneassist.reading.log import Cells, Floats
from tuneassist.units import convert, unit_named, units_of

SENTINELS = (
    -9999.0, -9999.9, -999.0, -999.25, 9999.0, 99999.0, 65535.0, 65534.0, 32767.0, -32768.0,
    -32767.0, 655.35, 6553.5, 2147483647.0, -2147483648.0, 4294967295.0,
)  # fmt: skip
"""What loggers write for "no value"; left out when a unit is judged."""
HUGE = 1e9
PETROL_SCALE = 14.7
"""The scale that most air-fuel gauges show whatever the fuel."""
MAX_TEXT_SHARE = 0.2
MAX_IMPOSSIBLE_SHARE = 0.2
_RAIL_SHARE = 0.05


#: Load in percent: a cylinder's filling passes 100 in boost, and a share of full load stays under.
#: Ratios (0 to 1, or to 4 in boost) fall below. Common practice, no source.
FILLING = Plausible(p10=(0.0, 200.0), p50=(4.5, 350.0), p95=(5.0, 450.0), zero_is_off=True)


@dataclass(frozen=True)
class Mixture:
    """What the guard must know of the fuel.

    Parameters
    ----------
    afr_stoich
        Stoichiometric air-fuel ratio. [kg/kg]
    is_spark
        Spark ignition, which burns no bulk of a log leaner than about 1.3.
    """

    afr_stoich: float = PETROL_SCALE
    is_spark: bool = False


def setup_line(channel: str, header: str, unit: str | None) -> str:
    """Return the line for ``[channels]`` that names a column and its unit."""
    column = json.dumps(clipped(header, NAME_LENGTH), ensure_ascii=False)
    tail = f', unit = "{unit}"' if unit else ""
    return f"{channel} = {{ column = {column}{tail} }}"


def measured(values: Floats, plausible: Plausible) -> Floats:
    """Return the values that a unit is judged by: no nan, no sentinel, no stop of the sensor."""
    kept = values[np.isfinite(values) & (np.abs(values) < HUGE) & ~np.isin(values, SENTINELS)]
    if plausible.zero_is_off:
        kept = kept[kept != 0]
    return kept


def _without_rail(values: Floats) -> Floats:
    """Leave out the highest value where it repeats: a sensor at its stop tells no unit."""
    if not len(values):
        return values
    at_top = values >= values.max()
    return values[~at_top] if _RAIL_SHARE < at_top.mean() < 1.0 else values


def fits(values: Floats, unit: str, channel: Channel, mixture: Mixture) -> bool:
    """Tell whether the bulk of the values can be this channel in this unit.

    Parameters
    ----------
    values
        Measured values in ``unit``, as `measured` returns them.
    unit
        Unit word to try.
    """
    if not len(values):
        return True
    if channel.quantity == "share" and unit == "percent" and _is_disguised_share(values, channel):
        return False
    inside = convert(values, unit, channel.unit or unit, afr_stoich=mixture.afr_stoich)
    if channel.quantity == "mixture":
        inside = _without_rail(inside)
    bulk = np.quantile(inside, [0.1, 0.5, 0.95])
    ranges = (channel.plausible.p10, channel.plausible.p50, channel.plausible.p95)
    return all(low <= q <= high for q, (low, high) in zip(bulk, ranges, strict=True))


def _is_disguised_share(values: Floats, channel: Channel) -> bool:
    """Find a ratio of 0 to 1, or a trim written as a multiplier, under the name of percent."""
    low, high = (float(q) for q in np.quantile(values, [0.02, 0.98]))
    if channel.name.startswith("fuel_trim"):
        around_one = low > 0.6 and high < 1.5 and low < 1.0 < high
        return (around_one and len(np.unique(values)) > 5) or (low > 75 and high < 135)
    return high <= 1.05 and high >= 0.3 and high - low >= 0.2 and low >= -0.1


def fitting_units(values: Floats, channel: Channel, mixture: Mixture) -> tuple[str, ...]:
    """Return the units whose plausible range holds the values; equal conversions count once."""
    found: list[str] = []
    seen: set[tuple[float, float]] = set()
    for word in units_of(channel.quantity):
        unit = unit_named(word)
        key = (unit.factor, unit.offset)
        if channel.quantity != "mixture" and key in seen:
            continue
        seen.add(key)
        if fits(values, word, channel, mixture):
            found.append(word)
    return tuple(found)


def judge_by(name: str, load_unit: str, is_gauge_axis: bool) -> Channel:
    """Return the channel whose ranges a column is judged by; load borrows them from its kind."""
    channel = CHANNELS[name]
    if name != "load":
        return channel
    quantity = unit_named(load_unit).quantity
    if quantity == "pressure":
        kin = CHANNELS["boost" if is_gauge_axis else "manifold_pressure"]
        return replace(channel, quantity="pressure", unit="kPa", plausible=kin.plausible)
    if quantity == "share":
        return replace(channel, quantity="share", unit="percent", plausible=FILLING)
    return replace(channel, quantity=quantity, unit=load_unit)


def check_unit(
    values: Floats, unit: str, channel: Channel, mixture: Mixture, *, where: str, header: str
) -> None:
    """Refuse a unit that cannot be what the values are in.

    Raises
    ------
    LogError
        Names the column, the range of its values, the likely unit, and the line that mends it.
    """
    kept = measured(values, channel.plausible)
    if len(kept) and fits(kept, unit, channel, mixture):
        _check_petrol_scale(kept, unit, channel, mixture, where=where)
        return
    if not len(kept):
        _refuse_nothing(values, channel, where=where)
        return
    low, high = (float(q) for q in np.quantile(kept, [0.1, 0.95]))
    guess, entry = _likely(kept, unit, channel, mixture, header)
    raise LogError(
        f"the values cannot be {channel.name.replace('_', ' ')} in {unit}: most lie between "
        f"{low:g} and {high:g}. {guess}",
        where=where,
        mend=f"If this is the right column, write under [channels]: {entry}.",
    )


def _likely(
    values: Floats, unit: str, channel: Channel, mixture: Mixture, header: str
) -> tuple[str, str]:
    """Say what the values look like, and the line of the setup that would say so."""
    absolute, gauge = CHANNELS["manifold_pressure"], CHANNELS["boost"]
    low = float(np.quantile(values, 0.1))
    if channel.plausible is absolute.plausible and low < 0 and fits(values, unit, gauge, mixture):
        return "They look like gauge pressure.", setup_line("boost", header, unit)
    if channel.plausible is gauge.plausible and low > 0 and fits(values, unit, absolute, mixture):
        return "They look like absolute pressure.", setup_line("manifold_pressure", header, unit)
    likely = [u for u in fitting_units(values, channel, mixture) if u != unit]
    if likely:
        entry = setup_line(channel.name, header, likely[0])
        return f"They look like {' or '.join(likely)}.", entry
    guess = "No unit fits them: they look like another channel's column."
    if channel.name.startswith("fuel_trim"):
        guess = "They look like a multiplier around 1 or 100; a trim of 0 must mean no change."
    return guess, setup_line(channel.name, header, unit)


def _refuse_nothing(values: Floats, channel: Channel, *, where: str) -> None:
    given = values[np.isfinite(values)]
    if not len(given) or not channel.is_decisive:
        return
    if channel.plausible.zero_is_off and (given == 0).all():
        state = "the engine never turned" if channel.name == "rpm" else "the sensor never worked"
        raise LogError(f"every value is zero: {state}.", where=where)
    if (given == 0).any() and channel.plausible.zero_is_off:
        return
    raise LogError(
        f"every value is a placeholder such as {given[0]:g}.",
        where=where,
        mend="Check the sensor and log again.",
    )


def _check_petrol_scale(
    values: Floats, unit: str, channel: Channel, mixture: Mixture, *, where: str
) -> None:
    """Refuse AFR on the petrol scale where the setup's fuel has another."""
    if unit != "afr" or not mixture.is_spark or channel.quantity != "mixture":
        return
    middle = float(np.median(values))
    if middle / mixture.afr_stoich > 1.25 and 0.7 < middle / PETROL_SCALE < 1.15:
        raise LogError(
            f"an AFR of {middle:.3g} is lambda {middle / mixture.afr_stoich:.2f} with the fuel's "
            f"stoichiometric AFR of {mixture.afr_stoich:g}. It looks like a gauge on the petrol "
            "scale of 14.7.",
            where=where,
            mend="If so, write under [engine]: afr_stoich = 14.7; or log lambda.",
        )


def check_text(cells: Cells, *, where: str, line: int) -> str:
    """Refuse a column of words; return a note where a few cells hold some.

    Parameters
    ----------
    cells
        The column.
    where
        File and column.
    line
        Line of the first such cell.
    """
    if not cells.text_count:
        return ""
    example = cells.text_example[1]
    numbers = int(np.isfinite(cells.numbers).sum())
    check_texts(cells.text_count, numbers, example, where=f"{where}, row {line}")
    return (
        f"{cells.text_count} cell(s) of text were left out, the first {example[:40]!r} in row "
        f"{line}."
    )


def check_texts(texts: int, numbers: int, example: str, *, where: str) -> None:
    """Refuse a column of words, given how many cells are text and how many are numbers."""
    if texts > MAX_TEXT_SHARE * (numbers + texts):
        raise LogError(
            f"{texts} of {numbers + texts} cells are text and not numbers, "
            f"the first is {example[:40]!r}.",
            where=where,
            mend="Export the log with numbers, or name another column under [channels].",
        )
