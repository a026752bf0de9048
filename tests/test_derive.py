"""Milder tunes from the strong and the standard one: promises, prediction, files and messages."""

from __future__ import annotations

import importlib.util
import json
import sys
import tomllib
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report_makers import VAN, full_load, write_full_load
from report_makers import run as cli
from test_cli_installed import start

from tuneassist.errors import GridError, OutputError, RuleBreachError, SetupError
from tuneassist.files import set_writer
from tuneassist.files.derive_list import read_derive
from tuneassist.files.grid_file import read_grid, write_grid_text
from tuneassist.files.setup_file import read_setup
from tuneassist.files.toml_table import TomlTable
from tuneassist.files.tunes_example import DERIVE_EXAMPLE
from tuneassist.files.tunes_folder import read_tunes
from tuneassist.grid import Axes, Grid
from tuneassist.loop.derive import derive_tunes
from tuneassist.loop.derive_settings import DeriveSettings, MildTune, usual_tune
from tuneassist.loop.derive_summary import kept_for_safety, outputs
from tuneassist.loop.predicted_order import predicted_tunes
from tuneassist.loop.settings import TuneSettings
from tuneassist.loop.torque_prediction import shares_between
from tuneassist.loop.tune_model import Tune
from tuneassist.loop.tune_run_checks import table_pull
from tuneassist.loop.tune_set import check_tunes
from tuneassist.runs import RunSettings
from tuneassist.runs.air_difference import KnownAir
from tuneassist.settings import (
    Ceiling,
    CorrectionSettings,
    EngineSettings,
    LimitSettings,
    Setup,
    Target,
    default_limits,
)
from tuneassist.simulate.full_load import FullLoadPlan, stock_diesel
from tuneassist.workflow.derive import derive_folder
from tuneassist.workflow.tunes import check_tunes_folder

_spec = importlib.util.spec_from_file_location(
    "derive_benchmark", Path(__file__).parents[1] / "benchmarks" / "derive.py"
)
assert _spec is not None
assert _spec.loader is not None
benchmark = importlib.util.module_from_spec(_spec)
sys.modules[_spec.name] = benchmark
_spec.loader.exec_module(benchmark)

AXES = Axes(rpm=np.array([1000.0, 2000, 3000, 4000]), load=np.array([10.0, 25, 40, 60]),
            load_name="injected fuel", load_unit="mg/stroke")  # fmt: skip
RPM = np.arange(1000.0, 4001.0, 50.0)
BARE = replace(default_limits("compression"), ceilings={})
EVEN = MildTune("even", low_speed_share=0.5, full_load_share=0.5, cruise_share=0.5)


def diesel(limits: LimitSettings = BARE) -> Setup:
    engine = EngineSettings(ignition="compression", fuel="diesel", afr_stoich=14.5)
    return Setup(axes=AXES, target=Target(np.full(AXES.shape, 1.3)), engine=engine, limits=limits)


def tune(name: str, value: float, torque: float | None = None, **rest: object) -> Tune:
    """A tune with the same correction everywhere, and a level run."""
    columns = {"rpm": RPM, "torque_nm": torque, **rest.pop("also", {})}  # type: ignore[dict-item]
    run = None if torque is None else pd.DataFrame(columns)
    grid = Grid(AXES, np.full(AXES.shape, value))
    return Tune(**{"name": name, "setup": diesel(), "grid": grid, "run": run, **rest})  # type: ignore[arg-type]


def pair(**rest: object) -> tuple[Tune, Tune]:
    return (
        tune("standard", 0.0, 200.0, kind="standard", **rest),
        tune("power", 21.0, 240.0, kind="power", **rest),
    )


# -- promises ---------------------------------------------------------------------------------


@pytest.mark.parametrize("first", [0, 1000])
def test_no_random_set_breaks_a_promise(first: int):
    for seed in range(first, first + 25):
        case = benchmark.random_case(np.random.default_rng(seed))
        broken = benchmark.judge(case, with_check=seed % 5 == 0)
        assert not sum(broken.values()), (seed, broken)


def test_a_share_composes_by_multiplication():
    """Half of 1.21 by multiplication is 1.10, not 1.105."""
    made = derive_tunes(*pair(), [EVEN]).made[0]
    np.testing.assert_allclose(made.tune.grid.values, 10.0, atol=1e-9)
    np.testing.assert_allclose(made.cells["share"], 0.5, atol=1e-9)


def test_a_spark_engine_in_boost_keeps_the_richer_of_the_two():
    axes = Axes(rpm=AXES.rpm, load=np.array([40.0, 80, 120, 160]))
    setup = Setup(axes=axes, target=Target(np.full(axes.shape, 0.9)))
    values = np.tile([-4.0, -4.0, -4.0, 3.0], (4, 1))
    strong = Tune("power", setup, Grid(axes, values), "power")
    made = derive_tunes(Tune("standard", setup, Grid.zeros(axes), "standard"), strong, [EVEN])
    got = made.made[0].tune.grid.flat()
    assert got[2] == 0.0  # 120 kPa is boost: the standard one is richer
    assert got[3] == 3.0  # there the strong one is
    assert -4.0 < got[0] < 0.0  # at light load a share is kept
    assert "hardly its torque" in " ".join(made.notes)


def test_no_cell_is_less_safe_than_the_strong_tune():
    standard, _ = pair()
    less = Tune("power", diesel(), Grid(AXES, np.full(AXES.shape, -3.0)), "power")
    cells = derive_tunes(standard, less, [EVEN]).made[0].cells
    assert (cells["grid_pct"] == -3.0).all()
    assert cells["reason"].str.contains("no less safe than power").all()


# -- prediction -------------------------------------------------------------------------------


def test_torque_is_predicted_by_the_share_with_its_interval():
    """At half: 220 N.m. Runs made once: 2 % of 200 and of 240, weighed by half, 2 and 2.4 N.m;
    the line may be off by 15 % of 40 N.m, 6 N.m. Root of the squares: 6.765 N.m."""
    row = derive_tunes(*pair(), [EVEN]).made[0].prediction.iloc[5]
    assert row["torque_nm"] == pytest.approx(220.0, abs=0.01)
    half = np.sqrt(2.0**2 + 2.4**2 + 6.0**2)
    assert row["torque_high_nm"] - row["torque_nm"] == pytest.approx(half, abs=0.01)
    assert row["torque_nm"] - row["torque_low_nm"] == pytest.approx(half, abs=0.01)


def test_a_grid_outside_the_two_has_no_share_and_alike_ones_tell_none():
    low, high = (Grid(AXES, np.full(AXES.shape, value)) for value in (0.0, 21.0))
    at = np.array([2000.0]), np.array([40.0])
    own = [Grid(AXES, np.full(AXES.shape, value)) for value in (10.0, 25.0, -2.0)]
    half, above, below = (float(shares_between(one, low, high, *at)[0]) for one in own)
    assert half == pytest.approx(0.5)
    assert np.isinf([above, below]).all()
    assert np.isnan(shares_between(own[0], low, low, *at)).all()


def test_the_load_of_full_load_is_read_from_the_runs_where_they_tell_it():
    """100 kPa gauge are 14.5 psi gauge; a logged load stands for itself."""
    ends = pair(also={"load": 55.0})
    logged = [replace(one, pulls=(table_pull(one.run, one.name),)) for one in ends]
    two = derive_tunes(logged[0], logged[1], [EVEN]).two
    assert two is not None
    assert two.is_load_known
    np.testing.assert_allclose(two.load, 55.0)
    axes = Axes(AXES.rpm, np.array([-10.0, 0, 10, 20]), "boost", "psi gauge")
    setup = replace(diesel(), axes=axes)
    grids = (Grid(axes, np.full(axes.shape, value)) for value in (0.0, 21.0))
    boosted = [
        replace(one, setup=setup, grid=grid)
        for one, grid in zip(pair(also={"boost_kpa": 100.0}), grids, strict=True)
    ]
    two = derive_tunes(boosted[0], boosted[1], [EVEN]).two
    assert two is not None
    np.testing.assert_allclose(two.load, 100.0 / 6.894757, rtol=1e-6)
    unknown = derive_tunes(*pair(), [EVEN])
    assert any("do not tell the load of full load" in note for note in unknown.notes)


def test_without_a_run_no_more_than_half_is_kept_under_load_and_it_is_said():
    standard, strong = pair()
    bold = replace(EVEN, low_speed_share=0.9, full_load_share=0.9, cruise_share=0.9)
    made = derive_tunes(replace(standard, run=None), strong, [bold])
    cells = made.made[0].cells
    heavy = cells["load"] >= 40
    assert (cells.loc[heavy, "share"] <= 0.5 + 1e-9).all()
    assert (cells.loc[~heavy, "share"].groupby(cells["load"]).max() > 0.5).any()
    assert cells.loc[heavy, "reason"].str.contains("no full-load runs of both").all()
    assert "nothing is predicted: there is no full-load run of standard" in made.notes[0]


def test_different_air_predicts_nothing_unless_both_are_corrected():
    standard, strong = pair()
    fair, thin = KnownAir(99.0, 25.0), KnownAir(95.0, 35.0)
    apart = replace(standard, air=fair), replace(strong, air=thin)
    made = derive_tunes(*apart, [EVEN])
    assert made.two is None
    assert "Name a standard" in made.notes[0]
    corrected = [replace(one, standard="ISO 1585:2020") for one in apart]
    made = derive_tunes(corrected[0], corrected[1], [EVEN])
    assert made.two is not None
    said = next(f for f in check_tunes(made.tunes).findings if "even over" in f.sentence)
    assert "corrected to ISO 1585:2020" in said.sentence


@pytest.mark.parametrize(("top", "share"), [(900.0, 0.5), (755.0, 0.28), (700.0, 0.0)])
def test_heat_stays_under_its_ceiling_with_the_margin(top: float, share: float):
    """From 700 to 800 degC: with 15 degC of margin a ceiling of 755 leaves 40 degC; 100 s and the
    doubt of 60 s (1 - s) are 40 at s = 0.277."""
    limits = replace(BARE, ceilings={"exhaust_temp": Ceiling(top)})
    ends = [
        tune(name, value, torque, kind=name, setup=diesel(limits), also={"exhaust_temp_c": heat})
        for name, value, torque, heat in (
            ("standard", 0.0, 200.0, 700.0),
            ("power", 21.0, 240.0, 800.0),
        )
    ]
    made = derive_tunes(ends[0], ends[1], [EVEN]).made[0]
    heavy = made.cells["load"] >= 40
    assert made.cells.loc[heavy, "share"].to_numpy() == pytest.approx(share, abs=0.01)
    assert made.prediction["exhaust_temp_c"].max() <= max(top - 15.0, 700.0)
    assert bool(made.notes) is (share == 0.0)


def with_boost(heat: float, name: str, value: float, *, acts_on: str = "boost") -> Tune:
    limits = replace(BARE, ceilings={"exhaust_temp": Ceiling(720.0)})
    setup = replace(diesel(limits), correction=CorrectionSettings(acts_on=acts_on))  # type: ignore[arg-type]
    kind = "standard" if name == "standard" else "power"
    return tune(name, value, 240.0 + value, setup=setup, kind=kind, also={"exhaust_temp_c": heat})


def test_a_diesel_too_hot_by_lack_of_air_is_not_held_at_its_lack_of_air():
    """735 degC without the air of the strong tune, 690 with it: none of it is the hottest."""
    ends = with_boost(735.0, "standard", 0.0), with_boost(690.0, "power", 8.0)
    found = derive_tunes(*ends, [EVEN])
    made = found.made[0]
    assert made.prediction["exhaust_temp_c"].max() < 720.0
    assert any("predicted over it too" in note for note in made.notes)
    assert any("less air than power is richer, smokier and hotter" in note for note in found.notes)
    # with fuel it cannot be so: the runs do not belong together, and nothing is kept
    on_fuel = [with_boost(735.0, "standard", 0.0, acts_on="fuel"),
               with_boost(690.0, "power", 8.0, acts_on="fuel")]  # fmt: skip
    other = derive_tunes(*on_fuel, [EVEN])
    heavy = AXES.cell_load() > AXES.load[0]
    assert not other.made[0].tune.grid.flat()[heavy].any()
    assert not any("less air" in note for note in other.notes)


@pytest.mark.parametrize(
    ("own", "says"),
    [
        (Ceiling(700.0, 800.0), "its hard ceiling on exhaust temp is 800 degC, above the 760 degC"),
        (Ceiling(700.0), "its hard ceiling on exhaust temp is not the 760 degC"),
        (Ceiling(730.0, 760.0), "its ceiling on exhaust temp is 730 degC, above the 720 degC"),
    ],
)
def test_no_ceiling_of_a_milder_tune_is_higher_or_dropped(own: Ceiling, says: str):
    limits = replace(BARE, ceilings={"exhaust_temp": Ceiling(720.0, 760.0)})
    ends = pair(setup=diesel(limits))
    with pytest.raises(SetupError, match=says):
        derive_tunes(*ends, [replace(EVEN, ceilings={"exhaust_temp": own})])


def test_a_ceiling_that_the_runs_do_not_show_leaves_half():
    limits = replace(BARE, ceilings={"boost": Ceiling(150.0)})
    bold = replace(EVEN, full_load_share=0.9, low_speed_share=0.9)
    made = derive_tunes(*pair(setup=diesel(limits)), [bold]).made[0]
    heavy = made.cells[made.cells["load"] >= 40]
    assert (heavy["share"] <= 0.5 + 1e-9).all()
    assert heavy["reason"].str.contains("the runs do not show boost here").all()


def test_speeds_that_the_runs_do_not_cover_keep_half():
    bold = replace(EVEN, full_load_share=0.9, low_speed_share=0.9)
    standard, strong = pair()
    short = replace(strong, run=strong.run[strong.run["rpm"].between(1500, 3200)])
    cells = derive_tunes(standard, short, [bold]).made[0].cells
    heavy = cells[cells["load"] >= 40].groupby("rpm")["share"].max()
    assert heavy.round(2).to_dict() == {1000: 0.5, 2000: 0.9, 3000: 0.9, 4000: 0.5}


def test_where_full_load_may_be_at_many_loads_the_interval_covers_the_shares_of_all():
    """Half of the correction at light load and all of it at the highest: 220 to 240 N.m."""
    standard, strong = pair()
    values = np.tile([10.0, 10.0, 10.0, 21.0], (4, 1))
    report = [standard, replace(tune("mild", 0.0), grid=Grid(AXES, values)), strong]
    row = predicted_tunes(report, TuneSettings(), RunSettings())[1].table.iloc[5]
    assert row["share_low"] == pytest.approx(0.5)
    assert row["share_high"] == pytest.approx(1.0)
    assert row["torque_low_nm"] < 220.0 < row["torque_nm"] < 240.0 < row["torque_high_nm"]


def test_a_ceiling_leaves_no_hump_before_full_load():
    limits = replace(BARE, ceilings={"exhaust_temp": Ceiling(755.0)})
    hot = [
        replace(one, run=one.run.assign(exhaust_temp_c=heat, load=60.0))
        for one, heat in zip(pair(setup=diesel(limits)), (700.0, 800.0), strict=True)
    ]
    logged = [replace(one, pulls=(table_pull(one.run, one.name),)) for one in hot]
    cells = derive_tunes(logged[0], logged[1], [EVEN]).made[0].cells
    by_load = cells.groupby("load")["share"].max()
    assert by_load[60.0] < 0.3
    assert by_load[40.0] == pytest.approx(by_load[60.0])


def test_a_towing_tune_has_lower_ceilings_but_not_below_the_standard_car():
    limits = replace(BARE, ceilings={"exhaust_temp": Ceiling(720.0), "torque": Ceiling(300.0)})
    for heat, ceiling in ((600.0, 670.0), (690.0, 690.0)):
        ends = pair(setup=diesel(limits), also={"exhaust_temp_c": heat})
        made = derive_tunes(*ends, [usual_tune("towing")]).made[0]
        own = made.tune.setup.limits.ceilings
        assert own["exhaust_temp"].ceiling == ceiling
        assert own["torque"].ceiling == pytest.approx(270.0)


def test_a_tune_that_was_held_back_still_gives_more_than_the_milder_one():
    limits = replace(BARE, ceilings={"torque": Ceiling(255.0)})
    made = derive_tunes(*pair(setup=diesel(limits)))
    economy, towing = (one.prediction["torque_nm"] for one in made.made)
    assert (economy > 200.0).all()
    assert (towing > economy + 1.0).all()  # kept under 222.6 N.m, its ceiling less 10 and 3 %
    words = made.made[0].bounds["words"].tolist()
    assert words == ["its part of what towing keeps"]


# -- the check --------------------------------------------------------------------------------


def test_the_check_proves_the_order_of_a_tune_without_a_run_and_says_it_is_predicted():
    report = check_tunes([pair()[0], tune("mild", 10.0), pair()[1]])
    assert report.is_ok
    said = [f for f in report.findings if "by prediction" in f.sentence]
    assert [f.tunes for f in said] == [("standard", "mild"), ("mild", "power")]
    assert all(f.verdict == "remark" for f in said)
    assert "1000 to 4000 rpm: power and torque rise at every speed" in said[0].sentence
    assert "between the runs of standard and power" in said[0].sentence
    assert not any("mild, because it has no full-load run" in f.sentence for f in report.findings)
    assert report.rises["rpm"].nunique() == 31


def test_a_predicted_tune_in_the_wrong_place_fails():
    wrong = [pair()[0], tune("more", 15.0), tune("less", 8.0), pair()[1]]
    report = check_tunes(wrong)
    (said,) = [f.sentence for f in report.findings if f.verdict == "breach"]
    assert "less over more, by prediction" in said
    assert "falls at 31 of 31 speeds" in said


def test_a_tune_outside_the_two_is_not_predicted():
    report = check_tunes([pair()[0], tune("other", 25.0), pair()[1]])
    assert any("other, because it has no full-load run" in f.sentence for f in report.findings)


def test_a_prediction_beyond_the_tunes_own_ceiling_fails():
    low = replace(BARE, ceilings={"exhaust_temp": Ceiling(650.0)})
    ends = pair(also={"exhaust_temp_c": 700.0})
    report = check_tunes([ends[0], tune("mild", 10.0, setup=diesel(low)), ends[1]])
    (said,) = [f.sentence for f in report.findings if f.verdict == "breach"]
    assert said.startswith("mild: 700 degC exhaust temp predicted at full load")


# -- files and the command --------------------------------------------------------------------


@pytest.fixture(scope="module")
def car(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated van: standard and strong tune with logs of full-load pulls."""
    folder = tmp_path_factory.mktemp("van")
    axes = read_setup(VAN).axes
    rpm, load = axes.cell_rpm(), axes.cell_load()
    more = 14 * np.clip((load - 12) / 40, 0, 1) * np.exp(-(((rpm - 2400) / 1500) ** 2))
    grids = {"standard": np.zeros(axes.shape), "power": np.round(more, 1).reshape(axes.shape)}
    lines = ['setup = "van.toml"']
    (folder / "van.toml").write_bytes(VAN.read_bytes())
    for seed, (name, values) in enumerate(grids.items()):
        plan = replace(FullLoadPlan(), boost_kpa=105 + 14 * seed, exhaust_c=620 + 60 * seed)
        log = full_load(stock_diesel().scaled(14 * seed), seed=seed + 1, plan=plan)
        write_full_load(folder / f"{name}-run.csv", log)
        (folder / f"{name}.csv").write_text(write_grid_text(Grid(axes, values)), encoding="utf-8")
        lines += ["[[tune]]", f'name = "{name}"', f'kind = "{name}"', f'grid = "{name}.csv"',
                  f'run = "{name}-run.csv"']  # fmt: skip
    (folder / "tunes.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def test_one_command_makes_a_set_that_the_check_takes_at_once(car: Path, tmp_path: Path):
    out = tmp_path / "set"
    done = start("tunes", "derive", car, "--out", out, COLUMNS="80")
    assert done.returncode == 0, done.stderr
    screen = " ".join(done.stdout.decode().split())
    for words in ("standard → economy → towing → power", "torque at 2000 rpm", "±",
                  "predicted between these", "measure: full load held at",
                  "The set passes its check"):  # fmt: skip
        assert words in screen
    assert {p.name for p in (out / "towing").iterdir()} == {"grid.csv", "cells.csv", "derived.json"}
    record = json.loads((out / "towing" / "derived.json").read_text(encoding="utf-8"))
    assert record["asked"]["full_load_share"] == 0.6
    assert len(record["inputs"]) == 6
    cells = pd.read_csv(out / "towing" / "cells.csv")
    assert cells["reason"].str.contains("% of the correction").any()
    checked = cli("tunes", "check", out, "--json")
    assert checked.exit_code == 0, checked.output
    report = json.loads(checked.stdout)
    order = [f["sentence"] for f in report["findings"] if f["topic"] == "order"]
    assert sum("by prediction" in sentence for sentence in order) == 3
    assert all("rise at every speed" in sentence for sentence in order)
    standard, _, towing, _ = read_tunes(out)
    band = standard.run["torque_high_nm"] / standard.run["torque_low_nm"] - 1.0
    assert 0.0 < band.max() < 0.04  # three pulls know it better than 2 % either way
    assert towing.setup.limits.ceilings["exhaust_temp"].ceiling == 670.0
    true = stock_diesel().torque(np.array([2000.0]))[0]
    said = record["prediction"][[row["rpm"] for row in record["prediction"]].index(2000.0)]
    truth = true * (1 + 0.14 * said["share"])  # the simulated strong tune gives 14 % more
    assert said["torque_low_nm"] < truth < said["torque_high_nm"]


def test_a_grid_edited_after_it_was_derived_is_named_by_the_check(car: Path, tmp_path: Path):
    folder = derive_folder(car, out=tmp_path / "set").folder
    settings = RunSettings()

    def said() -> list[str]:
        found = check_tunes_folder(folder, settings=settings).report.findings
        return [f.sentence for f in found if "changed since it was derived" in f.sentence]

    assert said() == []
    grid = folder / "economy" / "grid.csv"
    table = read_grid(grid)
    grid.write_text(
        write_grid_text(Grid(table.axes, np.subtract(table.values, 0.1))), encoding="utf-8"
    )
    (only,) = said()
    assert only.startswith("economy: its grid was changed")


def test_files_alone_will_do_and_an_option_comes_before_the_default(car: Path, tmp_path: Path):
    out = tmp_path / "set"
    given = ("--setup", VAN, "--grid", car / "power.csv", "--set", "share_without_run=0.2")
    done = cli("tunes", "derive", *given, "-o", out, "--json")
    assert done.exit_code == 0, done.output
    assert "nothing is predicted" in json.loads(done.stdout)["notes"][0]
    axes = read_setup(VAN).axes
    towing, strong = (
        read_grid(path, axes=axes).at([3000.0], [60.0])[0]
        for path in (out / "towing" / "grid.csv", car / "power.csv")
    )
    assert towing == pytest.approx(100 * ((1 + strong / 100) ** 0.2 - 1), abs=0.1)
    assert cli("tunes", "check", out).exit_code == 0


def table(text: str) -> TomlTable:
    return TomlTable(tomllib.loads(text), "tunes.toml", "derive")


def test_the_list_comes_before_the_defaults_of_the_kind():
    text = (
        'margin_exhaust_c = 20.0\n[[tune]]\nname = "trailer"\nkind = "towing"\ncruise_share = 1.0'
    )
    plan = read_derive(table(text), diesel(), ["trailer.cruise_share=0.7"])
    (one,) = plan.tunes
    assert (one.full_load_share, one.cruise_share) == (0.6, 0.7)
    assert plan.settings == replace(DeriveSettings(), margin_exhaust_c=20.0)


def test_the_example_lists_every_key_with_its_default():
    told = tomllib.loads(DERIVE_EXAMPLE)["derive"]
    (towing,) = told.pop("tune")
    assert told == {f.name: getattr(DeriveSettings(), f.name) for f in fields(DeriveSettings)}
    usual = usual_tune("towing")
    assert towing == {
        f.name: getattr(usual, f.name) for f in fields(MildTune) if f.name != "ceilings"
    }


@pytest.mark.parametrize(
    ("text", "options", "says"),
    [
        ("margin = 1.0", [], r"key derive\.margin: this key is not known"),
        ("share_without_run = 1.5", [], "share_without_run is 1.5. It must be from 0 to 1"),
        ("[[tune]]\nkind = 'towing'", [], r"derive\.tune\[1\]\.name: this key is missing"),
        ("[[tune]]\nname = 'a'\nkind = 'standard'", [], "not a kind of tune to make"),
        ("[[tune]]\nname = 'a'\nfull_load_share = 60", [], "full_load_share is 60"),
        ("[[tune]]\nname = 'a'\nceilings = { heat = 3 }", [], "heat: this key is not known"),
        ("[[tune]]\nname = 'a'\n" * 13, [], "At most 12 are made at once"),
        ("", ["towing.full_load_share"], "no KEY=VALUE"),
        ("", ["trailer.full_load_share=1"], "no tune to make is called"),
        ("", ["towing.full_load=1"], "Did you mean full_load_share"),
        ("", ["towing.full_load_share=half"], '"half" is not a number'),
        ("", ["towing.full_load_share=2"], "must be from 0 to 1"),
    ],
)
def test_what_cannot_be_meant_is_named(text: str, options: list[str], says: str):
    with pytest.raises(SetupError, match=says):
        read_derive(table(text), diesel(), options)


def test_tunes_that_cannot_be_made_are_refused():
    standard, strong = pair()
    with pytest.raises(SetupError, match='two tunes are called "even"'):
        derive_tunes(standard, strong, [EVEN, EVEN])
    values = np.full(AXES.shape, 21.0)
    values[1, 2] = np.nan
    blank = replace(strong, grid=Grid(AXES, values))
    kept = derive_tunes(standard, blank, [EVEN]).made[0].tune.grid.flat()
    assert np.isnan(kept).sum() == 1
    other = tune("standard", 2.0, 200.0, kind="standard")
    with pytest.raises(GridError, match=r"power is blank at 2000 rpm, 40 mg/stroke, where"):
        derive_tunes(other, blank, [EVEN])
    wild = replace(strong, grid=Grid(AXES, np.full(AXES.shape, 40.0)))
    with pytest.raises(RuleBreachError, match="The grid of power breaks 16 rule"):
        derive_tunes(standard, wild, [EVEN])
    top = replace(BARE, ceilings={"torque": Ceiling(300.0)})
    high = replace(EVEN, ceilings={"torque": Ceiling(310.0)})
    with pytest.raises(SetupError, match=r"310 N\.m, above the 300 N\.m of power"):
        derive_tunes(*pair(setup=diesel(top)), [high])


def test_bad_input_leaves_nothing_behind(car: Path, tmp_path: Path):
    out = tmp_path / "set"
    both = cli("tunes", "derive", car, "--grid", car / "power.csv", "-o", out)
    assert both.exit_code == 2
    assert cli("tunes", "derive", "-o", out).exit_code == 2
    one = tmp_path / "one"
    one.mkdir()
    text = (car / "tunes.toml").read_text(encoding="utf-8").split("[[tune]]\n")
    (one / "tunes.toml").write_text(text[0] + "[[tune]]\n" + text[1], encoding="utf-8")
    for name in ("van.toml", "standard.csv", "standard-run.csv"):
        (one / name).write_bytes((car / name).read_bytes())
    alone = cli("tunes", "derive", one, "-o", out)
    assert alone.exit_code == 3
    assert "there is no strong tune beside the standard one" in " ".join(alone.stderr.split())
    taken = cli("tunes", "derive", car, "-o", one)
    assert taken.exit_code == 3
    assert "is not empty" in " ".join(taken.stderr.split())
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one"]


def test_a_set_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    (tmp_path / "set").mkdir()  # an empty folder is taken
    written = set_writer.write_set(tmp_path / "set", {"a.txt": "1", "b/c.txt": b"2"})
    assert (written / "b" / "c.txt").read_bytes() == b"2"

    def fail(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(set_writer.os, "fsync", fail)
    with pytest.raises(OutputError, match="space"):
        set_writer.write_set(tmp_path / "other", {"a.txt": "1", "b/c.txt": b"2"})
    assert [p.name for p in tmp_path.iterdir()] == ["set"]


def test_a_predicted_peak_is_told_only_where_no_higher_one_can_lie() -> None:
    """The power grid leaves the upper half of the speeds alone, so that nothing is predicted there;
    torque is level, so power rises on, and its peak lies where it is not known."""
    standard, power = pair()
    values = np.where(AXES.rpm[:, None] > 2500.0, np.zeros(AXES.shape), 9.0)
    power = replace(power, grid=Grid(AXES, values))
    made = derive_tunes(standard, power, [EVEN])
    known = made.made[0].prediction["torque_nm"].notna()
    assert known.any()
    assert not known.all()
    even = outputs(made)[1]
    assert even.peak_power is None
    assert even.peak_torque is None  # half of the gain is less than the 240 N.m of the strong tune
    whole = outputs(derive_tunes(*pair(), [EVEN]))[1]
    assert whole.peak_power is not None
    assert whole.peak_torque is not None


def test_a_grid_that_only_takes_fuel_away_is_kept_whole_and_it_is_said() -> None:
    less = replace(pair()[1], grid=Grid(AXES, np.full(AXES.shape, -9.0)))
    made = derive_tunes(pair()[0], less, [EVEN])
    assert np.allclose(made.made[0].tune.grid.values, -9.0)
    assert "its grid is that of power" in kept_for_safety(made.made[0], made)
    more = derive_tunes(*pair(), [EVEN])
    assert kept_for_safety(more.made[0], more) == ""
