"""What the driver feels: figures by hand, verdicts from intervals, and what is not claimed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report_makers import COLUMNS, full_load, run, write_full_load

from tuneassist.runs import NamedSamples, RunsComparison, RunSettings, compare_runs
from tuneassist.runs.feel import (
    BETTER,
    FLATTER,
    NO_DIFFERENCE,
    NO_INTERVAL,
    NOT_ALIKE,
    SETTLED,
    STEEPER,
    UNEVEN,
    WORSE,
    drop_pct,
    low_torque,
    verdict_of,
)
from tuneassist.settings import EngineSettings
from tuneassist.show.feel import feel_rows, feel_words
from tuneassist.show.report_blocks import DataTable
from tuneassist.show.report_feel import feel_blocks
from tuneassist.show.run_units import SYSTEMS, OutputUnits, units_of
from tuneassist.simulate.full_load import (
    FullLoadLog,
    FullLoadPlan,
    TipInPlan,
    simulate_tip_ins,
    stock_diesel,
    tuned_diesel,
)

DIESEL = EngineSettings(ignition="compression")
PLAN = FullLoadPlan(stabs=0, part_load=0, rpm_to=3200.0)
MEAN, POINT, RISE, DROP = "torque, mean", "torque", "rise of torque", "drop on the way up"
TIP_IN = "tip-in to 90 % torque"


def pull(name: str, shift: float, *, slope: float = 0.05, start: float = 1200.0) -> NamedSamples:
    """One pull without noise: torque is a straight line over speed, 200 N.m at 1500 rpm."""
    rpm = np.concatenate([np.full(40, start), np.linspace(start, start + 1900.0, 160)])
    is_pull = np.arange(200) >= 40
    torque = np.where(is_pull, 200.0 + slope * (rpm - 1500.0) + shift, 40.0)
    return NamedSamples(name, pd.DataFrame({
        "time_s": np.arange(200) / 20.0, "rpm": rpm, "torque_nm": torque,
        "pedal_pct": np.where(is_pull, 100.0, 10.0),
    }))  # fmt: skip


def pulls(name: str, shifts: Sequence[float], **how: float) -> list[NamedSamples]:
    return [pull(f"{name}{number}", shift, **how) for number, shift in enumerate(shifts)]


def tip_ins(name: str, *, seed: int, **how: object) -> NamedSamples:
    plan = replace(TipInPlan(rate_hz=20.0, noise_nm=2.0), **how)  # type: ignore[arg-type]
    log = simulate_tip_ins(plan, rng=np.random.default_rng(seed), name=name)
    return NamedSamples(name, log.samples)


def feel(found: RunsComparison) -> pd.DataFrame:
    return found.feel.set_index("measure")


def compared(
    before: Sequence[NamedSamples | FullLoadLog], after: Sequence[NamedSamples | FullLoadLog]
) -> RunsComparison:
    return compare_runs(before, after, engine=DIESEL)


# --- figures and verdicts -----------------------------------------------------------------------


def test_the_figures_of_a_straight_line_are_those_worked_out_by_hand() -> None:
    found = feel(compared(pulls("b", (-5, 0, 5)), pulls("a", (15, 20, 25), slope=0.06)))
    # mean over 1500-2500 and at 2000 rpm: 200 + 0.05 x 500 = 225, after 200 + 0.06 x 500 + 20 = 250
    # t(0.975, 4) = 2.776445 (any table) times sqrt(25/3 + 25/3) = 11.3348
    for name in (MEAN, POINT):
        row = found.loc[name]
        figures = row[["before", "after", "change", "change_low", "change_high"]].tolist()
        assert figures == pytest.approx([225.0, 250.0, 25.0, 13.6652, 36.3348], abs=1e-3)
        assert row["change_pct"] == pytest.approx(100.0 / 9.0)
        assert (row["verdict"], row["n_before"], row["n_after"]) == (BETTER, 3, 3)
    # the rise from 1500 to 2000 rpm is 25 and 30 N.m in every pull
    assert found.loc[RISE, ["before", "after"]].tolist() == pytest.approx([25.0, 30.0], abs=1e-6)
    assert found.loc[RISE, "verdict"] == STEEPER
    # a line neither drops nor is uneven: rounding is no change
    assert set(found.loc[[DROP, *UNEVEN], "verdict"]) == {NO_DIFFERENCE}


def test_a_drop_counts_from_the_highest_torque_so_far_until_the_highest_of_all() -> None:
    rpm = np.arange(1500.0, 2501.0, 250.0)
    torque = [[200.0, 250.0, 230.0, 300.0, 240.0], [210.0, 260.0, 234.0, 310.0, 250.0]]
    curves = pd.concat(
        pd.DataFrame({"log": "a", "pull": k, "rpm": rpm, "torque_nm": t})
        for k, t in enumerate(torque)
    )
    found = low_torque(curves, (1500.0, 2500.0), RunSettings(step_rpm=250.0))
    # 230 after 250 is 8 % down, 234 after 260 10 %; what falls after the highest of all, 300 and
    # 310, no longer counts, though 240 is a fifth down
    assert found["drop_pct"].tolist() == pytest.approx([8.0, 10.0])
    # trapezia of 250 rpm: (200/2 + 250 + 230 + 300 + 240/2) / 4
    assert found["mean_nm"].tolist() == pytest.approx([250.0, 258.5])
    assert found["rise_nm"].tolist() == pytest.approx([30.0, 24.0])


def test_noise_of_a_level_curve_is_no_drop() -> None:
    rng = np.random.default_rng(0)
    cases = [drop_pct(300.0 + rng.normal(0.0, 3.0, (3, 21))) for _ in range(300)]
    # two samples of 1 % differ by sqrt(2) %; the largest fall of each pull itself would be 2 %
    assert abs(np.mean(cases)) < 3.0 * np.sqrt(2.0 / 300.0)


def test_an_interval_decides_the_verdict() -> None:
    assert verdict_of(-2.0, -1.0, "more") == WORSE
    assert verdict_of(-2.0, -1.0, "less") == BETTER
    assert verdict_of(-2.0, -1.0, "neither") == FLATTER
    assert verdict_of(float("nan"), 1.0, "more") == NO_INTERVAL


@pytest.fixture(scope="module")
def cars() -> dict[str, list[NamedSamples]]:
    """Four noisy pulls, each as a log, and a log of four tip-ins."""
    log = full_load(stock_diesel(), seed=1, plan=replace(PLAN, pulls=4))
    ends = np.flatnonzero(np.diff((log.truth["part"] == "coast").astype(int)) == -1)
    cut = np.split(np.arange(len(log.samples)), ends[:3] + 1)
    parts = [NamedSamples(f"p{k}", log.samples.iloc[rows]) for k, rows in enumerate(cut)]
    return {"stock": [*parts, tip_ins("t", seed=5)]}


def again(logs: Sequence[NamedSamples]) -> list[NamedSamples]:
    """The same logs, with speeds moved so little that they do not count as copies."""
    return [
        NamedSamples(f"{log.name} again", log.samples.assign(rpm=log.samples["rpm"] + 1e-7))
        for log in logs
    ]


def test_the_same_runs_before_and_after_show_no_difference(
    cars: dict[str, list[NamedSamples]],
) -> None:
    found = compared(cars["stock"], again(cars["stock"])).feel
    assert len(found) == 8
    assert set(found["verdict"]) == {NO_DIFFERENCE}
    assert (found["n_before"] == 4).all()


def test_the_order_of_the_pulls_does_not_matter(cars: dict[str, list[NamedSamples]]) -> None:
    other = [replace_rpm(log) for log in cars["stock"]]
    first = compared(cars["stock"], other).feel
    second = compared(cars["stock"][::-1], [other[k] for k in (2, 0, 4, 3, 1)]).feel
    pd.testing.assert_frame_equal(first, second)


def replace_rpm(log: NamedSamples) -> NamedSamples:
    return NamedSamples(f"{log.name} other", log.samples.assign(rpm=log.samples["rpm"] * 1.001))


def test_one_pull_a_side_claims_nothing() -> None:
    found = compared(pulls("b", (0,)), pulls("a", (80,)))
    assert set(found.feel["verdict"]) == {NO_INTERVAL}
    assert any("nothing is claimed" in note for note in found.feel_notes)


@pytest.mark.parametrize(
    ("start", "span", "words"),
    [
        (1560.0, (1700.0, 2500.0), "cover only 1700 to 2500 rpm of the low speeds"),
        (2400.0, None, "Torque low down is not compared"),
    ],
)
def test_low_speeds_that_the_pulls_do_not_reach_are_said(
    start: float, span: tuple[float, float] | None, words: str
) -> None:
    found = compared(pulls("b", (-5, 0, 5), start=start), pulls("a", (4, 9, 16), start=start))
    assert any(words in note for note in found.feel_notes)
    rows = feel(found)
    if span is None:
        assert rows.empty
    else:
        assert tuple(rows.loc[MEAN, ["rpm_from", "rpm_to"]]) == span
        assert rows.loc[MEAN, "verdict"] == NO_DIFFERENCE


# --- smoothness ---------------------------------------------------------------------------------


def noisy(curve_pct: float, name: str, seed: int, **plan: float) -> FullLoadLog:
    how = replace(PLAN, rate_hz=50.0, **plan)  # type: ignore[arg-type]
    return full_load(stock_diesel().scaled(curve_pct), seed=seed, plan=how, name=name)


def test_an_engine_is_rougher_where_torque_and_share_say_so() -> None:
    found = feel(compared([noisy(0, "b", 1)], [noisy(0, "a", 2, ripple_pct=3.0)]))
    assert found.loc[list(UNEVEN), "verdict"].tolist() == [WORSE, WORSE]
    # 3 % of amplitude is 3/sqrt(2) % rms; noise of 3 N.m of 290 adds in squares
    assert found.loc[UNEVEN[1], "after"] == pytest.approx(np.hypot(3 / np.sqrt(2), 1.0), rel=0.08)


def test_noise_that_shrinks_as_a_share_is_no_smoother_engine() -> None:
    found = compared([noisy(0, "b", 1)], [noisy(90, "a", 2)])
    assert "not a new strapping or another day" in feel_words(found)[0]
    rows = feel(found)
    assert rows.loc[UNEVEN[1], "change_high"] < 0  # the share alone would say better
    assert rows.loc[list(UNEVEN), "verdict"].tolist() == [NO_DIFFERENCE] * 2
    assert any("No difference is claimed" in note for note in found.feel_notes)


def test_unevenness_of_another_sampling_rate_is_not_compared() -> None:
    slow = full_load(stock_diesel(), seed=3, plan=PLAN)
    found = compared([noisy(0, "b", 1)], [slow])
    assert feel(found).loc[list(UNEVEN), "verdict"].tolist() == [NOT_ALIKE] * 2
    assert any("50 samples a second before, 20 after" in note for note in found.feel_notes)


# --- answer to the pedal ------------------------------------------------------------------------


def test_the_time_to_90_percent_is_dead_time_and_tau_ln_10() -> None:
    before, after = (
        tip_ins(name, seed=seed, tau_s=tau, rate_hz=100.0, noise_nm=0.5)
        for name, seed, tau in (("b", 1, 0.4), ("a", 2, 0.25))
    )
    row = feel(compared([before], [after])).loc[TIP_IN]
    for side, tau in (("before", 0.4), ("after", 0.25)):
        assert row[side] == pytest.approx(0.15 + tau * np.log(10.0), abs=0.03)
    assert row["change"] == pytest.approx(-0.15 * np.log(10.0), abs=0.03)
    assert (row["verdict"], row["rpm_from"], row["rpm_to"]) == (BETTER, 1750.0, 2250.0)
    settled = feel(compared([before], [after])).loc[SETTLED]
    assert settled["after"] == pytest.approx(240.0, abs=0.5)


def other_signal(log: NamedSamples, signal: str) -> NamedSamples:
    """The same answer as manifold pressure, or as acceleration of the engine."""
    samples = log.samples.drop(columns="torque_nm")
    answer = log.samples["torque_nm"]
    if signal == "boost":
        return NamedSamples(log.name, samples.assign(manifold_pressure_kpa=100.0 + answer / 4.0))
    rate = (answer - 40.0) / 4.0  # up to 50 rpm/s
    gained = (rate * 0.05).groupby((log.samples["time_s"] // 10).to_numpy()).cumsum()
    return NamedSamples(log.name, samples.assign(rpm=2000.0 + gained))


@pytest.mark.parametrize("signal", ["boost", "acceleration"])
def test_another_signal_answers_where_torque_is_not_logged(signal: str) -> None:
    before, after = (
        other_signal(tip_ins(name, seed=seed, tau_s=tau, noise_nm=0.2), signal)
        for name, seed, tau in (("b", 1, 0.5), ("a", 2, 0.2))
    )
    found = compared([before], [after])
    row = feel(found).loc[f"tip-in to 90 % {signal}"]
    assert row["change"] == pytest.approx(-0.3 * np.log(10.0), abs=0.06)
    assert row["verdict"] == BETTER
    assert set(found.responses["measure"]) == {f"tip-in to 90 % {signal}"}
    mixed = compared([tip_ins("b", seed=1)], [after])
    assert mixed.feel.empty
    assert f"Tip-in is not compared: by torque before, by {signal} after." in mixed.feel_notes


def test_less_than_the_time_between_samples_is_no_difference() -> None:
    quiet = {"noise_nm": 0.01, "rate_hz": 10.0}
    found = feel(compared([tip_ins("b", seed=1, **quiet)],
                          [tip_ins("a", seed=2, tau_s=0.28, **quiet)]))  # fmt: skip
    row = found.loc[TIP_IN]
    assert row["change_high"] < 0  # 0.02 ln 10 = 0.046 s less, in every step
    assert row["verdict"] == NO_DIFFERENCE


def test_other_pedal_steps_are_not_compared() -> None:
    found = compared([tip_ins("b", seed=1)], [tip_ins("a", seed=2, tau_s=0.1, pedal=(15.0, 95.0))])
    assert feel(found).loc[TIP_IN, "verdict"] == NOT_ALIKE
    assert any("15 to 70 % before and 15 to 95 % after" in note for note in found.feel_notes)


# --- the sheet ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Pulls with tip-ins of a stock and a tuned diesel, that one on a thin day, and steps alone."""
    folder, written = tmp_path_factory.mktemp("feel"), {}
    for name, curve, seed, tau, kpa in (
        ("before", stock_diesel(), 1, 0.4, 99.0), ("after", tuned_diesel(), 2, 0.2, 99.0),
        ("thin", tuned_diesel(), 2, 0.2, 95.0),
    ):  # fmt: skip
        log = full_load(curve, seed=seed, plan=PLAN)
        steps = tip_ins(name, seed=seed, tau_s=tau).samples
        steps["time_s"] += log.samples["time_s"].iloc[-1] + 1.0
        both = pd.concat([log.samples, steps], ignore_index=True)
        both["barometer_kpa"] = kpa
        both["intake_temp_c"] = 25.0
        written[name] = write_full_load(folder / f"{name}.csv", replace(log, samples=both))
        columns = {k: v for k, v in COLUMNS.items() if k in steps} | {"torque_nm": "Torque (N.m)"}
        written[f"{name} steps"] = folder / f"{name}-steps.csv"
        steps[list(columns)].rename(columns=columns).to_csv(folder / f"{name}-steps.csv")
    return written


def test_the_screen_opens_with_the_sheet_and_ends_with_the_peaks(
    files: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    asked = ("runs", "--before", files["before"], "--after", files["after"],
             "--ignition", "compression")  # fmt: skip
    result = run(*asked)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    titles = ["What the driver feels, before and after", "Limits along the pull",
              "Gain at every speed", "Peaks of the mean curves"]  # fmt: skip
    places = [lines.index(title) for title in titles]
    assert places == sorted(places)
    sheet = [line.split() for line in lines[places[0] + 2 : places[1]]]
    tip_in = next(words for words in sheet if words[:1] == ["tip-in"])
    assert tip_in[-1] == BETTER
    assert sheet[0][:2] == ["torque,", "mean"]
    record = json.loads(run(*asked, "--json").stdout)
    assert [row["measure"] for row in record["feel"]] == [
        MEAN, POINT, RISE, TIP_IN, SETTLED, DROP, *UNEVEN
    ]  # fmt: skip
    assert {"pulls", "driven", "peaks", "gain", "smoothness", "responses"} <= set(record)


def test_in_different_air_tip_ins_are_shown_and_torque_stays_refused(
    files: dict[str, Path],
) -> None:
    asked = ("runs", "--before", files["before"], "--after", files["thin"])
    result = run(*asked)
    words = " ".join(result.stdout.split())
    assert result.exit_code == 3
    assert "are not compared uncorrected" in " ".join(result.stderr.split())
    assert "tip-in to 90 % torque" in words
    assert "The air of the two sides differs" in words
    assert "torque, mean" not in words
    assert [row["measure"] for row in json.loads(run(*asked, "--json").stdout)["feel"]] == [TIP_IN]


def test_logs_of_tip_ins_alone_are_compared(files: dict[str, Path]) -> None:
    result = run("runs", "--before", files["before steps"], "--after", files["after steps"])
    assert result.exit_code == 0, result.output
    assert BETTER in result.stdout.split()
    assert "CHECK No full-load pull on either side" in " ".join(result.stdout.split())


def test_the_page_has_the_same_figures_in_the_units_of_the_person() -> None:
    found = compared(pulls("b", (-5, 0, 5)), pulls("a", (15, 20, 25)))
    table = feel_blocks(found, units_of((), None, SYSTEMS["imperial"]))[0]
    assert isinstance(table, DataTable)
    assert len(table.rows) == len(feel_rows(found, OutputUnits())) == 6
    # 225 and 245 N.m by 1.3558179 (NIST SP 811), and 20 of 225 in percent
    assert table.rows[0][:5] == (
        "torque, mean (1500-2500 rpm, lbf.ft)", BETTER, "166.0", "180.7", "+14.8 (+8.9 %)",
    )  # fmt: skip
    assert "another day" not in feel_words(found)[0]  # every pull has a log of its own
