"""Sweeps and roads of the simulator: where they go, how fast, and what they repeat."""

import numpy as np
import pytest

from tuneassist.errors import InputError
from tuneassist.simulate import SessionPlan, draw_engine, petrol_car, simulate_session, van_car
from tuneassist.simulate.cars import Car
from tuneassist.simulate.route import SAME_S, Route, draw_route

STYLES = ("speed sweeps", "load sweeps", "road")


def drawn(car: Car, **options: object) -> Route:
    plan = SessionPlan(warm_up_s=0.0, **options)  # type: ignore[arg-type]
    return draw_route(car, plan, np.random.default_rng(7))


@pytest.mark.parametrize("make_car", [petrol_car, van_car])
@pytest.mark.parametrize("style", STYLES)
def test_routes_stay_where_the_engine_can_run(style: str, make_car: type[Car]) -> None:
    car = make_car()
    knots = drawn(car, style=style).knots
    driven = knots[~knots["is_cut"] & (knots["load"] > car.overrun_load)].iloc[1:]
    is_idle = driven["rpm"].eq(car.idle_rpm)
    rpm, load = (driven.loc[~is_idle, name].to_numpy() for name in ("rpm", "load"))
    assert len(rpm) > 100
    assert car.is_inside(np.round(rpm, 6), load - 1e-6 * (load > car.lowest_load)).all()
    assert (np.diff(knots["time_s"]) > 0).all()
    assert (np.diff(knots["leg"]) >= 0).all()


@pytest.mark.parametrize(("style", "moves", "stands"), [
    ("speed sweeps", "rpm", None), ("load sweeps", "load", "rpm"),
])  # fmt: skip
def test_a_sweep_moves_at_its_rate_through_the_whole_range(
    style: str, moves: str, stands: str | None
) -> None:
    car = petrol_car()
    rate = {"speed sweeps": 40.0, "load sweeps": 2.0}[style]
    knots = drawn(car, style=style, levels=5).knots
    pace = np.abs(np.diff(knots[moves]) / np.diff(knots["time_s"]))
    is_sweep = np.isclose(np.diff(knots["time_s"]), 1.0)
    assert pace[is_sweep] == pytest.approx(rate, rel=0.02)
    assert np.ptp(knots[moves]) > 0.9 * (5600.0 if moves == "rpm" else 140.0)
    if stands:
        assert np.diff(knots[stands])[is_sweep] == pytest.approx(0.0)
        assert len(np.unique(knots[stands].round(3))) == 5 + 1


@pytest.mark.parametrize("style", ["speed sweeps", "load sweeps"])
def test_no_stretch_of_a_sweep_repeats_itself_longer_than_a_hold(style: str) -> None:
    knots = drawn(petrol_car(), style=style).knots
    start = knots.groupby("leg")["time_s"].min()
    assert np.diff(start).max() <= SAME_S + 5.0


def test_a_road_has_gears_overrun_and_cruises_and_lasts() -> None:
    route = drawn(petrol_car(), style="road", road_s=300.0)
    knots = route.knots
    assert 300.0 <= route.end_s < 420.0
    assert knots["is_cut"].sum() > 10
    falls = np.diff(knots["rpm"]) / knots["rpm"].to_numpy()[:-1]
    assert (falls < -0.15).sum() > 5
    assert np.ptp(knots["load"]) > 100.0


@pytest.mark.parametrize("style", STYLES)
def test_a_session_of_moves_has_no_holds_and_starts_warm(style: str) -> None:
    engine = draw_engine(np.random.default_rng(1))
    plan = SessionPlan(style=style, levels=2, road_s=60.0, warm_up_s=0.0)  # type: ignore[arg-type]
    session = simulate_session(engine, plan, rng=np.random.default_rng(2))
    assert session.holds.empty
    assert list(session.holds) == [
        "start_s",
        "end_s",
        "rpm",
        "load",
        "scatter_pct",
        "deviation_pct",
    ]
    assert session.samples["coolant_temp_c"].min() > 85.0
    cold = simulate_session(
        engine,
        SessionPlan(style=style, levels=2, road_s=60.0),
        rng=np.random.default_rng(2),  # type: ignore[arg-type]
    )
    assert cold.samples["coolant_temp_c"].iloc[0] < 25.0


def test_an_unknown_style_is_refused_with_those_that_there_are() -> None:
    with pytest.raises(InputError, match=r"no style of driving 'circles'.*speed sweeps"):
        drawn(petrol_car(), style="circles")
