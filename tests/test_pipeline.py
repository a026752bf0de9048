"""The stages in order: what becomes of every sample, what leaves the fit equal, what is said."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from tuneassist.errors import NoEvidenceError
from tuneassist.grid import Axes, Grid, bilinear_weights
from tuneassist.pipeline import (
    FATES,
    LogEvidence,
    gather,
    no_evidence_words,
    propose_from,
    reduce_log,
)
from tuneassist.settings import Setup, SteadySettings, Target
from tuneassist.simulate import (
    Noise,
    Session,
    SessionPlan,
    TrueEngine,
    draw_engine,
    simulate_session,
    van_car,
    without_channels,
)

QUIET = Noise(
    hold_pct=0.0,
    lambda_pct=0.1,
    rpm_sd=0.0,
    load_share=0.0,
    wander_rpm=0.0,
    wander_share=0.0,
)


@lru_cache
def engine(seed: int = 7) -> TrueEngine:
    return draw_engine(np.random.default_rng(seed))


def setup_of(car_engine: TrueEngine, **steady: float) -> Setup:
    car = car_engine.car
    return Setup(axes=car.axes, target=car.target, steady=SteadySettings(**steady))


SETUP = setup_of(engine())
ZEROS = Grid.zeros(SETUP.axes)


def drive(seed: int = 1, of: TrueEngine | None = None, **plan: object) -> Session:
    base = SessionPlan(holds=30, warm_up_s=0.0, gaps=1)
    used = replace(base, **plan)  # type: ignore[arg-type]
    return simulate_session(of or engine(), used, rng=np.random.default_rng(seed))


@lru_cache
def log(seed: int = 1, name: str = "") -> LogEvidence:
    return reduce_log(drive(seed).samples, name=name or f"log {seed}", setup=SETUP)


def assert_same_cells(one: pd.DataFrame, other: pd.DataFrame, atol: float = 2e-3) -> None:
    for name in ("deviation_pct", "ci_low_pct", "ci_high_pct"):
        np.testing.assert_allclose(one[name], other[name], atol=atol)
    assert one["confidence"].tolist() == other["confidence"].tolist()
    assert one["holds"].tolist() == other["holds"].tolist()


# --- fates --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "plan",
    [
        {"warm_up_s": 60.0},
        {"is_never_warm": True},
        {"spike_share": 0.03},
        {"is_polled": True},
        {"rate_hz": 2.0},
        {"is_closed_loop": True},
        {"gaps": 5},
        {"holds": 1},
    ],
)
def test_the_fates_add_up_to_the_samples(plan: dict[str, object]) -> None:
    samples = drive(3, **{"holds": 12, **plan}).samples
    samples.loc[50:60, "rpm"] = np.nan
    samples.loc[100:110, "lambda"] = np.nan
    found = reduce_log(samples, name="x", setup=SETUP)
    assert tuple(found.fates.index) == FATES
    assert int(found.fates.sum()) == found.samples <= len(samples)
    assert (found.fates >= 0).all()
    values = found.holds[found.holds["stop"] == ""]
    assert found.fates["used"] == values["samples"].sum()


def test_each_filter_takes_what_is_its_own() -> None:
    samples = drive(3, warm_up_s=60.0, overrun_share=0.3, spike_share=0.02).samples
    samples.loc[2000:2019, "load"] = np.nan
    samples.loc[2100:2119, "load"] = 400.0  # the table ends at 180 and half a cell of 20
    table = np.array(SETUP.target.table)
    table[:3, :3] = np.nan
    found = reduce_log(samples, name="x", setup=replace(SETUP, target=Target(table)))
    cold = int((samples["coolant_temp_c"] < 70).sum())
    assert found.fates["no value"] == 20  # two seconds are not bridged
    assert found.fates["engine cold"] == pytest.approx(cold, abs=3)
    for name in ("fuel cut", "outside the table", "no target there", "moving", "settling", "spike"):
        assert found.fates[name] > 0, name


@pytest.mark.parametrize("seed", [1, 2])
def test_lambda_that_comes_a_second_late_costs_no_settling(seed: int) -> None:
    # Aligned, what is left after a move is the sensor and the film; left as logged, the settling
    # of the same logs comes out at 1.5 s.
    late = replace(engine(), chain=replace(engine().chain, extra_delay_s=1.0))
    found = reduce_log(drive(seed, of=late, holds=40).samples, name="x", setup=SETUP)
    assert found.delay.delay_s == pytest.approx(1.1, abs=0.15)
    assert found.settling.settle_s < 1.1


def test_the_samples_given_are_not_changed() -> None:
    samples = drive(3, holds=8).samples
    before = samples.copy()
    reduce_log(samples, name="x", setup=SETUP)
    pd.testing.assert_frame_equal(samples, before)


# --- what leaves the fit equal ------------------------------------------------------------------


def test_the_order_of_the_logs_does_not_matter() -> None:
    logs = [log(1), log(2), log(3)]
    one = gather(logs, setup=SETUP, current=ZEROS)
    for order in ((2, 0, 1), (1, 0, 2)):
        other = gather([logs[k] for k in order], setup=SETUP, current=ZEROS)
        assert_same_cells(one.cells, other.cells)
        pd.testing.assert_series_equal(one.fates, other.fates)


def test_two_logs_of_the_same_name_stay_two_logs() -> None:
    apart = gather([log(1), log(2)], setup=SETUP, current=ZEROS)
    alike = gather([log(1, "run"), log(2, "run")], setup=SETUP, current=ZEROS)
    assert_same_cells(apart.cells, alike.cells, atol=1e-9)


def test_the_unit_of_the_load_axis_does_not_matter() -> None:
    samples = drive(1).samples
    psi = 6.894757293168361  # kPa, exact by definition of inch and pound
    axes = SETUP.axes
    scaled = replace(
        SETUP,
        axes=Axes(axes.rpm, axes.load / psi, load_name="boost", load_unit="psi absolute"),
    )
    other = reduce_log(samples.assign(load=samples["load"] / psi), name="log 1", setup=scaled)
    pd.testing.assert_series_equal(other.fates, log(1).fates)
    one = gather([log(1)], setup=SETUP, current=ZEROS).cells
    two = gather([other], setup=scaled, current=Grid.zeros(scaled.axes)).cells
    assert_same_cells(one, two)


def test_shifting_the_clock_does_not_matter() -> None:
    # by whole powers of two, so that differences of times stay what they were
    samples = drive(1).samples
    samples["time_s"] = np.round(samples["time_s"] * 256) / 256
    found = [
        reduce_log(samples.assign(time_s=samples["time_s"] + shift), name="x", setup=SETUP)
        for shift in (0.0, 4096.0)
    ]
    pd.testing.assert_series_equal(found[0].fates, found[1].fates)
    cells = [gather([one], setup=SETUP, current=ZEROS).cells for one in found]
    assert_same_cells(*cells, atol=1e-4)


def test_a_grid_in_force_is_seen_through() -> None:
    # The same engine logged with a grid loaded: the deviation left is what that grid left.
    axes = SETUP.axes
    values = np.full(axes.shape, 4.0)
    values[:, 6:] = -3.0
    loaded = Grid(axes, values)
    session = simulate_session(
        engine(),
        SessionPlan(holds=60, warm_up_s=0.0),
        grid=loaded,
        rng=np.random.default_rng(5),
    )
    found = gather(
        [reduce_log(session.samples, name="x", setup=SETUP)], setup=SETUP, current=loaded
    ).cells
    known = found["confidence"].isin(["good", "fair"]).to_numpy()
    assert known.sum() > 60
    truth = engine().true_deviation_pct(axes.cell_rpm(), axes.cell_load(), loaded)
    gap = (found["deviation_pct"].to_numpy() - truth)[known]
    assert np.sqrt(np.mean(gap**2)) < 1.0
    # taken for a zero grid, the step between 4 and -3 % would be smeared over its neighbours


def test_a_blank_cell_in_the_grid_in_force_does_not_undo_its_neighbours() -> None:
    values = np.full(SETUP.axes.shape, 10.0)
    values[0, 0] = np.nan
    full = np.where(np.isnan(values), 0.0, values)
    one = gather([log(1)], setup=SETUP, current=Grid(SETUP.axes, values))
    two = gather([log(1)], setup=SETUP, current=Grid(SETUP.axes, full))
    assert_same_cells(one.cells, two.cells, atol=1e-9)


# --- truth --------------------------------------------------------------------------------------


def test_holds_almost_without_noise_give_the_truth() -> None:
    quiet = replace(engine(), noise=QUIET, wetting=0.0)
    rpm, load = np.meshgrid(np.linspace(1000, 6300, 14), np.linspace(34, 150, 12))
    points = np.column_stack([rpm.ravel(), load.ravel()])
    points = points[quiet.car.is_inside(points[:, 0], points[:, 1])]
    session = drive(of=quiet, points=points, stab_share=0.0, overrun_share=0.0, hold_s=(7.0, 7.0))
    found = reduce_log(session.samples, name="x", setup=SETUP)
    truth = session.holds
    assert len(found.holds) == pytest.approx(len(truth), abs=3)
    error = quiet.true_deviation_pct(found.holds["rpm"].to_numpy(), found.holds["load"].to_numpy())
    np.testing.assert_allclose(100 * np.expm1(found.holds["need_ln"]), error, atol=0.25)
    evidence = gather([found], setup=SETUP, current=ZEROS)
    known = evidence.cells["confidence"].eq("good").to_numpy()
    assert known.sum() > 70
    assert evidence.fit is not None
    fitted = 100 * np.expm1(bilinear_weights(SETUP.axes, *points.T) @ evidence.fit.theta)
    gap = fitted - quiet.true_deviation_pct(*points.T)
    assert np.sqrt(np.mean(gap**2)) < 0.25  # what a bilinear table cannot follow is left


def test_a_van_against_a_floor_needs_nothing_where_it_is_lean() -> None:
    van = draw_engine(np.random.default_rng(4), car=van_car())
    setup = setup_of(van)
    session = drive(1, of=van, holds=50)
    cells = gather(
        [reduce_log(session.samples, name="van", setup=setup)],
        setup=setup,
        current=Grid.zeros(setup.axes),
    ).cells
    known = cells["confidence"].ne("none").to_numpy()
    truth = van.true_deviation_pct(cells["rpm"].to_numpy(), cells["load"].to_numpy())
    gap = cells["deviation_pct"].to_numpy() - truth
    rich = known & (truth < 15)
    assert rich.sum() > 8
    assert np.sqrt(np.mean(gap[rich] ** 2)) < 3.0


# --- closed loop --------------------------------------------------------------------------------


def test_closed_loop_with_trims_agrees_with_open_loop_on_the_need() -> None:
    axes = SETUP.axes
    found = []
    for is_closed in (False, True):
        session = drive(11, holds=75, is_closed_loop=is_closed, closed_loop_above=0.0)
        one = reduce_log(session.samples, name="x", setup=SETUP)
        found.append(gather([one], setup=SETUP, current=ZEROS).cells)
    both = np.logical_and(*(f["confidence"].isin(["good", "fair"]).to_numpy() for f in found))
    assert both.sum() > 70
    gap = (found[0]["deviation_pct"] - found[1]["deviation_pct"]).to_numpy()[both]
    assert np.sqrt(np.mean(gap**2)) < 0.5
    truth = engine().true_deviation_pct(axes.cell_rpm(), axes.cell_load())[both]
    assert np.std(truth) > 2.0  # had the trims been left out, the need would be nought everywhere
    assert np.corrcoef(found[1]["deviation_pct"][both], truth)[0, 1] > 0.95


def test_without_lambda_the_need_is_read_from_the_trims_and_said() -> None:
    session = drive(11, holds=60, is_closed_loop=True, closed_loop_above=0.0)
    bare = without_channels(session, "lambda").samples
    one = reduce_log(bare, name="x", setup=SETUP)
    evidence = gather([one], setup=SETUP, current=ZEROS)
    assert "no lambda channel: the need is read from the fuel trims alone" in evidence.notes
    assert one.delay.source == "default"
    assert one.stops == (0.0, np.inf)
    known = evidence.cells["confidence"].isin(["good", "fair"]).to_numpy()
    assert known.sum() > 50
    truth = engine().true_deviation_pct(SETUP.axes.cell_rpm(), SETUP.axes.cell_load())
    gap = (evidence.cells["deviation_pct"].to_numpy() - truth)[known]
    assert np.sqrt(np.mean(gap**2)) < 1.2


# --- what is said -------------------------------------------------------------------------------


def test_an_engine_that_was_never_warm_gives_no_proposal_and_the_message_says_so() -> None:
    cold = reduce_log(drive(1, is_never_warm=True).samples, name="cold", setup=SETUP)
    assert cold.holds.empty
    with pytest.raises(NoEvidenceError, match=r"Taken by: engine cold 100 %") as error:
        propose_from([cold], setup=SETUP, current=ZEROS)
    assert error.value.exit_status == 4
    assert f"in {cold.samples} samples" in str(error.value)


def test_the_message_names_the_filters_by_their_share() -> None:
    fates = pd.Series(0, index=list(FATES))
    fates[["moving", "fuel cut", "used"]] = [60, 30, 10]
    words = no_evidence_words(fates)
    assert "Taken by: moving 60 %, fuel cut 30 %." in words
    assert "used" not in words.split("Taken by")[1]
    assert "no samples" in no_evidence_words(pd.Series(0, index=list(FATES)))


def test_a_cold_log_beside_a_warm_one_does_no_harm() -> None:
    cold = reduce_log(drive(1, is_never_warm=True).samples, name="cold", setup=SETUP)
    alone = gather([log(2)], setup=SETUP, current=ZEROS)
    both = gather([cold, log(2)], setup=SETUP, current=ZEROS)
    assert_same_cells(alone.cells, both.cells, atol=1e-9)
    assert both.fates["engine cold"] == cold.samples


def test_without_a_coolant_channel_it_is_said_that_nothing_shows_warmth() -> None:
    samples = drive(1, holds=8).samples.drop(columns=["coolant_temp_c", "coolant_volts"])
    found = reduce_log(samples, name="x", setup=SETUP)
    assert any("nothing shows that the engine was warm" in note for note in found.notes)
    late = (samples["time_s"] < samples["time_s"].iloc[0] + SETUP.steady.unproven_warm_s).sum()
    assert found.fates["engine cold"] == late > 0


def test_an_odd_log_is_set_aside_with_its_reason() -> None:
    wrong = replace(engine(), chain=replace(engine().chain, offset_pct=6.0))
    odd = reduce_log(drive(9, of=wrong).samples, name="borrowed sensor", setup=SETUP)
    good = [log(1), log(2), log(3)]
    with_odd = gather([*good[:2], odd, good[2]], setup=SETUP, current=ZEROS)
    assert list(with_odd.set_aside) == ["borrowed sensor"]
    assert "% off what the others say" in with_odd.set_aside["borrowed sensor"]
    assert any("log borrowed sensor was set aside" in note for note in with_odd.notes)
    assert_same_cells(with_odd.cells, gather(good, setup=SETUP, current=ZEROS).cells)
    from_odd = with_odd.holds["log"].eq("borrowed sensor")
    assert not with_odd.holds.loc[from_odd, "is_used"].any()
    assert with_odd.holds.loc[from_odd, "weight"].eq(0).all()


def test_agreeing_logs_are_all_used() -> None:
    found = gather([log(1), log(2), log(3)], setup=SETUP, current=ZEROS)
    assert found.set_aside == {}
    assert found.holds.loc[found.holds["stop"].eq(""), "is_used"].all()


def test_one_speed_and_load_only_is_no_surface_and_that_is_said() -> None:
    points = np.tile([[3000.0, 95.0]], (12, 1))
    samples = drive(2, points=points, overrun_share=0.0, rest_share=0.0).samples
    samples = samples[samples["load"] > 80.0].reset_index(drop=True)  # without the idle at the ends
    evidence = gather([reduce_log(samples, name="x", setup=SETUP)], setup=SETUP, current=ZEROS)
    assert any(note.startswith("the holds show no pattern") for note in evidence.notes)
    reached = evidence.cells["confidence"].ne("none").to_numpy()
    assert 1 <= reached.sum() <= 4  # the cells around the point, and no other


def test_holds_all_at_one_load_are_found() -> None:
    points = np.column_stack([np.linspace(2300, 5600, 12), np.full(12, 100.0)])
    samples = drive(2, points=points, stab_share=0.0, overrun_share=0.0).samples
    whole = reduce_log(samples, name="x", setup=SETUP)
    # only the sweep itself, without the way there from idle
    level = samples[samples["load"] > 94.0].reset_index(drop=True)
    found = reduce_log(level, name="x", setup=SETUP)
    assert len(found.holds) >= 0.9 * len(whole.holds) >= 10


def test_a_sensor_held_at_its_lean_stop_bounds_the_cells_and_proposes_no_size() -> None:
    lean = replace(engine(), extra_need_pct=60.0)
    found = reduce_log(drive(1, of=lean).samples, name="x", setup=SETUP)
    assert found.stops[1] == pytest.approx(1.36)
    stopped = found.holds[found.holds["stop"] == "lean"]
    assert len(stopped) > 5
    cells = gather([found], setup=SETUP, current=ZEROS).cells
    bounded = cells["evidence"].str.contains("lean stop")
    assert bounded.any()
    assert cells.loc[bounded, "deviation_pct"].isna().all()
    assert (cells.loc[bounded, "ci_low_pct"] > 15).all()


def test_a_lambda_of_zero_is_no_value_and_no_warning() -> None:
    samples = drive(1, holds=12).samples
    samples.loc[300:320, "lambda"] = 0.0
    found = reduce_log(samples, name="x", setup=SETUP)
    assert len(found.holds) >= 10


@pytest.mark.parametrize("blank", ["lambda", "load", "rpm"])
def test_a_channel_without_a_value_leaves_nothing_and_the_filter_is_named(blank: str) -> None:
    samples = drive(1, holds=4).samples.assign(**{blank: np.nan})
    with pytest.raises(NoEvidenceError, match="no lambda" if blank == "lambda" else "no value 100"):
        propose_from([reduce_log(samples, name="x", setup=SETUP)], setup=SETUP, current=ZEROS)


@pytest.mark.parametrize("rows", [1, 2, 5, 49, 60])
def test_a_log_of_few_rows_is_no_crash(rows: int) -> None:
    found = reduce_log(drive(1, holds=2).samples.head(rows), name="x", setup=SETUP)
    assert found.samples == rows
    assert int(found.fates.sum()) == rows
