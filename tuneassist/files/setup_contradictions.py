"""Parts of a setup that contradict one another: refused when the file is read.

Each error names both parts. What may be intended is not refused here but asked about, by
`tuneassist.correction.setup_questions`.
"""

from __future__ import annotations

from tuneassist.channels import CHANNELS, is_gauge_name
from tuneassist.files.toml_table import TomlTable
from tuneassist.settings import Ceiling, Setup
from tuneassist.units import convert, find_unit, unit_named, units_of

SPARK_FUELS, COMPRESSION_FUELS = ("petrol", "e10", "e85"), ("diesel",)
"""Fuels that only one kind of engine burns; the others go into both, a diesel's gas among them."""
FAR_BEYOND_REV_LIMIT = 2.0
"""A table may go on above the rev limit, since controllers come with one axis for many engines; not
to this many times it. [1]"""
LEAST_TOP_RPM = 1000.0
"""No table of a car's engine ends at a lower speed: idle is at some 500 to 1000. [rpm]"""
AXIS_TOP_KPA = (40.0, 700.0)
"""Absolute manifold pressure at which an axis may end: from little more than idle, for a table of
light load alone, to what no road engine reaches. [kPa]"""
LEAST_AFR = 5.0
"""No spark engine fires at this lambda, and methanol has the lowest AFR (6.5). [1]"""
_LAMBDAS = ("richest_lambda", "leanest_lambda", "boost_leanest_lambda")


def refuse_contradictions(setup: Setup, whole: TomlTable) -> None:
    """Refuse parts of a setup that contradict one another.

    Parameters
    ----------
    setup
        As built.
    whole
        The file, for the place of the error.

    Raises
    ------
    SetupError
        For the first contradiction.
    """
    _refuse_fuel(setup, whole.table("engine"))
    _refuse_speeds(setup, whole.table("axes"))
    _refuse_load(setup, whole.table("axes"))
    _refuse_ceilings(setup, whole.table("limits").table("ceilings"))
    _refuse_limits(setup, whole.table("limits"))


def _refuse_fuel(setup: Setup, table: TomlTable) -> None:
    fuel, ignition = setup.engine.fuel, setup.engine.ignition
    other = "spark" if ignition == "compression" else "compression"
    wrong = SPARK_FUELS if ignition == "compression" else COMPRESSION_FUELS
    if "fuel" not in table or fuel not in wrong:
        return
    default = "" if "ignition" in table else ", the default"
    raise table.error(
        "ignition",
        f'fuel = "{fuel}" is for {other} ignition, but ignition is "{ignition}"{default}: the '
        "rules would protect the wrong side.",
        f'Write ignition = "{other}", or correct the fuel.',
    )


def _refuse_speeds(setup: Setup, table: TomlTable) -> None:
    points, most = setup.axes.rpm, setup.engine.rev_limit_rpm
    if points[-1] < LEAST_TOP_RPM:
        raise table.error(
            "rpm",
            f"the axis ends at {points[-1]:g} rpm, below any engine's working range.",
            "Write the breakpoints in rpm, not in thousands or rad/s.",
        )
    if most is None or points[-1] <= FAR_BEYOND_REV_LIMIT * most:
        return
    raise table.error(
        "rpm",
        f"the breakpoint {points[-1]:g} rpm is far above engine.rev_limit_rpm = {most:g}.",
        "Correct the one that is wrong.",
    )


def _refuse_load(setup: Setup, table: TomlTable) -> None:
    """Refuse a pressure axis whose unit is impossible, where the channel's unit fits."""
    axes, source = setup.axes, setup.channels.get("load")
    said = find_unit(source.unit) if source and source.unit else None
    if said is None or is_plausible_top(setup, axes.load_unit):
        return
    if said.word == axes.load_unit or not is_plausible_top(setup, said.word):
        return
    raise table.error(
        "load_unit",
        f"the axis would end at {axes.load[-1]:g} {axes.load_unit}, which is impossible; the load "
        f"channel is in {said.word}, which fits.",
        f'Write load_unit = "{said.word}", or correct the breakpoints.',
    )


def is_plausible_top(setup: Setup, unit: str) -> bool:
    """Return whether the end of the load axis is plausible in a unit.

    An axis that is no absolute pressure may end anywhere.
    """
    axes, reading = setup.axes, find_unit(unit)
    if reading is None or unit_named(reading.word).quantity != "pressure":
        return True
    if reading.reference == "gauge" or is_gauge_name(axes.load_name):
        return True
    low, high = AXIS_TOP_KPA
    return low <= float(convert(float(axes.load[-1]), reading.word, "kPa")) <= high


def _refuse_ceilings(setup: Setup, table: TomlTable) -> None:
    """Refuse a ceiling without a unit that only makes sense in the unit of its channel."""
    for name, ceiling in setup.limits.ceilings.items():
        said = _other_unit(setup, name, ceiling)
        low, high = CHANNELS[name].possible
        if name not in table or not said or low <= ceiling.ceiling <= high:
            continue
        unit = CHANNELS[name].unit
        raise table.table(name).error(
            "ceiling",
            f"{ceiling.ceiling:g} {unit} is beyond what the channel can read, so it protects "
            f"nothing; the channel is in {said}.",
            f'Add unit = "{said}", or unit = "{unit}" and the right number.',
        )


def _other_unit(setup: Setup, name: str, ceiling: Ceiling) -> str:
    """Return the unit of a ceiling's channel where the ceiling has none; empty where they agree."""
    source = setup.channels.get(name)
    text = source and (source.transfer_unit or source.unit)
    said = find_unit(text) if text else None
    if said is None or ceiling.given_unit is not None or said.word == CHANNELS[name].unit:
        return ""
    return said.word


def _refuse_limits(setup: Setup, table: TomlTable) -> None:
    """Refuse an AFR where lambda is asked for, and a barometer in another unit."""
    places = [table, *table.tables("region")]
    for place, name in ((place, name) for place in places for name in _LAMBDAS):
        value = place.values.get(name)
        if value is None or value < LEAST_AFR or setup.engine.ignition != "spark":
            continue
        raise place.error(
            name,
            f"{value:g} looks like an AFR, but this is a lambda: it would protect nothing.",
            f"{value:g} AFR is lambda {value / setup.engine.afr_stoich:.3g} with this fuel.",
        )
    low, high = CHANNELS["barometer"].possible
    kpa = setup.limits.barometer_kpa
    if low <= kpa <= high:
        return
    fits = [u for u in units_of("pressure") if low <= float(convert(kpa, u, "kPa")) <= high]
    guess = f" It looks like {' or '.join(fits)}." if fits else ""
    raise table.error(
        "barometer_kpa", f"no barometer reads {kpa:g} kPa.{guess}", "Write it in kPa."
    )
