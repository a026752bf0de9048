"""The truth-known engine against hand arithmetic, handbook figures and scipy."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.interpolate import RegularGridInterpolator

from tuneassist import simulate
from tuneassist.errors import InputError
from tuneassist.grid import Grid
from tuneassist.simulate.__main__ import main
from tuneassist.simulate.cars import petrol_car, van_car
from tuneassist.simulate.engine import TrueEngine, draw_engine
from tuneassist.simulate.gauges import coolant_volts
from tuneassist.simulate.logs import (
    Dialect,
    LogColumn,
    log_frame,
    log_text,
    standard_columns,
)
from tuneassist.simulate.route import SessionPlan, draw_route, random_points
from tuneassist.simulate.sample_logs import VAN_FIRST, truth_text, write_sample_logs
from tuneassist.simulate.session import Session, simulate_session, without_channels
from tuneassist.simulate.signals import (
    ar1_noise,
    arrive_late,
    cylinder_fuel,
    divider_volts,
    first_order_lag,
    gas_delay_s,
    ntc_ohm,
)

BUNDLED = Path(__file__).resolve().parents[1] / "sample_logs"


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def short(engine: TrueEngine, seed: int = 2, **options: object) -> Session:
    plan = replace(SessionPlan(holds=6, warm_up_s=0.0, gaps=0), **options)  # type: ignore[arg-type]
    return simulate_session(engine, plan, rng=rng(seed))


def quiet(engine: TrueEngine) -> TrueEngine:
    noise = replace(
        engine.noise,
        hold_pct=0.0,
        lambda_pct=0.0,
        rpm_sd=0.0,
        load_share=0.0,
        wander_rpm=0.0,
        wander_share=0.0,
    )
    return replace(engine, noise=noise)


# --- the measuring chain ------------------------------------------------------------------------


def test_sensor_step_reaches_63_percent_after_tau_and_99_after_4_6_tau() -> None:
    # First order, references section 7: 95 % at 2.996 tau, 99 % at 4.605 tau.
    step = np.r_[0.0, np.ones(1000)]
    out = first_order_lag(step, tau_s=0.1, dt_s=0.001)
    at = lambda s: out[1 + round(s / 0.001)]  # noqa: E731
    assert at(0.1) == pytest.approx(1 - np.exp(-1), abs=1e-9)
    assert at(0.2996) == pytest.approx(0.95, abs=1e-3)
    assert at(0.4605) == pytest.approx(0.99, abs=1e-3)


def test_lag_equals_scipys_own_simulation_of_the_same_system() -> None:
    values = rng().standard_normal(400)
    rate = np.array([[1 / 0.07]])
    *abcd, _ = signal.cont2discrete((-rate, rate, np.eye(1), np.zeros((1, 1))), 0.02)
    _, wanted, _ = signal.dlsim((*abcd, 0.02), values - values[0])
    got = first_order_lag(values, tau_s=0.07, dt_s=0.02)
    np.testing.assert_allclose(got - values[0], wanted.ravel(), atol=1e-12)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_noise_has_the_stated_autocorrelation_and_size(rho: float) -> None:
    noise = ar1_noise(200_000, rho=rho, sd=0.7, rng=rng())
    # Standard error of a lag-1 autocorrelation: sqrt((1 - rho^2)/n), Bartlett 1946 (from memory).
    assert np.corrcoef(noise[:-1], noise[1:])[0, 1] == pytest.approx(
        rho, abs=5 * np.sqrt((1 - rho**2) / 200_000) + 1e-4
    )
    assert noise.std() == pytest.approx(0.7, rel=0.03)


def test_noise_is_stationary_from_its_first_value() -> None:
    source = rng(7)
    first = [ar1_noise(2, rho=0.95, sd=1.0, rng=source)[0] for _ in range(4000)]
    # Standard deviation of 4000 normal values: +-1/sqrt(2*4000) = 1.1 %.
    assert np.std(first) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(
    ("rpm", "wanted_ms"),
    [(800, 112.5), (1000, 90.0), (2000, 45.0), (3000, 30.0), (4000, 22.5), (6000, 15.0)],
)
def test_cycle_part_of_the_delay_is_90_over_n(rpm: float, wanted_ms: float) -> None:
    # references section 7, table row 90/N.
    got = gas_delay_s(np.array([rpm]), np.array([1e12]), volume_l=1.0)
    assert 1000 * got[0] == pytest.approx(wanted_ms, rel=1e-6)


@pytest.mark.parametrize(("flow", "wanted_ms"), [(5.0, 81.3), (20.0, 20.3), (100.0, 4.07)])
def test_plug_flow_part_of_the_delay_matches_the_reference(flow: float, wanted_ms: float) -> None:
    # references section 7: 1.0 l pipe, 900 K, 105 kPa.
    got = gas_delay_s(np.array([1e12]), np.array([flow]), volume_l=1.0)
    assert 1000 * got[0] == pytest.approx(wanted_ms, rel=3e-3)


def test_a_constant_delay_shifts_the_signal_by_exactly_that_time() -> None:
    time_s = np.arange(0, 10, 0.01)
    late = arrive_late(time_s, np.sin(time_s), np.full_like(time_s, 0.25))
    np.testing.assert_allclose(late[30:], np.sin(time_s[30:] - 0.25), atol=1e-5)


@given(
    wetting=st.floats(0.0, 0.6),
    evaporation_s=st.floats(0.05, 2.0),
    seed=st.integers(0, 1000),
)
@settings(max_examples=50, deadline=None)
def test_wall_film_conserves_fuel(wetting: float, evaporation_s: float, seed: int) -> None:
    injected = rng(seed).uniform(0.0, 5.0, 300)
    dt = 0.02
    reaching, film = cylinder_fuel(injected, wetting=wetting, evaporation_s=evaporation_s, dt_s=dt)
    at_rest = wetting * evaporation_s * injected[0]
    # What went in is what came out plus what the film gained.
    assert dt * injected.sum() == pytest.approx(dt * reaching.sum() + film[-1] - at_rest, abs=1e-9)
    assert (film >= -1e-12).all()


def test_wall_film_at_rest_is_wetting_times_evaporation_times_rate() -> None:
    reaching, film = cylinder_fuel(np.full(50, 3.0), wetting=0.2, evaporation_s=0.5, dt_s=0.02)
    np.testing.assert_allclose(film, 0.2 * 0.5 * 3.0)
    np.testing.assert_allclose(reaching, 3.0)


def test_wall_film_makes_opening_the_throttle_lean_first() -> None:
    reaching, _ = cylinder_fuel(
        np.r_[np.ones(10), np.full(400, 2.0)], wetting=0.3, evaporation_s=0.5, dt_s=0.01
    )
    # Just after the step: (1 - x) of the new fuel plus the old film's x of the old fuel.
    assert reaching[10] == pytest.approx(0.7 * 2.0 + 0.3 * 1.0, abs=0.01)
    assert reaching[-1] == pytest.approx(2.0, rel=1e-3)


@pytest.mark.parametrize(
    ("temp_c", "ohm"),
    [(-20, 77373), (0, 28674), (25, 10000), (50, 4105), (80, 1666), (100, 990), (125, 556)],
)
def test_thermistor_follows_the_published_table(temp_c: float, ohm: float) -> None:
    # references section 11: 10 kohm part, datasheet values in the Linux hwmon driver; B 3431.42.
    assert ntc_ohm(np.array([temp_c]))[0] == pytest.approx(ohm, rel=3e-3)


def test_divider_gives_the_reference_voltage_at_25_degrees() -> None:
    # references section 11: 5 V, 2.2 kohm pull-up, 10 kohm.
    assert divider_volts(ntc_ohm(np.array([25.0])))[0] == pytest.approx(4.09836, abs=1e-5)


def test_sender_voltage_falls_as_the_engine_warms() -> None:
    volts = coolant_volts(np.arange(-30.0, 121.0))
    assert (np.diff(volts) < 0).all()
    assert coolant_volts(np.array([20.0, 90.0])) == pytest.approx([3.5, 0.6], abs=0.02)


# --- the truth ----------------------------------------------------------------------------------


def test_grid_lookup_in_the_engine_is_scipys_bilinear_interpolation() -> None:
    engine = draw_engine(rng())
    axes = engine.car.axes
    grid = Grid(axes, rng(3).uniform(-10, 10, axes.shape))
    rpm, load = engine.operating_points(20)
    look = RegularGridInterpolator((axes.rpm, axes.load), grid.values)
    wanted = engine.true_lambda(rpm, load) / (1 + look(np.column_stack([rpm, load])) / 100)
    np.testing.assert_allclose(engine.true_lambda(rpm, load, grid), wanted, rtol=1e-12)


def test_hand_arithmetic_of_one_operating_point() -> None:
    engine = draw_engine(rng())
    rpm, load = np.array([3000.0]), np.array([60.0])
    error = float(engine.error.at(rpm, load)[0])
    ten = Grid(engine.car.axes, np.full(engine.car.axes.shape, 10.0))
    # Target is 1 there: (1 + error)/(1.10) - 1, and ten percent more need gives it back.
    wanted = 100 * ((1 + error / 100) / 1.10 - 1)
    assert engine.true_deviation_pct(rpm, load, ten)[0] == pytest.approx(wanted)
    hungry = replace(engine, extra_need_pct=10.0)
    assert hungry.true_deviation_pct(rpm, load, ten)[0] == pytest.approx(error)


@pytest.mark.parametrize("response", [0.0, -1.0])
def test_a_grid_that_is_not_loaded_or_reversed_acts_so(response: float) -> None:
    engine = replace(draw_engine(rng()), grid_response=response)
    rpm, load = np.array([3000.0]), np.array([60.0])
    five = Grid(engine.car.axes, np.full(engine.car.axes.shape, 5.0))
    bare, got = engine.true_lambda(rpm, load)[0], engine.true_lambda(rpm, load, five)[0]
    assert got == pytest.approx(bare / (1 + response * 0.05))


def test_a_boost_grid_makes_the_engine_leaner() -> None:
    engine = replace(draw_engine(rng(), car=van_car()), acts_on="boost")
    rpm, load = np.array([2200.0]), np.array([44.0])
    five = Grid(engine.car.axes, np.full(engine.car.axes.shape, 5.0))
    ratio = engine.true_lambda(rpm, load, five) / engine.true_lambda(rpm, load)
    assert ratio[0] == pytest.approx(1.05)


@pytest.mark.parametrize("seed", range(5))
def test_largest_error_is_8_to_12_percent_and_the_best_grid_nearly_removes_it(seed: int) -> None:
    engine = draw_engine(rng(seed))
    largest = np.abs(engine.error.at(*engine.operating_points())).max()
    assert 8.0 <= largest <= 12.0
    share, rms = engine.score(engine.best_grid())
    assert share > 99.0
    assert 0.005 < rms < 0.3  # smooth, but not bilinear


def test_best_grid_is_at_least_as_good_as_the_truth_at_the_breakpoints() -> None:
    engine = draw_engine(rng(4))
    axes = engine.car.axes
    typed = Grid(axes, engine.error.at(axes.cell_rpm(), axes.cell_load()).reshape(axes.shape))
    assert engine.score(engine.best_grid())[1] <= engine.score(typed)[1]


@pytest.mark.parametrize("acts_on", ["fuel", "boost"])
def test_best_grid_of_a_floor_lifts_what_is_below_it(acts_on: str) -> None:
    engine = replace(draw_engine(rng(20_202), car=van_car()), acts_on=acts_on)
    before, after = engine.score()[1], engine.score(engine.best_grid())[1]
    assert after < 0.2 * before


def test_diesel_lambda_is_plausible_inside_its_reach() -> None:
    engine = draw_engine(rng(), car=van_car())
    lam = engine.true_lambda(*engine.operating_points())
    assert 1.0 < lam.min() < 1.5
    assert 3.0 < lam.max() < 7.0


# --- sessions -----------------------------------------------------------------------------------


def test_same_seed_same_session_and_another_seed_another() -> None:
    engine = draw_engine(rng())
    pd.testing.assert_frame_equal(short(engine, 5).samples, short(engine, 5).samples)
    assert not short(engine, 5).samples["rpm"].equals(short(engine, 6).samples["rpm"])


def test_default_session_has_about_12000_rows_and_75_holds() -> None:
    session = simulate_session(draw_engine(rng()), rng=rng())
    assert 11_000 < len(session.samples) < 14_000
    assert len(session.holds) == 75
    assert session.holds["start_s"].iloc[0] > 80.0  # warm-up first


@pytest.mark.parametrize("car", [petrol_car(), van_car()], ids=["petrol", "van"])
def test_without_noise_the_end_of_every_hold_shows_the_truth(car: simulate.Car) -> None:
    engine = quiet(draw_engine(rng(), car=car))
    session = short(engine, jitter_s=0.0)
    samples = session.samples
    for hold in session.holds.itertuples():
        last = samples[samples["time_s"] < hold.end_s - 0.05].iloc[-1]
        truth = engine.true_lambda(np.array([hold.rpm]), np.array([hold.load]))[0]
        truth = np.clip(truth, engine.chain.richest, engine.chain.leanest)
        assert last["lambda"] == pytest.approx(truth, rel=1e-3)
        assert last["rpm"] == pytest.approx(hold.rpm, rel=1e-4)


def test_hold_scatter_moves_lambda_by_what_the_truth_table_says() -> None:
    engine = quiet(draw_engine(rng()))
    engine = replace(engine, noise=replace(engine.noise, hold_pct=2.0))
    session = short(engine, jitter_s=0.0)
    for hold in session.holds.itertuples():
        before_end = session.samples["time_s"] < hold.end_s - 0.05
        lam = session.samples.loc[before_end, "lambda"].iloc[-1]
        bare = engine.true_lambda(np.array([hold.rpm]), np.array([hold.load]))[0]
        assert lam == pytest.approx(bare * (1 + hold.scatter_pct / 100), rel=1e-3)


def test_extra_delay_moves_lambda_later_by_that_time() -> None:
    engine = quiet(draw_engine(rng()))
    late = replace(engine, chain=replace(engine.chain, extra_delay_s=0.5))
    options = {"jitter_s": 0.0, "rate_hz": 50.0}
    a, b = short(engine, **options).samples["lambda"], short(late, **options).samples["lambda"]
    np.testing.assert_allclose(a[100:-25], b[125:], atol=1e-9)


def test_fuel_cut_sends_lambda_to_the_lean_stop_with_the_throttle_shut() -> None:
    session = short(draw_engine(rng()), overrun_share=1.0, stab_share=0.0)
    shut = session.samples["throttle_pct"] == 0.0
    assert 0.02 < shut.mean() < 0.4
    settled = shut & shut.shift(10, fill_value=False)
    assert (session.samples.loc[settled, "lambda"] == session.engine.chain.leanest).all()


def test_cold_engine_is_richer_and_never_warm_stays_cold() -> None:
    engine = quiet(draw_engine(rng()))
    cold = short(engine, is_never_warm=True).samples
    assert cold["coolant_temp_c"].max() < 55.0
    assert cold["coolant_volts"].min() > 1.0
    warm = short(engine).samples
    # 12 % x (65 - 50)/45 = 4 % more fuel at 50 degC, so lambda is 1/1.04 of the warm one.
    tail = slice(-200, -60)
    ratio = cold["lambda"].iloc[tail].median() / warm["lambda"].iloc[tail].median()
    assert ratio == pytest.approx(1 / 1.04, rel=0.002)


def test_spikes_take_the_stated_share() -> None:
    engine = quiet(draw_engine(rng()))
    clean, spiked = short(engine).samples, short(engine, spike_share=0.03).samples
    is_spike = (spiked["lambda"] - clean["lambda"]).abs() > 1e-9
    # Binomial, n about 900: 3 % +- 3 x 0.6 %.
    assert is_spike.mean() == pytest.approx(0.03, abs=0.018)


def test_polled_logger_refreshes_one_channel_a_row() -> None:
    samples = short(draw_engine(rng()), is_polled=True).samples.drop(columns=["time_s", "row"])
    changed = (samples.diff().iloc[1:] != 0).sum(axis=1)
    assert changed.max() <= 1
    assert changed.mean() > 0.5


def test_whole_second_stamps_repeat() -> None:
    time_s = short(draw_engine(rng()), stamp_s=1.0).samples["time_s"]
    assert (time_s == time_s.round()).all()
    assert time_s.duplicated().mean() == pytest.approx(0.9, abs=0.01)


def test_slow_logger_and_gaps() -> None:
    time_s = short(draw_engine(rng()), rate_hz=2.0, gaps=2).samples["time_s"]
    steps = np.diff(time_s)
    assert np.median(steps) == pytest.approx(0.5, abs=0.02)
    assert (steps > 2.9).sum() in (1, 2)  # two may overlap
    assert (steps > 0).all()


def test_closed_loop_holds_lambda_at_target_and_its_trims_hold_the_need() -> None:
    engine = quiet(draw_engine(rng(3)))
    points = np.array([[2000.0, 50.0], [3000.0, 60.0], [4000.0, 45.0]])
    session = short(engine, points=points, is_closed_loop=True, overrun_share=0.0, stab_share=0.0)
    samples = session.samples
    for hold in session.holds.itertuples():
        part = samples[samples["time_s"].between(hold.start_s + 4.0, hold.end_s)]
        trims = (1 + part["fuel_trim_short_pct"] / 100) * (1 + part["fuel_trim_long_pct"] / 100)
        assert part["lambda"].mean() == pytest.approx(1.0, abs=0.005)
        # The contract's need: lambda/target x (1 + short) x (1 + long).
        need = 100 * (part["lambda"].mean() * trims.mean() - 1)
        assert need == pytest.approx(hold.deviation_pct, abs=0.4)


def test_sensor_offset_shifts_every_value() -> None:
    engine = quiet(draw_engine(rng()))
    off = replace(engine, chain=replace(engine.chain, offset_pct=5.0))
    a, b = short(engine).samples["lambda"], short(off).samples["lambda"]
    inside = (b < engine.chain.leanest) & (a > engine.chain.richest)
    np.testing.assert_allclose(b[inside] / a[inside], 1.05)


@given(seed=st.integers(0, 10_000), n=st.integers(1, 60))
@settings(max_examples=40, deadline=None)
def test_drawn_points_and_routes_stay_in_reach_and_time_rises(seed: int, n: int) -> None:
    car = petrol_car()
    points = random_points(car, n, rng(seed))
    assert points.shape == (n, 2)
    assert car.is_inside(points[:, 0], points[:, 1]).all()
    route = draw_route(car, SessionPlan(holds=n), rng(seed))
    assert (np.diff(route.knots["time_s"]) > 0).all()
    assert len(route.holds) == n
    assert (route.holds["end_s"] - route.holds["start_s"]).between(8.0, 18.0).all()


# --- log files ----------------------------------------------------------------------------------


def test_log_units_by_hand() -> None:
    session = short(draw_engine(rng()))
    columns = (
        LogColumn("load", "P", "psi"),
        LogColumn("lambda", "A", "AFR"),
        LogColumn("coolant_temp_c", "T", "degF"),
    )
    one = replace(
        session,
        samples=pd.DataFrame({"load": [101.325], "lambda": [0.9], "coolant_temp_c": [100.0]}),
    )
    # One atmosphere is 14.69595 psi; 0.9 x 14.7 = 13.23; water boils at 212 degF.
    assert log_frame(one, columns).iloc[0].tolist() == pytest.approx([14.69595, 13.23, 212.0])


def test_dialect_of_the_van_is_written_as_stated() -> None:
    session = short(draw_engine(rng(), car=van_car()))
    lines = log_text(session, VAN_FIRST).split("\r\n")
    assert lines[0].startswith("Simulated")
    assert lines[1].split(";")[:2] == ["Time", "Engine speed"]
    assert lines[2].split(";")[7] == "°C"
    assert "," in lines[3]
    assert "." not in lines[3]
    assert lines[-1] == ""


def test_a_log_reads_back_to_the_session() -> None:
    session = short(draw_engine(rng()))
    columns = standard_columns(session)
    text = log_text(session, Dialect(columns, units="square", separator="\t"))
    rows = [line.split("\t") for line in text.splitlines()]
    assert rows[0][1] == "Engine speed [rpm]"
    back = np.array(rows[1:], dtype=float)
    for index, column in enumerate(columns):
        wanted = session.samples[column.channel].to_numpy()
        np.testing.assert_allclose(back[:, index], wanted, atol=0.5001 * 10**-column.decimals)


def test_a_missing_channel_is_named() -> None:
    session = without_channels(short(draw_engine(rng())), "lambda")
    with pytest.raises(InputError, match="no channel 'lambda'"):
        log_frame(session, (LogColumn("lambda", "L", "lambda"),))


def test_bundled_sample_logs_are_what_the_program_makes(tmp_path: Path) -> None:
    made = write_sample_logs(tmp_path)
    assert sorted(p.name for p in made) == sorted(p.name for p in BUNDLED.iterdir())
    for path in made:
        assert path.read_bytes() == (BUNDLED / path.name).read_bytes(), path.name
        assert path.stat().st_size < 2_000_000


def test_every_bundled_log_and_setup_says_that_it_is_simulated() -> None:
    for path in BUNDLED.iterdir():
        start = path.read_bytes()[:400].decode("cp1252").lower()
        assert "simulated" in start or "simulated" in path.name, path.name


def test_bundled_setups_fit_their_cars() -> None:
    for name, car in (("petrol", petrol_car()), ("van", van_car())):
        setup = tomllib.loads((BUNDLED / f"{name}-setup.toml").read_text(encoding="utf-8"))
        assert setup["axes"]["rpm"] == car.axes.rpm.tolist()
        np.testing.assert_allclose(setup["target"]["table"], car.target.table, atol=5e-4)
        assert setup["target"]["kind"] == car.target.kind


def test_truth_file_holds_the_deviation_at_the_breakpoints() -> None:
    engine = draw_engine(rng())
    rows = [line.split(",") for line in truth_text(engine).splitlines()]
    assert rows[0][:2] == ["rpm/load", "30"]
    assert rows[6][0] == "3000"
    wanted = engine.true_deviation_pct(np.array([3000.0]), np.array([60.0]))[0]
    assert float(rows[6][4]) == pytest.approx(wanted, abs=0.0051)
    assert rows[1][1:] == [""] * 12  # 800 rpm is out of reach


def test_command_writes_and_refuses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "FOLDER" in capsys.readouterr().err
    assert main([str(tmp_path / "new")]) == 0
    assert capsys.readouterr().out.count("simulated") >= 7


def test_public_names_exist_and_are_sorted() -> None:
    assert simulate.__all__ == sorted(simulate.__all__)
    assert all(hasattr(simulate, name) for name in simulate.__all__)


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder, in which the program is."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--help"], 0, "FOLDER"),
        (["-h"], 0, "FOLDER"),
        (["--version"], 0, "tuneassist "),
        (["--nonsense"], 2, "FOLDER"),
        (["new", "--nonsense"], 2, "--nonsense"),
        (["new", "second"], 2, "second"),
    ],
)
def test_options_of_the_command_never_become_folders(
    words: list[str],
    status: int,
    said: str,
    empty: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(words) == status
    shown = capsys.readouterr()
    assert said in (shown.out if status == 0 else shown.err)
    assert list(empty.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_told_without_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main([str(tmp_path / "file" / "new")]) == 3
    assert "cannot be written" in capsys.readouterr().err
