"""A truth-known engine: the independent witness for tests, benchmarks and the sample logs.

Every number that comes from here is simulated. The path::

    cars -> engine (truth) -> route (what is driven) -> session (what is logged) -> logs (files)
"""

from tuneassist.simulate.cars import Car, petrol_car, van_car
from tuneassist.simulate.engine import Chain, ErrorSurface, Noise, TrueEngine, draw_engine
from tuneassist.simulate.route import SessionPlan
from tuneassist.simulate.session import Session, simulate_session, without_channels

__all__ = [
    "Car",
    "Chain",
    "ErrorSurface",
    "Noise",
    "Session",
    "SessionPlan",
    "TrueEngine",
    "draw_engine",
    "petrol_car",
    "simulate_session",
    "van_car",
    "without_channels",
]
