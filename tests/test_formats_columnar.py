"""Parquet, Arrow and Feather logs, packed text, and standard input read as the text log does."""

from __future__ import annotations

import gzip
import hashlib
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import csv, feather, ipc, parquet

from tuneassist.cli.inputs import find_logs
from tuneassist.errors import LogError
from tuneassist.files.setup_file import read_setup
from tuneassist.reading import LogReader, read_log
from tuneassist.workflow.logs import says_simulated

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
LOG = SAMPLES / "petrol-session-1.csv"
CAR = read_setup(SAMPLES / "petrol-setup.toml")
TABLE = csv.read_csv(LOG, read_options=csv.ReadOptions(skip_rows=1))


def write(table: pa.Table, path: Path, kind: str) -> Path:
    path = path / f"log.{kind}"
    if kind == "parquet":
        parquet.write_table(table, path, row_group_size=1777)
    elif kind == "feather":
        feather.write_feather(table, path)
    else:
        opened = ipc.new_stream if kind == "stream" else ipc.new_file
        with opened(path, table.schema) as writer:
            writer.write_table(table, max_chunksize=999)
    return path


KINDS = ["parquet", "feather", "arrow", "stream"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_table_reads_as_the_text_it_was_made_from(tmp_path, kind) -> None:
    path = write(TABLE, tmp_path, kind)
    found, text = read_log(path, setup=CAR), read_log(LOG, setup=CAR)
    pd.testing.assert_frame_equal(
        found.samples.drop(columns="row"), text.samples.drop(columns="row"), rtol=1e-15
    )
    assert [c.channel for c in found.columns] == [c.channel for c in text.columns]
    assert found.samples["row"].tolist()[:2] == [1, 2]
    assert found.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("kind", KINDS)
def test_a_long_table_comes_in_parts_of_the_same_rows(tmp_path, kind) -> None:
    path = write(TABLE, tmp_path, kind)
    narrow = replace(CAR, steady=replace(CAR.steady, estimate_rows=5000))
    parts = list(LogReader(path, setup=narrow).parts())
    assert [len(part) for part in parts] == [5000, 5000, TABLE.num_rows - 10_000]
    whole = read_log(path, setup=CAR).samples
    pd.testing.assert_frame_equal(pd.concat(parts, ignore_index=True), whole)


def test_moments_lengths_of_time_and_units_in_metadata_are_understood(tmp_path) -> None:
    seconds = np.arange(400) * 0.05
    wave = np.sin(seconds)
    stamps = pa.array((1.7e9 + seconds) * 1e6).cast(pa.int64())
    pressure = pa.field("MAP", pa.float32(), metadata={b"unit": b"psi"})
    table = pa.table(
        {
            "Time": stamps.cast(pa.timestamp("us")),
            "RPM": pa.array((3000 + 900 * wave).astype("int16")),
            "MAP": pa.array((12 + 3 * wave).astype("float32")),
            "Lambda": pa.array([f"{v:.3f}" for v in 0.95 + 0.05 * wave]).dictionary_encode(),
            "Ignition on": pa.array([True] * 400),
        }
    )
    schema = table.schema.set(2, pressure)
    path = write(table.cast(schema), tmp_path, "parquet")
    found = read_log(path)
    np.testing.assert_allclose(np.diff(found.samples["time_s"]), 0.05, atol=1e-5)
    # 12 psi are 82.737 kPa: 6.894757 kPa to the psi (NIST SP 811, appendix B)
    assert found.samples["manifold_pressure_kpa"].median() == pytest.approx(82.737, rel=0.02)
    assert found.samples["lambda"].between(0.9, 1.0).all()


@pytest.mark.parametrize("kind", ["parquet", "feather", "arrow", "stream"])
@pytest.mark.parametrize("keep", [0.3, 0.9])
def test_a_damaged_table_is_refused_in_words(tmp_path, kind, keep) -> None:
    path = write(TABLE, tmp_path, kind)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    with pytest.raises(LogError, match=r"damaged|cannot be read"):
        read_log(path, setup=CAR)


def test_what_a_table_says_of_itself_is_looked_at_for_the_word_simulated(tmp_path) -> None:
    said = TABLE.replace_schema_metadata({"comment": "a simulated session"})
    assert says_simulated(read_log(write(said, tmp_path, "parquet")))
    assert not says_simulated(read_log(write(TABLE, tmp_path, "feather")))


# --- packed text ----------------------------------------------------------------------------------


@pytest.mark.parametrize("packing", ["gzip", "gzip twice in a row", "zstd"])
def test_packed_text_reads_as_the_text(tmp_path, packing) -> None:
    data = LOG.read_bytes()
    half = data.index(b"\n", len(data) // 2) + 1
    path = tmp_path / "log.csv.gz"
    if packing == "zstd":
        with pa.CompressedOutputStream(str(path), "zstd") as stream:
            stream.write(data)
    elif packing == "gzip":
        path.write_bytes(gzip.compress(data))
    else:
        path.write_bytes(gzip.compress(data[:half]) + gzip.compress(data[half:]))
    found, text = read_log(path, setup=CAR), read_log(LOG, setup=CAR)
    pd.testing.assert_frame_equal(found.samples, text.samples)
    assert found.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert says_simulated(found)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (gzip.compress(LOG.read_bytes())[:-2000], "gzip archive is damaged"),
        (b"\x28\xb5\x2f\xfd" + b"\x55" * 900, "zstd archive is damaged"),
        (gzip.compress(gzip.compress(b"1,2\n" * 99)), "holds another archive"),
        (gzip.compress(b"PAR1" + b"\0" * 99), "binary table"),
        (gzip.compress(b""), "the file is empty"),
    ],
    ids=["cut", "noise", "twice", "parquet inside", "empty"],
)
def test_a_packed_file_that_is_no_log_is_refused_in_words(tmp_path, data, message) -> None:
    path = tmp_path / "log.gz"
    path.write_bytes(data)
    with pytest.raises(LogError, match=message):
        read_log(path, setup=CAR)


# --- folders, patterns, standard input ------------------------------------------------------------


def test_a_folder_stands_for_every_format_in_it(tmp_path) -> None:
    for name in ("a.csv", "b.parquet", "c.mf4", "d.csv.gz", "e.arrow", "f.zst", "notes.pdf"):
        (tmp_path / name).write_bytes(b"x")
    assert [path.name for path in find_logs([tmp_path])] == [
        "a.csv", "b.parquet", "c.mf4", "d.csv.gz", "e.arrow", "f.zst",
    ]  # fmt: skip
    assert [path.name for path in find_logs([tmp_path / "*.csv*"])] == ["a.csv", "d.csv.gz"]


def test_standard_input_is_read_whatever_its_format(tmp_path) -> None:
    path = write(TABLE, tmp_path, "parquet")
    for data in (LOG.read_bytes(), gzip.compress(LOG.read_bytes()), path.read_bytes()):
        done = subprocess.run(
            [sys.executable, "-m", "tuneassist", "check", "-", "--json"],
            input=data,
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr.decode()
        assert b'"standard input"' in done.stdout
        assert hashlib.sha256(data).hexdigest().encode() in done.stdout


def test_standard_input_can_be_named_once() -> None:
    with pytest.raises(LogError, match="once"):
        find_logs([Path("-"), Path("-")])
