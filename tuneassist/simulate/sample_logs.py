"""The sample logs: two simulated cars, each with a setup, logs and the true deviation.

Every file says that it is simulated.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tuneassist.grid import Floats
from tuneassist.settings import default_limits
from tuneassist.simulate.cars import Car, petrol_car, van_car
from tuneassist.simulate.engine import TrueEngine, draw_engine
from tuneassist.simulate.logs import Dialect, LogColumn, write_log
from tuneassist.simulate.route import SessionPlan
from tuneassist.simulate.session import Session, simulate_session

PETROL_SEED, VAN_SEED = 20_102, 20_202

PETROL_COLUMNS = (
    LogColumn("time_s", "Elapsed", "s", 2),
    LogColumn("rpm", "Crank speed", "rpm", 0),
    LogColumn("load", "Inlet pressure abs", "psi", 3),
    LogColumn("lambda", "Wideband", "AFR", 2),
    LogColumn("coolant_temp_c", "Water", "degF", 1),
    LogColumn("intake_temp_c", "Intake air temperature", "degF", 1),
    LogColumn("exhaust_temp_c", "Exhaust gas temperature", "degF", 0),
    LogColumn("throttle_pct", "Throttle position", "percent", 1),
    LogColumn("injector_duty_pct", "Injector duty", "percent", 1),
    LogColumn("torque_nm", "Torque", "lbf.ft", 1),
)
VAN_COLUMNS = (
    LogColumn("time_s", "Time", "ms", 0),
    LogColumn("rpm", "Engine speed", "rpm", 0),
    LogColumn("load", "Injected fuel", "mg/stroke", 2),
    LogColumn("lambda", "Lambda", "lambda", 3),
    LogColumn("coolant_volts", "Coolant sender", "V", 3),
    LogColumn("manifold_pressure_kpa", "Manifold pressure abs", "bar", 3),
    LogColumn("rail_pressure_kpa", "Rail pressure", "bar", 0),
    LogColumn("intake_temp_c", "Intake air temperature", "°C", 1),
    LogColumn("exhaust_temp_c", "Exhaust gas temperature", "°C", 0),
    LogColumn("throttle_pct", "Pedal", "percent", 1),
    LogColumn("torque_nm", "Torque", "N.m", 1),
)
PETROL_FIRST = Dialect(
    PETROL_COLUMNS, preamble=("# simulated session 1, simulated 1.6 turbo petrol hatchback",)
)
PETROL_SECOND = Dialect(
    PETROL_COLUMNS,
    separator=";",
    decimal=",",
    newline="\r\n",
    encoding="utf-8-sig",
    preamble=("Simulated session 2", "simulated 1.6 turbo petrol hatchback", ""),
    has_trailing_separator=True,
)
VAN_FIRST = Dialect(
    VAN_COLUMNS,
    separator=";",
    decimal=",",
    newline="\r\n",
    encoding="cp1252",
    units="row",
    preamble=("Simulated session 1; simulated 2.0 turbo-diesel van",),
)


def petrol_engine() -> TrueEngine:
    """Return the engine behind the petrol sample logs."""
    return draw_engine(np.random.default_rng(PETROL_SEED), car=petrol_car())


def van_engine() -> TrueEngine:
    """Return the engine behind the van's sample log."""
    return draw_engine(np.random.default_rng(VAN_SEED), car=van_car())


def write_petrol_log(path: Path, session: Session) -> Path:
    """Write a session of the petrol car in its logger's format, as its sample setup reads it.

    Parameters
    ----------
    path
        The file; an existing one is replaced.
    session
        From `simulate_session`.

    Returns
    -------
    Path
        The file.
    """
    write_log(path, session, PETROL_FIRST)
    return path


def write_sample_logs(folder: Path) -> list[Path]:
    """Write the sample logs, setups and truth files; the same bytes every time.

    Parameters
    ----------
    folder
        Destination; created when missing. Existing files are replaced.

    Returns
    -------
    list of Path
        The files written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    petrol, van = petrol_engine(), van_engine()
    logs = (
        ("petrol-session-1.csv", petrol, PETROL_FIRST, SessionPlan(spike_share=0.002), 1),
        ("petrol-session-2.csv", petrol, PETROL_SECOND, SessionPlan(spike_share=0.002, gaps=3), 2),
        ("van-session-1.csv", van, VAN_FIRST, SessionPlan(stamp_s=0.001), 3),
    )
    for name, engine, dialect, plan, seed in logs:
        session = simulate_session(engine, plan, rng=np.random.default_rng(seed))
        write_log(folder / name, session, dialect)
    texts = {
        "petrol-setup.toml": setup_text(petrol.car, PETROL_COLUMNS, rev_limit_rpm=6800),
        "van-setup.toml": setup_text(van.car, VAN_COLUMNS, rev_limit_rpm=4500, in_header=False),
        "petrol-simulated-truth.csv": truth_text(petrol),
        "van-simulated-truth.csv": truth_text(van),
    }
    for name, text in texts.items():
        (folder / name).write_bytes(text.encode("utf-8"))
    return [folder / name for name in (*(log[0] for log in logs), *texts)]


def truth_text(engine: TrueEngine) -> str:
    """True deviation at the breakpoints as a grid file; empty outside the load range."""
    axes = engine.car.axes
    rpm, load = axes.cell_rpm(), axes.cell_load()
    deviation = engine.true_deviation_pct(rpm, load)
    deviation = np.where(engine.car.is_inside(rpm, load), deviation, np.nan).reshape(axes.shape)
    lines = [",".join(["rpm/load", *(f"{x:g}" for x in axes.load)])]
    for speed, row in zip(axes.rpm, deviation, strict=True):
        words = ["" if np.isnan(value) else f"{value:.2f}" for value in row]
        lines.append(",".join([f"{speed:g}", *words]))
    return "\n".join(lines) + "\n"


_LIMIT_KEYS = (
    ("max_step_pct", "largest change of a cell in one proposal"),
    ("max_total_pct", "largest correction in the finished grid"),
    ("richest_lambda", "never predicted richer than this"),
    ("leanest_lambda", "never predicted leaner than this"),
    ("foresee_margin_pct", "what is foreseen under a ceiling counts this much more"),
)
_OWN_LIMIT_KEYS = {
    "spark": (
        ("max_lean_step_in_boost_pct", "leaner in boost in one proposal"),
        ("max_lean_total_in_boost_pct", "leaner in boost in all"),
        ("boost_lean_min_holds", "holds in a cell in boost before it is leaned"),
    ),
    "compression": (("raise_fuel_unwatched", "true: more fuel with no reading that watches it"),),
}
_CEILING_UNITS = {"exhaust_temp": "degC", "injector_duty": "percent", "boost": "kPa"}
_CHANNEL_NAMES = {
    "time_s": "time",
    "rpm": "rpm",
    "load": "load",
    "lambda": "lambda",
    "coolant_temp_c": "coolant_temp",
    "coolant_volts": "coolant_volts",
}


def setup_text(
    car: Car, columns: tuple[LogColumn, ...], *, rev_limit_rpm: int, in_header: bool = True
) -> str:
    """Write a car's setup file.

    Parameters
    ----------
    car
        The car.
    columns
        The columns of its logs; the setup names the main channels, and the reader finds the
        others by their headers.
    rev_limit_rpm
        Highest speed. [rpm]
    in_header
        The headers of the logs include the unit, and so do the column names in the setup.

    Returns
    -------
    str
        TOML.
    """
    fuel = "petrol" if car.ignition == "spark" else "diesel"
    channels = "\n".join(
        f'{_CHANNEL_NAMES[c.channel]} = {{ column = "{c.header}'
        f'{f" ({c.unit})" if in_header else ""}", unit = "{c.unit.replace("AFR", "afr")}" }}'
        for c in columns
        if c.channel in _CHANNEL_NAMES
    )
    return f"""# Setup of a simulated car, a scenario of our own.
[engine]
label = "{car.label}"
ignition = "{car.ignition}"
fuel = "{fuel}"
afr_stoich = {car.afr_stoich}
rev_limit_rpm = {rev_limit_rpm}

[channels]                      # the others are found by their headers
{channels}

[axes]
rpm = {_plain(car.axes.rpm)}
load = {_plain(car.axes.load)}
load_name = "{car.axes.load_name}"
load_unit = "{car.axes.load_unit}"

[target]                        # rows follow axes.rpm, columns follow axes.load
unit = "lambda"
kind = "{car.target.kind}"
table = [
{_rows(car.target.table)}
]

[correction]
acts_on = "fuel"

{_limits_comment(car)}"""


def _limits_comment(car: Car) -> str:
    """List the default limits as commented lines."""
    limits = default_limits(car.ignition)
    ceilings = "\n".join(
        f"# {name} = {{ ceiling = {one.ceiling:g}"
        f"{'' if one.hard is None else f', hard = {one.hard:g}'}, "
        f'unit = "{_CEILING_UNITS[name]}" }}'
        for name, one in limits.ceilings.items()
    )
    plain = "\n".join(
        f"# {f'{name} = {_toml(getattr(limits, name))}':<34}# {why}"
        for name, why in (*_LIMIT_KEYS, *_OWN_LIMIT_KEYS[car.ignition])
    )
    return f"""# Limits of your own. Lines with a mark are the defaults: unmark what you change, and
# from the [head] above it. All limits, and why: tuneassist limits --setup FILE
{_limits_head(car)}
{plain}
# [limits.ceilings]             # past ceiling only the safe way is open, past hard it steps back
{ceilings}
"""


def _limits_head(car: Car) -> str:
    """Head of the limits; the petrol car's target needs one that is not the default."""
    if car.ignition != "spark":
        return "# [limits]"
    default = default_limits(car.ignition).boost_leanest_lambda
    return f"""[limits]
boost_leanest_lambda = 0.97         # this target reaches 0.964 in boost; default {default:g}"""


def _toml(value: float | bool) -> str:
    return str(value).lower() if isinstance(value, bool) else f"{value:g}"


def _plain(values: Floats) -> str:
    return "[" + ", ".join(f"{value:g}" for value in values) + "]"


def _rows(table: Floats) -> str:
    return "\n".join("  [" + ", ".join(f"{x:.3f}" for x in row) + "]," for row in table)
