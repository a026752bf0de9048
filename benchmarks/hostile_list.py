"""The list of attacks, and ready-made things that several of them use."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
from hostile_box import Act, Box

HERE = Path(__file__).resolve().parent
SAMPLES = HERE.parent / "sample_logs"
PETROL, SESSION = SAMPLES / "petrol-setup.toml", SAMPLES / "petrol-session-1.csv"
PSI_KPA = 6.894757293168361
Builder = Callable[[Box], Iterable[Act]]


@dataclass
class Attack:
    """One attack: how it is called, which item it belongs to, and what builds it."""

    name: str
    item: str
    about: str
    builder: Callable[..., Iterable[Act]]
    stack: ExitStack = field(default_factory=ExitStack)

    def build(self, box: Box) -> Iterable[Act]:
        """Return the commands, each built when its turn comes."""
        box.at_end = self.stack
        return self.builder(box)

    def tear_down(self) -> None:
        """Let go of what the builder opened."""
        with contextlib.suppress(Exception):
            self.stack.close()


ATTACKS: list[Attack] = []


def attack(item: str, about: str) -> Callable[[Builder], Builder]:
    """Register what builds an attack; its name is the function's."""

    def registered(builder: Builder) -> Builder:
        name = builder.__name__.strip("_").replace("_", "-")
        ATTACKS.append(Attack(name, item, about, builder))
        return builder

    return registered


def each(item: str, about: str, variants: dict[str, object]) -> Callable[..., Callable[..., None]]:
    """Register one attack per variant; the builder takes the box and the variant's value."""

    def registered(builder: Callable[..., Iterable[Act]]) -> Callable[..., None]:
        base = builder.__name__.strip("_").replace("_", "-")
        for name, value in variants.items():

            def build(box: Box, value: object = value) -> Iterable[Act]:
                return builder(box, value)

            ATTACKS.append(Attack(f"{base}-{name}", item, f"{about}: {name}", build))
        return builder

    return registered


@lru_cache(maxsize=1)
def samples() -> pd.DataFrame:
    """A simulated session, in units that need no setup to be read."""
    frame = pd.read_csv(SESSION, skiprows=1)
    return pd.DataFrame(
        {
            "Time (s)": frame["Elapsed (s)"].astype(float),
            "Engine speed (rpm)": frame["Crank speed (rpm)"].astype(float),
            "MAP (kPa)": (frame["Inlet pressure abs (psi)"] * PSI_KPA).round(2),
            "Lambda": (frame["Wideband (AFR)"] / 14.7).round(4),
            "Coolant (degC)": ((frame["Water (degF)"] - 32.0) / 1.8).round(1),
        }
    )


def plain_setup(box: Box, *, name: str = "car.toml", **changes: str) -> Path:
    """Write the petrol car's setup without channels, so that headers are recognised.

    Each change is a text that stands there, and what is to stand there instead.
    """
    text = PETROL.read_text(encoding="utf-8")
    start, end = text.index("[channels]"), text.index("[axes]")
    text = text[:start] + text[end:]
    for old, new in changes.items():
        text = text.replace(old, new)
    path = box.work / name
    path.write_text(text, encoding="utf-8")
    return path


def square_setup(box: Box, size: int) -> Path:
    """Write a setup with so many breakpoints on each axis."""
    rpm = [round(800.0 + 5700.0 * i / (size - 1), 3) for i in range(size)]
    load = [round(30.0 + 150.0 * i / (size - 1), 4) for i in range(size)]
    table = [[1.0] * size] * size
    path = box.work / "square.toml"
    path.write_text(
        f'[engine]\nignition = "spark"\nfuel = "petrol"\nrev_limit_rpm = 6800\n'
        f'[axes]\nrpm = {rpm}\nload = {load}\nload_name = "manifold pressure"\n'
        f'load_unit = "kPa"\n[target]\nunit = "lambda"\nkind = "aim"\ntable = {table}\n'
        '[correction]\nacts_on = "fuel"\n',
        encoding="utf-8",
    )
    return path


def tune(box: Box, *, rounds: int = 1, name: str = "tune") -> Path:
    """Return a tune's folder with a pending round; made once for all attacks."""
    kept = box.shared / f"tune-{rounds}"
    if not kept.exists():
        made = box.work / "making"
        box.run("rounds", "start", made, "--setup", PETROL)
        for number in range(1, rounds + 1):
            log = SAMPLES / f"petrol-session-{number}.csv"
            box.run("rounds", "add", made, log, statuses=frozenset({0, 6}))
            if number < rounds:
                box.run("rounds", "accept", made)
        shutil.move(made, kept)
    return Path(shutil.copytree(kept, box.work / name, symlinks=True))


def long_csv(box: Box, rows: int = 5_000_000) -> Path:
    """Write a log of so many rows by repetition; made once for all attacks."""
    path = box.shared / f"long-{rows}.csv"
    if not path.exists():
        _repeat(samples(), rows, path)
    return path


def long_full_load(box: Box, rows: int = 5_000_000) -> Path:
    """Write full-load pulls, driven again and again."""
    from tuneassist.simulate.full_load import FullLoadPlan, simulate_full_load, stock_diesel

    path = box.shared / f"pulls-{rows}.csv"
    if not path.exists():
        rng = np.random.default_rng(1)
        made = simulate_full_load(stock_diesel(), FullLoadPlan(), rng=rng).samples
        frame = pd.DataFrame(
            {
                "Time (s)": made["time_s"],
                "Engine speed (rpm)": made["rpm"].round(1),
                "Pedal (percent)": made["pedal_pct"].round(1),
                "Torque (N.m)": made["torque_nm"].round(2),
                "Lambda": made["lambda"].round(4),
            }
        )
        _repeat(frame, rows, path)
    return path


def _repeat(frame: pd.DataFrame, rows: int, path: Path) -> None:
    import pyarrow as pa
    from pyarrow import csv

    table = pa.Table.from_pandas(frame, preserve_index=False)
    time_s = frame.iloc[:, 0].to_numpy()
    length_s, left, turn = float(time_s[-1] - time_s[0]) + 5.0, rows, 0
    with csv.CSVWriter(path, table.schema) as writer:
        while left > 0:
            stamps = pa.array(np.round(time_s + turn * length_s, 3))
            writer.write_table(table.set_column(0, table.schema.names[0], stamps).slice(0, left))
            left, turn = left - table.num_rows, turn + 1


def repeated(box: Box, times: int) -> Path:
    """Write one session so many times, one after the other."""
    path = box.work / f"session-{times}.csv"
    _repeat(samples(), times * len(samples()), path)
    return path


@contextlib.contextmanager
def text_of(path: Path) -> Iterator[list[str]]:
    """Change a file's text in a list of one."""
    held = [path.read_text(encoding="utf-8")]
    yield held
    path.write_text(held[0], encoding="utf-8", newline="")
