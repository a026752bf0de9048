"""What a log says beside its mixture: knock, the second bank, other fuels, warmth, the reference.

All logs are simulated on an engine whose truth is known: its map is 6 % rich in boost, so that an
honest log makes boost leaner, and each test asks what something else in the log changes about it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tuneassist.channels import KNOCK
from tuneassist.errors import LogError, NoEvidenceError
from tuneassist.evidence.knock import knock_sign, shows_knock
from tuneassist.evidence.pressure_reference import PressureReferenceCheck
from tuneassist.evidence.side_channels import (
    EXCLUDED_BY,
    KNOCK_SAMPLES,
    MIXED_SAMPLES,
    PRESSURE_FALL,
    SideChannels,
)
from tuneassist.files.round_evidence import StoredEvidence, evidence_contents, read_evidence
from tuneassist.files.setup_file import read_setup
from tuneassist.grid import Floats, Grid
from tuneassist.loop.response import Response
from tuneassist.pipeline import LogEvidence, Proposal, gather, propose_from
from tuneassist.reading import read_log
from tuneassist.reduction import reduce_log, reduce_parts
from tuneassist.settings import Ceiling, CorrectionSettings, EngineSettings, Setup
from tuneassist.simulate import SessionPlan, TrueEngine, draw_engine, simulate_session, van_car
from tuneassist.simulate.logs import log_frame, standard_columns
from tuneassist.simulate.sample_logs import setup_text

BOOST_KPA = 105.0
RICH_PCT = 6.0


@dataclass(frozen=True)
class RichInBoost:
    """Fuelling error of the simulated engine, + is leaner than commanded. [%]"""

    def at(self, rpm: Floats, load: Floats) -> Floats:
        ripple = 1.5 * np.sin(np.asarray(rpm) / 900.0)
        return np.asarray(ripple - RICH_PCT / (1.0 + np.exp(-(np.asarray(load) - BOOST_KPA) / 4.0)))


@lru_cache
def engine(acts_on: str = "fuel") -> TrueEngine:
    drawn = draw_engine(np.random.default_rng(5))
    return replace(drawn, error=RichInBoost(), acts_on=acts_on)


def setup_of(acts_on: str = "fuel", ignition: str = "spark", **engine_keys: Any) -> Setup:
    car = engine().car
    return Setup(
        axes=car.axes,
        target=car.target,
        engine=EngineSettings(ignition=ignition, **engine_keys),  # type: ignore[arg-type]
        correction=CorrectionSettings(acts_on=acts_on),  # type: ignore[arg-type]
    )


SETUP = setup_of()
AXES = SETUP.axes
ZEROS = Grid.zeros(AXES)


@lru_cache
def drive(acts_on: str = "fuel", seed: int = 1, **plan: Any) -> pd.DataFrame:
    made = replace(SessionPlan(holds=40, warm_up_s=0.0), **plan)
    return simulate_session(engine(acts_on), made, rng=np.random.default_rng(seed)).samples


def proposed(samples: pd.DataFrame, setup: Setup = SETUP) -> Proposal:
    found = reduce_log(samples, name="simulated", setup=setup)
    return propose_from([found], setup=setup, current=ZEROS)


@lru_cache
def honest() -> Proposal:
    """What the log says with nothing else in it, worked out once for all that compare with it."""
    return proposed(drive())


def step(proposal: Proposal) -> Floats:
    return proposal.cells["step_pct"].fillna(0.0).to_numpy(dtype=float)


def nearest(samples: pd.DataFrame) -> np.ndarray:
    """Cell of every sample, worked out on its own."""
    row = np.abs(samples["rpm"].to_numpy()[:, None] - AXES.rpm).argmin(axis=1)
    column = np.abs(samples["load"].to_numpy()[:, None] - AXES.load).argmin(axis=1)
    return np.asarray(row * len(AXES.load) + column)


def with_neighbours(cells: np.ndarray) -> np.ndarray:
    marked = np.zeros(AXES.size, dtype=bool)
    marked[cells] = True
    padded, (rows, columns) = np.pad(marked.reshape(AXES.shape), 1), AXES.shape
    around = [padded[i : i + rows, j : j + columns] for i in range(3) for j in range(3)]
    return np.asarray(np.any(around, axis=0).ravel())


def in_boost() -> np.ndarray:
    return np.asarray(AXES.cell_load() > BOOST_KPA)


def notes_of(proposal: Proposal) -> str:
    return " ".join(proposal.evidence.notes)


def test_the_honest_log_makes_boost_leaner_and_gives_more_air_with_the_boost_grid() -> None:
    assert step(honest())[in_boost()].min() < -1.0
    lean = drive("boost")["lambda"] * 0.9  # rich, so that more air is wanted
    more = step(proposed(drive("boost").assign(**{"lambda": lean}), free_boost()))
    assert more[in_boost()].max() > 0.5


def free_boost() -> Setup:
    """A boost grid that may raise boost, since its ceiling is set and watched."""
    made = setup_of("boost")
    known = replace(made.correction, known_offset_pct=-10.0)
    limits = replace(made.limits, ceilings={"boost": Ceiling(200.0)})
    return replace(made, correction=known, limits=limits)


# --- knock ----------------------------------------------------------------------------------------


def knocking(samples: pd.DataFrame, share: float = 0.3) -> np.ndarray:
    rng = np.random.default_rng(3)
    is_boost = samples["load"].to_numpy() > 150.0
    return np.asarray(is_boost & (rng.uniform(size=len(samples)) < share))


def count(samples: pd.DataFrame, at: np.ndarray) -> Floats:
    return np.where(at, 2.0, 0.0)


def counter(samples: pd.DataFrame, at: np.ndarray) -> Floats:
    return np.asarray(1500.0 + np.cumsum(at))


def retard(samples: pd.DataFrame, at: np.ndarray) -> Floats:
    return np.where(at, 3.0, 0.0)


def negative_retard(samples: pd.DataFrame, at: np.ndarray) -> Floats:
    return np.where(at, -2.5, 0.0)


def volts(samples: pd.DataFrame, at: np.ndarray) -> Floats:
    rng = np.random.default_rng(4)
    noise = 0.3 + 0.4 * samples["rpm"].to_numpy() / 6500.0
    return np.asarray(noise + rng.normal(0.0, 0.03, len(at)) + np.where(at, 1.0, 0.0))


WAYS = (count, counter, retard, negative_retard, volts)


@pytest.mark.parametrize("way", WAYS)
def test_logged_knock_bars_leaning_there_and_next_door_and_nowhere_else(
    way: Callable[[pd.DataFrame, np.ndarray], Floats],
) -> None:
    samples = drive()
    at = knocking(samples)
    found = proposed(samples.assign(knock=way(samples, at)))
    near = with_neighbours(nearest(samples)[at])
    texts = found.cells["unsafe_step_barred"].to_numpy()
    assert np.array_equal(texts != "", near)
    assert step(found)[near].min() >= 0.0
    assert (step(honest())[near] < -1.0).any()
    assert (step(found)[~near] < -0.5).any()
    assert "knock was logged in" in notes_of(found)


@pytest.mark.parametrize("way", [count, negative_retard])
def test_logged_knock_bars_more_air(way: Callable[[pd.DataFrame, np.ndarray], Floats]) -> None:
    samples = drive("boost")
    samples = samples.assign(**{"lambda": samples["lambda"] * 0.9})
    at = knocking(samples)
    found = proposed(samples.assign(knock=way(samples, at)), free_boost())
    near = with_neighbours(nearest(samples)[at])
    assert step(proposed(samples, free_boost()))[near].max() > 0.5
    assert step(found)[near].max() <= 0.0
    assert "given more air" in notes_of(found)


def test_one_sample_of_knock_is_enough() -> None:
    samples = drive()
    at = np.zeros(len(samples), dtype=bool)
    at[int(np.argmax(samples["load"]))] = True
    found = proposed(samples.assign(knock=negative_retard(samples, at)))
    assert found.cells[KNOCK_SAMPLES].sum() == 1
    near = with_neighbours(nearest(samples)[at])
    assert np.array_equal(found.cells["unsafe_step_barred"].ne("").to_numpy(), near)


@pytest.mark.parametrize("way", WAYS)
def test_a_silent_knock_channel_changes_nothing(
    way: Callable[[pd.DataFrame, np.ndarray], Floats],
) -> None:
    samples = drive()
    silent = way(samples, np.zeros(len(samples), dtype=bool))
    found = proposed(samples.assign(knock=silent))
    pd.testing.assert_frame_equal(found.cells, honest().cells)
    assert found.evidence.notes == honest().evidence.notes


@settings(max_examples=40)
@given(
    rest=st.sampled_from([0.0, 1523.0, -4.0]),
    size=st.sampled_from([-3.0, -1.0, 1.0, 2.5]),
    share=st.floats(0.001, 0.45),
    seed=st.integers(0, 99),
)
def test_an_event_channel_shows_knock_where_it_leaves_its_rest(
    rest: float, size: float, share: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    at = rng.uniform(size=2000) < share
    values = np.where(at, rest + size, rest)
    rpm = np.full(2000, 3000.0)
    assert np.array_equal(shows_knock(knock_sign(values, rpm, AXES.rpm), values, rpm), at)


def test_retard_in_most_samples_is_still_knock() -> None:
    at = np.arange(1000) % 10 < 7
    values, rpm = np.where(at, -2.0, 0.0), np.full(1000, 3000.0)
    assert np.array_equal(shows_knock(knock_sign(values, rpm, AXES.rpm), values, rpm), at)


def test_a_level_that_grows_with_speed_is_no_knock_and_a_blank_neither() -> None:
    rng = np.random.default_rng(0)
    rpm = rng.uniform(1000.0, 6500.0, 20_000)
    level = 1.0 + rpm / 1000.0 + rng.normal(0.0, 0.1 + rpm / 20_000.0)
    level[::7] = np.nan
    sign = knock_sign(level, rpm, AXES.rpm)
    assert sign.kind == "level"
    assert not shows_knock(sign, level, rpm).any()
    level[5] = 1.0 + rpm[5] / 1000.0 + 4.0
    assert np.flatnonzero(shows_knock(sign, level, rpm)).tolist() == [5]


def test_a_counter_tells_its_rise_across_the_cut_between_parts() -> None:
    values, rpm = np.repeat(np.arange(5.0), 20), np.full(100, 3000.0)
    sign = knock_sign(values, rpm, AXES.rpm)
    assert sign.kind == "counter"
    whole = shows_knock(sign, values, rpm)
    second = shows_knock(sign, values[60:], rpm[60:], before=float(values[59]))
    assert np.flatnonzero(whole).tolist() == [20, 40, 60, 80]
    assert np.flatnonzero(second).tolist() == [0, 20]


def test_knock_of_an_earlier_round_still_bars(tmp_path: Path) -> None:
    samples = drive()
    first = reduce_log(
        samples.assign(knock=count(samples, knocking(samples))), name="one", setup=SETUP
    )
    second = reduce_log(drive(seed=2), name="two", setup=SETUP)
    stored = StoredEvidence("m1", (first, second), {}, Response("first round", "why"), {}, ZEROS)
    for name, text in evidence_contents(stored, AXES).items():
        (tmp_path / name).write_text(text, encoding="utf-8", newline="")
    kept = list(read_evidence(tmp_path, AXES).logs)
    barred = gather(kept, setup=SETUP, current=ZEROS).cells["unsafe_step_barred"]
    living = gather([first, second], setup=SETUP, current=ZEROS).cells["unsafe_step_barred"]
    assert barred.ne("").any()
    assert barred.tolist() == living.tolist()


def test_a_diesels_clatter_bars_nothing() -> None:
    samples = drive()
    cells = proposed(
        samples.assign(knock=count(samples, knocking(samples))), setup_of(ignition="compression")
    ).cells
    assert not cells["unsafe_step_barred"].str.contains("knock").any()


def light(samples: pd.DataFrame) -> np.ndarray:
    """Samples at so light a load, for two seconds and more, that no engine knocks."""
    is_light = samples["load"] < 48.0
    return np.asarray(is_light.rolling(20, min_periods=20).min().fillna(0.0) > 0)


def noisy(samples: pd.DataFrame) -> np.ndarray:
    return light(samples) & (np.random.default_rng(7).uniform(size=len(samples)) < 0.2)


@pytest.mark.parametrize("way", WAYS)
def test_valves_heard_at_idle_and_on_the_overrun_are_no_knock(
    way: Callable[[pd.DataFrame, np.ndarray], Floats],
) -> None:
    samples = drive()
    at = noisy(samples)
    assert at.sum() > 50
    heard = samples.assign(knock=way(samples, at))
    found = proposed(heard)
    np.testing.assert_array_equal(step(found), step(honest()))
    assert f"{at.sum()} knock readings at a load below 50 kPa" in notes_of(found)
    everywhere = replace(SETUP, limits=replace(SETUP.limits, knock_above_kpa=0.0))
    found = proposed(heard, everywhere)
    texts = found.cells["unsafe_step_barred"].to_numpy()
    assert np.array_equal(texts != "", with_neighbours(nearest(samples)[at]))


def test_knock_that_a_logger_tells_late_is_heard_when_the_load_is_off_again() -> None:
    time_s = np.arange(0.0, 4.0, 0.1)
    load = np.where(time_s < 2.0, 170.0, 35.0)
    line = pd.DataFrame({"time_s": time_s, "rpm": 4000.0, "load": load, "lambda": 0.9})
    for late_s, heard in ((0.5, 1), (1.5, 0)):
        logged = line.assign(knock=np.where(np.isclose(time_s, 2.0 + late_s), 1.0, 0.0))
        for cut_at in (len(line), 21, 24):  # in one part, and in two
            watch = SideChannels(logged, SETUP)
            for part in (logged.iloc[:cut_at], logged.iloc[cut_at:]):
                watch.add(part)
            found = watch.onto(pd.DataFrame(index=range(AXES.size)))
            count_of = found[KNOCK_SAMPLES].sum() if KNOCK_SAMPLES in found else 0
            assert count_of == heard
            assert bool(watch.notes()) == (not heard)


def test_where_no_pressure_is_known_all_knock_is_heard_but_below_the_load_that_is_named() -> None:
    axes = replace(AXES, load_name="air", load_unit="mg/stroke")
    samples = drive().drop(columns="manifold_pressure_kpa", errors="ignore")
    at = noisy(samples)
    line = samples.assign(knock=count(samples, at))

    def heard(setup: Setup, frame: pd.DataFrame) -> int:
        watch = SideChannels(frame, setup)
        watch.add(frame)
        found = watch.onto(pd.DataFrame(index=range(AXES.size)))
        return int(found[KNOCK_SAMPLES].sum()) if KNOCK_SAMPLES in found else 0

    setup = replace(SETUP, axes=axes)
    assert heard(setup, line) == at.sum()
    named = replace(setup, limits=replace(setup.limits, knock_above_load=50.0))
    assert heard(named, line) == 0
    assert heard(setup, line.assign(manifold_pressure_kpa=samples["load"])) == 0


def test_every_knock_column_is_heard(tmp_path: Path) -> None:
    samples = drive()
    at = knocking(samples)
    quiet = np.zeros(len(samples))
    columns = {"Knock cyl 1": quiet, "Knock cyl 2": quiet, "Knock cyl 3": count(samples, at),
               "Knock retard": quiet}  # fmt: skip
    log, setup = written(tmp_path, samples, columns)
    car = read_setup(setup)
    found = read_log(log, setup=car).samples
    assert found[["knock", "knock_2", "knock_4"]].eq(0).all(axis=None)
    np.testing.assert_array_equal(found["knock_3"], columns["Knock cyl 3"])
    cells = proposed(found, car).cells
    assert np.array_equal(
        cells["unsafe_step_barred"].ne("").to_numpy(), with_neighbours(nearest(samples)[at])
    )
    log, setup = written(tmp_path, samples, columns, "knock_3 = false\n")
    assert "knock_3" not in read_log(log, setup=read_setup(setup)).samples
    log, setup = written(tmp_path, samples, columns, "knock = false\n")
    assert not set(read_log(log, setup=read_setup(setup)).samples) & set(KNOCK)
    many = {f"Knock cyl {k}": quiet for k in range(1, 14)}
    log, setup = written(tmp_path, samples, many)
    with pytest.raises(LogError, match="13 columns could be knock, and at most 12 are read"):
        read_log(log, setup=read_setup(setup))


# --- the second bank ------------------------------------------------------------------------------


def test_the_leaner_bank_counts_on_a_spark_engine() -> None:
    samples = drive()
    rng = np.random.default_rng(8)
    other = samples["lambda"] * 1.12 * (1.0 + rng.normal(0.0, 0.004, len(samples)))
    both = proposed(samples.assign(lambda_second=other))
    alone = proposed(samples.assign(**{"lambda": samples["lambda"] * 1.12}))
    known = both.cells["holds"] > 0
    apart = (both.cells["deviation_pct"] - alone.cells["deviation_pct"])[known]
    assert abs(float(apart.mean())) < 0.15  # of 12 %
    assert float(apart.abs().max()) < 1.0
    assert step(both)[in_boost()].min() >= 0.0
    assert "differs by more than 2 %" in notes_of(both)
    assert "leaner bank was used" in notes_of(both)
    assert "lambda_second = false under [channels]" in notes_of(both)


def test_a_richer_second_bank_changes_nothing_on_a_spark_engine() -> None:
    samples = drive()
    found = proposed(samples.assign(lambda_second=samples["lambda"] * 0.9))
    pd.testing.assert_frame_equal(found.cells, honest().cells)


def test_the_richer_bank_counts_on_a_compression_engine() -> None:
    car_engine = draw_engine(np.random.default_rng(3), car=van_car())
    car = car_engine.car
    setup = Setup(axes=car.axes, target=car.target, engine=EngineSettings(ignition="compression"))
    samples = simulate_session(
        car_engine, SessionPlan(holds=10, warm_up_s=0.0), rng=np.random.default_rng(1)
    ).samples
    for factor, moved in ((0.9, 0.9), (1.1, 1.0)):
        twin = samples.assign(lambda_second=samples["lambda"] * factor)
        seen = SideChannels(twin, setup).add(twin)["lambda"]
        np.testing.assert_allclose(seen, samples["lambda"] * moved, rtol=1e-9)


def test_noise_of_two_banks_that_agree_leans_to_no_side() -> None:
    samples = drive()
    rng = np.random.default_rng(9)
    other = samples["lambda"] * (1.0 + rng.normal(0.0, 0.01, len(samples)))
    both, alone = proposed(samples.assign(lambda_second=other)), honest()
    known = both.cells["holds"] > 0
    moved = (both.cells["deviation_pct"] - alone.cells["deviation_pct"])[known]
    assert abs(float(moved.mean())) < 0.1  # the larger of two such readings would be +0.56 %
    assert "banks" not in notes_of(both)


def test_a_polled_logger_does_not_seem_to_renew_lambda_with_the_second_bank() -> None:
    samples = drive(is_polled=True)
    rng = np.random.default_rng(2)
    other = samples["lambda"] * 1.1 * (1.0 + rng.normal(0.0, 0.003, len(samples)))
    both = reduce_log(samples.assign(lambda_second=other), name="x", setup=SETUP)
    alone = reduce_log(samples, name="x", setup=SETUP)
    assert both.refresh == alone.refresh
    assert both.refresh.rows["lambda"] > 1


def test_a_dead_second_bank_is_left_unread_and_named() -> None:
    samples = drive()
    found = proposed(samples.assign(lambda_second=1.36))
    np.testing.assert_array_equal(step(found), step(honest()))
    assert "second bank never changes" in notes_of(found)


def written(
    folder: Path, samples: pd.DataFrame, extra: dict[str, Any], channels: str = ""
) -> tuple[Path, Path]:
    """A log with further columns as a logger writes it, and its setup."""
    session = simulate_session(engine(), SessionPlan(holds=2), rng=np.random.default_rng(0))
    columns = standard_columns(replace(session, samples=samples))
    frame = log_frame(replace(session, samples=samples), columns)
    frame.columns = pd.Index([f"{c.header} ({c.unit})" for c in columns])
    for header, values in extra.items():
        frame[header] = values
    frame.to_csv(folder / "log.csv", index=False)
    text = setup_text(engine().car, columns, rev_limit_rpm=6800)
    text = text.replace("[channels]", f"[channels]\n{channels}#", 1)
    (folder / "setup.toml").write_text(text, encoding="utf-8")
    return folder / "log.csv", folder / "setup.toml"


def test_the_column_of_lambda_that_the_setup_does_not_name_is_the_second_bank(tmp_path) -> None:
    samples = drive()
    other = (samples["lambda"] * 1.1).round(3)
    log, setup = written(tmp_path, samples, {"Lambda bank 2 (lambda)": other})
    found = read_log(log, setup=read_setup(setup)).samples
    np.testing.assert_allclose(found["lambda_second"], other)
    log, setup = written(
        tmp_path, samples, {"Lambda bank 2 (lambda)": other}, "lambda_second = false\n"
    )
    assert "lambda_second" not in read_log(log, setup=read_setup(setup)).samples


def test_a_sensor_behind_the_catalyst_is_no_second_bank(tmp_path) -> None:
    samples = drive()
    log, setup = written(tmp_path, samples, {"Lambda bank 1 sensor 2 (lambda)": samples["lambda"]})
    assert "lambda_second" not in read_log(log, setup=read_setup(setup)).samples


def test_lambda_told_once_more_in_another_unit_is_no_second_bank(tmp_path) -> None:
    # on the scale of petrol where the setup means E85 it would read 50 % leaner than it is
    samples = drive()
    log, setup = written(tmp_path, samples, {"AFR": (samples["lambda"] * 14.7).round(2)})
    setup.write_text(setup.read_text("utf-8").replace("afr_stoich = 14.7", "afr_stoich = 9.8"))
    found = read_log(log, setup=read_setup(setup))
    assert "lambda_second" not in found.samples
    assert any("likely the same sensor again" in note for note in found.notes)


# --- what changes the fuel ------------------------------------------------------------------------


def boosted(samples: pd.DataFrame) -> np.ndarray:
    return np.asarray(samples["load"].to_numpy() > BOOST_KPA)


@pytest.mark.parametrize(
    ("channel", "off", "on"),
    [
        ("water_methanol", 0.0, 70.0),
        ("water_methanol", 0.5, 4.2),  # a sensor that rests at half a volt
        ("nitrous", 0.0, 1.0),
        ("ethanol_content_pct", 12.0, 20.0),
        ("fuel_pressure_kpa", 300.0, 260.0),
        ("rail_pressure_kpa", 300.0, 260.0),
    ],
)
def test_samples_under_another_fuel_teach_nothing(channel: str, off: float, on: float) -> None:
    samples = drive()
    at = boosted(samples)
    found = reduce_log(samples.assign(**{channel: np.where(at, on, off)}), name="x", setup=SETUP)
    taken = int(found.fates["other fuel"])
    assert 0.9 * at.sum() < taken < 1.1 * at.sum()
    assert found.holds["load"].max() < BOOST_KPA + 2.0
    assert int(found.fates.sum()) == found.samples == len(samples)
    assert any("they were excluded" in note for note in found.notes)
    step_pct = step(propose_from([found], setup=SETUP, current=ZEROS))
    # a pressure that falls for less than its filter's time is no fault: such moments are seen
    assert step_pct[in_boost()].min() >= (-1.0 if "pressure" in channel else 0.0)


@pytest.mark.parametrize(
    ("channel", "value"),
    [
        ("water_methanol", 0.0), ("nitrous", 0.0), ("ethanol_content_pct", 5.0),
        ("fuel_pressure_kpa", 300.0), ("rail_pressure_kpa", 300.0), ("closed_loop", 0.0),
        ("water_methanol", np.nan), ("closed_loop", np.nan), ("knock", np.nan),
        ("fuel_pressure_kpa", np.nan), ("ethanol_content_pct", np.nan),
        ("lambda_second", np.nan),
    ],
)  # fmt: skip
def test_a_silent_channel_changes_nothing(channel: str, value: float) -> None:
    found = proposed(drive().assign(**{channel: value}))
    pd.testing.assert_frame_equal(found.cells, honest().cells)
    pd.testing.assert_series_equal(found.evidence.fates, honest().evidence.fates)
    assert found.evidence.notes == honest().evidence.notes


def test_a_fuel_pressure_that_follows_the_manifold_is_no_fall_and_a_weak_pump_is() -> None:
    samples = drive()
    rng = np.random.default_rng(1)
    manifold = samples["manifold_pressure_kpa"].to_numpy()
    pressure = 200.0 + manifold + rng.normal(0.0, 6.0, len(samples))
    found = reduce_log(samples.assign(fuel_pressure_kpa=pressure), name="x", setup=SETUP)
    assert found.fates["other fuel"] == 0
    weak = np.where(boosted(samples), pressure - 60.0, pressure)
    found = reduce_log(samples.assign(fuel_pressure_kpa=weak), name="x", setup=SETUP)
    assert found.fates["other fuel"] > 0.9 * boosted(samples).sum()
    assert 0.0 < PRESSURE_FALL < 60.0 / float(np.median(pressure))


def test_a_rail_that_the_controller_moves_is_no_falling_pressure() -> None:
    samples = drive()
    direct = np.where(boosted(samples), 5_000.0, 15_000.0)
    found = reduce_log(samples.assign(rail_pressure_kpa=direct), name="x", setup=SETUP)
    assert found.fates["other fuel"] == 0


@pytest.mark.parametrize(("afr_stoich", "is_said"), [(14.7, True), (9.8, False)])
def test_ethanol_far_from_the_setups_fuel_is_named(afr_stoich: float, is_said: bool) -> None:
    samples = drive().assign(ethanol_content_pct=80.0)
    found = reduce_log(samples, name="x", setup=setup_of(afr_stoich=afr_stoich))
    assert any("80 % ethanol" in note for note in found.notes) == is_said


@pytest.mark.parametrize(("closed", "opened"), [(1.0, 0.0), (2.0, 4.0)], ids=["flag", "J1979"])
def test_a_closed_loop_without_trims_teaches_nothing(closed: float, opened: float) -> None:
    samples = drive()
    at = ~boosted(samples)
    looped = samples.assign(closed_loop=np.where(at, closed, opened))
    found = reduce_log(looped, name="x", setup=SETUP)
    assert found.fates["closed loop"] == at.sum()
    assert any("without logged trims" in note for note in found.notes)
    trimmed = reduce_log(looped.assign(fuel_trim_short_pct=0.0), name="x", setup=SETUP)
    assert trimmed.fates["closed loop"] == 0


def test_headers_of_what_changes_the_fuel_are_recognised(tmp_path) -> None:
    samples = drive()
    n = len(samples)
    extra = {
        "Methanol injection duty (percent)": np.zeros(n),
        "Nitrous active": np.zeros(n),
        "Ethanol content (%)": np.full(n, 8.0),
        "Fuel supply pressure (kPa)": np.full(n, 350.0),
        "Fuel system status": np.full(n, 4.0),
        "Water pump duty (%)": np.full(n, 60.0),
    }
    log, setup = written(tmp_path, samples, extra)
    found = read_log(log, setup=read_setup(setup)).samples
    names = ["water_methanol", "nitrous", "ethanol_content_pct", "fuel_pressure_kpa", "closed_loop"]
    assert set(names) <= set(found)
    assert (found["water_methanol"] == 0).all()  # a pump for cooling water is none


# --- warm is proven -------------------------------------------------------------------------------


def test_oil_shows_that_the_engine_is_warm() -> None:
    bare = drive().drop(columns=["coolant_temp_c", "coolant_volts"])
    middle = float(bare["time_s"].median())
    oil = np.where(bare["time_s"] < middle, 59.9, 60.0)
    found = reduce_log(bare.assign(oil_temp_c=oil), name="x", setup=SETUP)
    assert found.fates["engine cold"] == (bare["time_s"] < middle).sum()
    assert not any("nothing shows" in note for note in found.notes)
    assert any("oil runs from 60 to 60 degC" in note for note in found.notes)


def test_without_a_temperature_the_first_minutes_teach_nothing() -> None:
    bare = drive().drop(columns=["coolant_temp_c", "coolant_volts"])
    early = bare["time_s"] < 300.0
    found = reduce_log(bare, name="x", setup=SETUP)
    assert found.fates["engine cold"] == early.sum() > 0
    assert found.holds["start_s"].min() >= 300.0
    assert any("Log the temperature of coolant or oil" in note for note in found.notes)
    told = replace(SETUP, steady=replace(SETUP.steady, unproven_warm_s=0.0))
    assert reduce_log(bare, name="x", setup=told).fates["engine cold"] == 0


def test_cold_enrichment_is_not_read_as_a_rich_map() -> None:
    bare = drive().drop(columns=["coolant_temp_c", "coolant_volts"])
    early = (bare["time_s"] < 280.0).to_numpy()
    richer = bare.assign(**{"lambda": bare["lambda"] * np.where(early, 0.9, 1.0)})
    honest = reduce_log(bare, name="x", setup=SETUP)
    cold = reduce_log(richer, name="x", setup=SETUP)
    pd.testing.assert_frame_equal(cold.holds, honest.holds, rtol=0.02)
    told = replace(SETUP, steady=replace(SETUP.steady, unproven_warm_s=0.0))
    fooled = reduce_log(richer, name="x", setup=told).holds
    assert fooled["need_ln"].min() < honest.holds["need_ln"].min() - 0.03


def test_a_short_log_without_a_temperature_says_what_would_be_right() -> None:
    short = drive().drop(columns=["coolant_temp_c", "coolant_volts"])
    short = short[short["time_s"] < 250.0]
    with pytest.raises(NoEvidenceError, match=r"engine cold 100 %.*unproven_warm_s = 0"):
        proposed(short)


# --- the reference of the pressure ----------------------------------------------------------------


def mixed(samples: pd.DataFrame, barometer: float = 101.3) -> pd.DataFrame:
    load = samples["load"].to_numpy()
    return samples.assign(load=np.where(load > barometer, load - barometer, load))


@pytest.mark.parametrize("dropped", [[], ["throttle_pct"]], ids=["throttle", "no throttle"])
def test_a_pressure_that_is_gauge_in_boost_only_bars_every_cell(dropped: list[str]) -> None:
    samples = mixed(drive(rate_hz=10.0)).drop(columns=[*dropped, "manifold_pressure_kpa"])
    found = proposed(samples)
    assert found.cells[MIXED_SAMPLES].gt(0).all()
    assert found.cells["unsafe_step_barred"].str.contains("absolute in vacuum").all()
    assert step(found).min() >= 0.0
    assert "with its unit, under [channels]" in notes_of(found)


@pytest.mark.parametrize("seed", range(1, 4))
@pytest.mark.parametrize("rate_hz", [1.0, 4.0, 20.0])
def test_an_honest_absolute_pressure_is_not_taken_for_a_mixed_one(
    seed: int, rate_hz: float
) -> None:
    for is_polled in (False, True):
        samples = drive(seed=seed, rate_hz=rate_hz, is_polled=is_polled)
        for dropped in ([], ["throttle_pct"]):
            seen = samples.drop(columns=dropped)
            watch = SideChannels(seen, SETUP)
            watch.add(seen)
            assert MIXED_SAMPLES not in watch.onto(pd.DataFrame(index=range(AXES.size)))


def test_a_throttle_that_snaps_shut_is_no_mixed_pressure_even_if_it_is_polled_late() -> None:
    time_s = np.arange(0.0, 60.0, 0.1)
    is_open = (time_s % 10.0) < 5.0
    pressure = np.where(is_open, 99.0, 28.0)
    late = np.roll(np.where(is_open, 80.0, 2.0), 7)
    witness = PressureReferenceCheck()
    witness.add(time_s, pressure, [late])
    assert not witness.is_mixed
    witness.add(time_s + 60.0, pressure, [np.full(600, 80.0)])
    assert witness.falls >= 5
    assert witness.is_mixed


@pytest.mark.parametrize("at", [1, 499, 500, 505, 509, 510, 511, 600])
def test_a_fall_counts_once_wherever_the_log_is_cut(at: int) -> None:
    time_s, throttle = np.arange(0.0, 100.0, 0.1), np.full(1000, 60.0)
    pressure = np.where(time_s < 50.0, 99.0, 3.0)
    witness = PressureReferenceCheck()
    for part in (slice(0, at), slice(at, None)):
        witness.add(time_s[part], pressure[part], [throttle[part]])
    assert witness.falls == 1


def test_a_pedal_that_shows_a_quarter_at_rest_is_not_open_there() -> None:
    time_s = np.arange(0.0, 200.0, 0.5)
    is_open = (time_s % 20.0) < 10.0
    samples = (
        drive(seed=1, rate_hz=2.0)
        .iloc[:400]
        .assign(
            time_s=time_s,
            load=np.where(is_open, 95.0, 30.0),
            throttle_pct=np.where(is_open, 27.0, 24.5),  # of a pedal that rests at 24.5 %
        )
    )
    watch = SideChannels(samples, SETUP)
    watch.add(samples)
    assert MIXED_SAMPLES not in watch.onto(pd.DataFrame(index=range(AXES.size)))
    opened = samples.assign(throttle_pct=np.r_[24.5, np.full(399, 80.0)])
    watch = SideChannels(opened, SETUP)
    watch.add(opened)
    assert MIXED_SAMPLES in watch.onto(pd.DataFrame(index=range(AXES.size)))


def test_low_pressure_at_full_throttle_is_a_mixed_pressure() -> None:
    witness, time_s = PressureReferenceCheck(), np.arange(0.0, 10.0, 0.1)
    witness.add(time_s, np.full(100, 45.0), [np.full(100, 100.0)])
    assert witness.at_full_throttle >= 80
    assert "samples at full throttle" in witness.words()


def test_a_gauge_axis_is_not_asked_about() -> None:
    axes = replace(AXES, load_name="boost gauge")
    samples = mixed(drive(rate_hz=10.0))
    found = reduce_log(samples, name="x", setup=replace(SETUP, axes=axes))
    assert MIXED_SAMPLES not in found.peaks


# --- long logs ------------------------------------------------------------------------------------


def influenced() -> pd.DataFrame:
    samples = drive(holds=60)
    at = knocking(samples)
    rng = np.random.default_rng(6)
    moved = mixed(samples)
    return moved.assign(
        load=moved["load"].clip(upper=70.0),  # where its sensor ends
        knock=volts(samples, at),
        lambda_second=samples["lambda"] * (1.05 + rng.normal(0.0, 0.01, len(samples))),
        water_methanol=np.where(samples["load"] > 160.0, 50.0, 0.0),
        fuel_pressure_kpa=400.0 - 60.0 * (samples["rpm"] > 5000.0),
        closed_loop=(samples["load"] < 50.0).astype(float),
    )


def cut(samples: pd.DataFrame, at: list[int]) -> list[pd.DataFrame]:
    edges = [0, *sorted(set(at)), len(samples)]
    return [samples.iloc[a:b] for a, b in pairwise(edges) if b > a]


@settings(max_examples=6)
@given(st.lists(st.integers(3001, 5500), max_size=10))
def test_what_a_part_says_does_not_hang_on_where_the_log_is_cut(at: list[int]) -> None:
    samples = influenced()

    def seen(edges: list[int]) -> tuple[pd.DataFrame, LogEvidence]:
        parts = cut(samples, edges)
        watch = SideChannels(parts[0], SETUP)
        return pd.concat([watch.add(part) for part in parts]), reduce_parts(
            parts, name="x", setup=SETUP
        )

    one, whole = seen([3000])
    many, found = seen([3000, *at])
    pd.testing.assert_frame_equal(many, one, rtol=1e-12)
    pd.testing.assert_frame_equal(found.peaks, whole.peaks)
    pd.testing.assert_series_equal(found.fates, whole.fates)
    assert found.notes == whole.notes
    assert {KNOCK_SAMPLES, MIXED_SAMPLES} <= set(found.peaks)
    assert (one[list(EXCLUDED_BY.values())].sum() > 0).all()


def test_a_part_that_lacks_a_channel_says_nothing_about_it() -> None:
    samples = influenced()
    names = ["knock", "lambda_second", "water_methanol", "fuel_pressure_kpa", "throttle_pct"]
    first, rest = samples.iloc[:3000], samples.iloc[3000:]
    bare = reduce_parts([first, rest.drop(columns=names)], name="x", setup=SETUP)
    blank = reduce_parts(
        [first, rest.assign(**dict.fromkeys(names, np.nan))], name="x", setup=SETUP
    )
    pd.testing.assert_frame_equal(bare.peaks, blank.peaks)
    pd.testing.assert_series_equal(bare.fates, blank.fates)


def test_part_by_part_takes_the_same_samples_as_at_once() -> None:
    samples = influenced()
    bare = samples.drop(columns=["coolant_temp_c", "coolant_volts"])
    for frame in (samples, bare):
        whole = reduce_log(frame, name="x", setup=SETUP)
        parts = reduce_parts(cut(frame, [4000, 4500]), name="x", setup=SETUP)
        for fate in ("engine cold", "other fuel", "closed loop", "load at its end"):
            assert parts.fates[fate] == whole.fates[fate], fate
        pd.testing.assert_series_equal(parts.peaks[MIXED_SAMPLES], whole.peaks[MIXED_SAMPLES])
