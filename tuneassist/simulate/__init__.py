"""A simulated engine with known truth, for tests, benchmarks and the sample logs.

All data from this package are simulated. The path::

    cars -> engine (truth) -> route (what is driven) -> session (what is logged) -> logs (files)
"""

from tuneassist.simulate.cars import Car, petrol_car, van_car
from tuneassist.simulate.drive import drive
from tuneassist.simulate.engine import (
    ErrorSurface,
    MeasurementChain,
    Noise,
    TrueEngine,
    draw_engine,
)
from tuneassist.simulate.full_load import (
    FullLoadPlan,
    simulate_full_load,
    stock_diesel,
    tuned_diesel,
)
from tuneassist.simulate.route import SessionPlan
from tuneassist.simulate.sample_logs import petrol_engine, van_engine, write_petrol_log
from tuneassist.simulate.session import Session, simulate_session, without_channels

__all__ = [
    "Car",
    "ErrorSurface",
    "FullLoadPlan",
    "MeasurementChain",
    "Noise",
    "Session",
    "SessionPlan",
    "TrueEngine",
    "draw_engine",
    "drive",
    "petrol_car",
    "petrol_engine",
    "simulate_full_load",
    "simulate_session",
    "stock_diesel",
    "tuned_diesel",
    "van_car",
    "van_engine",
    "without_channels",
    "write_petrol_log",
]
