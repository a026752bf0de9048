"""Logs made to crash, flood or hold up the reader end in one error that names the file.

Each file here is small and unpacks to far more, or holds offsets that lead out of it. The size of
what is taken is bounded by what the file declares, so that no test needs a clock.
"""

from __future__ import annotations

import gzip
import io
import re
import struct
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import ipc, parquet

from tuneassist.errors import GridError, LogError
from tuneassist.files.grid_file import read_grid
from tuneassist.files.setup_file import read_setup
from tuneassist.reading import LogReader, columnar, read_log
from tuneassist.reading import parquet as pages
from tuneassist.reading import source as sources
from tuneassist.reading.headers import read_heading
from tuneassist.reading.matching import match_columns
from tuneassist.reading.parquet import open_parquet
from tuneassist.reading.source import Source
from tuneassist.workflow.log_files import usable_logs

ROWS = 4000
SECONDS = np.arange(ROWS) * 0.05
WAVE = np.sin(SECONDS)
TEXTS = pa.array([f"{value:.3f}" for value in 0.95 + 0.05 * WAVE])

PETROL = Path(__file__).parents[1] / "sample_logs" / "petrol-setup.toml"


def table(lambdas: object = TEXTS, **more: object) -> pa.Table:
    return pa.table(
        {
            "Time (s)": SECONDS,
            "RPM": 3000 + 900 * WAVE,
            "MAP (kPa)": 60 + 20 * WAVE,
            "Lambda": lambdas,
            **more,
        }
    )


def arrow_bytes(made: pa.Table, *, is_file: bool = True, packing: str | None = None, rows=None):
    sink = io.BytesIO()
    options = ipc.IpcWriteOptions(compression=packing, allow_64bit=True)
    new = ipc.new_file if is_file else ipc.new_stream
    with new(sink, made.schema, options=options) as writer:
        writer.write_table(made, max_chunksize=rows)
    return sink.getvalue()


def saved(folder: Path, data: bytes, name: str = "log.arrow") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


# --- forged offsets -------------------------------------------------------------------------------


@pytest.mark.parametrize("is_file", [True, False])
@pytest.mark.parametrize("forged", [-5, 2_000_000, 2**31 - 1])
@pytest.mark.parametrize("place", [500, ROWS])
def test_forged_offsets_of_texts_are_refused(tmp_path, is_file, forged, place) -> None:
    data = arrow_bytes(table(), is_file=is_file)
    offsets = TEXTS.buffers()[1].to_pybytes()[: 4 * (ROWS + 1)]
    at = data.index(offsets) + 4 * place
    path = saved(tmp_path, data[:at] + struct.pack("<i", forged) + data[at + 4 :])
    ended = subprocess.run(  # a process of its own: where this is not refused, it dies
        [sys.executable, "-m", "tuneassist", "check", path],
        check=False,
        capture_output=True,
        text=True,
    )
    assert ended.returncode == 3, ended
    assert "log.arrow: the Arrow file is damaged" in ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize("is_file", [True, False])
def test_a_forged_place_in_a_dictionary_is_refused(tmp_path, is_file) -> None:
    coded = TEXTS.dictionary_encode()
    data = arrow_bytes(table(coded), is_file=is_file)
    at = data.index(coded.indices.buffers()[1].to_pybytes()[: 4 * ROWS]) + 4 * 77
    path = saved(tmp_path, data[:at] + struct.pack("<i", 2_000_000_000) + data[at + 4 :])
    with pytest.raises(LogError, match=r"^log\.arrow: the Arrow file is damaged"):
        read_log(path)


def test_nothing_is_made_of_a_batch_before_it_is_validated(tmp_path, monkeypatch) -> None:
    class Batch:
        """A batch that can only be validated, and says that it is wrong."""

        def validate(self, *, full: bool) -> None:
            assert full
            raise pa.ArrowInvalid("forged")

    class Stream:
        schema = table().schema

        def __enter__(self):
            return self

        def __exit__(self, *_: object) -> None:
            return None

        def __iter__(self):
            return iter([Batch()])

    path = saved(tmp_path, arrow_bytes(table()))
    _, batches = columnar.open_ipc(path, is_file=True, name="log.arrow")
    monkeypatch.setattr(pa.ipc, "open_stream", lambda *_, **__: Stream())
    with pytest.raises(pa.ArrowInvalid, match="forged"):
        list(batches([0, 1]))


# --- Arrow: what is declared ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "words"),
    [(10**12, "the log has more than 50,000,000 rows"), (4 * 10**7, "unpack to 1.28 GB or more")],
)
@pytest.mark.parametrize("is_file", [False, True])
def test_rows_that_take_nothing_are_counted(tmp_path, rows, words, is_file) -> None:
    nothing = pa.Array.from_buffers(pa.null(), rows, [None])
    made = pa.table(dict.fromkeys(("Time (s)", "RPM", "MAP (kPa)", "Lambda"), nothing))
    path = saved(tmp_path, arrow_bytes(made, is_file=is_file))
    with pytest.raises(LogError, match=rf"^log\.arrow: .*{words}"):
        read_log(path)


def test_a_batch_that_would_flood_the_memory_is_refused_by_its_sizes(tmp_path) -> None:
    made = table(np.full(ROWS, 0.95))
    data = bytearray(arrow_bytes(made, packing="zstd"))
    packed = struct.pack("<q", 8 * ROWS) + b"\x28\xb5\x2f\xfd"  # size unpacked, then a zstd frame
    at = data.index(packed)
    data[at : at + 8] = struct.pack("<q", 6 * 10**9)
    with pytest.raises(LogError, match=r"^log\.arrow: a batch unpacks to 6 GB; at most 537 MB"):
        read_log(saved(tmp_path, bytes(data)))
    data[at : at + 8] = struct.pack("<q", -8)
    with pytest.raises(LogError, match="damaged"):
        read_log(saved(tmp_path, bytes(data)))


def test_a_dictionary_that_each_of_many_batches_goes_through_is_counted_each_time(tmp_path) -> None:
    words = pa.array([f"{place:09d}" for place in range(200_000)])
    coded = pa.DictionaryArray.from_arrays(pa.array(np.arange(ROWS, dtype="i4")), words)
    data = arrow_bytes(table(coded), packing="zstd", rows=1)
    with pytest.raises(LogError, match=r"unpack to .* or more, over 100 times"):
        read_log(saved(tmp_path, data))


@pytest.mark.parametrize("packing", [None, "zstd", "lz4"])
def test_what_a_message_declares_is_what_it_unpacks_to(tmp_path, packing) -> None:
    from tuneassist.reading.columnar import declared

    made = table(TEXTS.dictionary_encode())
    data = arrow_bytes(made, is_file=False, packing=packing, rows=999)
    found = [declared(message) for message in ipc.MessageReader.open_stream(pa.py_buffer(data))]
    said = [one for one in found if one is not None]
    assert [one.rows for one in said if one.dictionary is None] == [999] * 4 + [4]
    assert sum(one.dictionary is not None for one in said) == 1
    assert all(one.is_packed == (packing is not None) for one in said)
    batches = [one.size for one in said if one.dictionary is None]
    own = 3 * 8 + 4  # three columns of doubles, and places of the dictionary
    padding = 0 if packing else 64 * 8
    assert all(
        999 * own <= size <= 999 * own + max(padding, 999) for size in batches[:4]
    )  # and a bit per row where a column has blanks


@pytest.mark.parametrize("where", ["front", "back"])
def test_a_file_that_lacks_a_mark_or_is_padded_further_is_told_apart(tmp_path, where) -> None:
    data = arrow_bytes(table())
    if where == "back":
        with pytest.raises(LogError, match="damaged"):
            read_log(saved(tmp_path, data[:-1]))
    else:  # some writers begin the first message at a multiple of 64 bytes
        padded = data[:8] + b"\0" * 56 + data[8:]
        assert len(read_log(saved(tmp_path, padded)).samples) == ROWS


@pytest.mark.parametrize("kind", ["arrow", "stream", "parquet"])
@pytest.mark.parametrize(
    "column",
    [
        pa.array([[1.0]] * ROWS),
        pa.array([{"a": 1.0}] * ROWS),
        pa.array([[("a", 1.0)]] * ROWS, pa.map_(pa.string(), pa.float64())),
        pa.array([[1.0]] * ROWS, pa.list_(pa.float64(), 1)),
    ],
    ids=["list", "structure", "map", "list of one"],
)
def test_a_column_that_holds_no_readings_is_never_unpacked(tmp_path, kind, column) -> None:
    path = tmp_path / f"log.{kind}"
    for name, is_needed in (("Lambda", True), ("Knock", False)):
        made = table(column) if is_needed else table(Knock=column)
        if kind == "parquet":
            parquet.write_table(made, path)
        else:
            path.write_bytes(arrow_bytes(made, is_file=kind == "arrow"))
        if is_needed:
            with pytest.raises(LogError, match=rf"column '{name}'.* are text and not numbers"):
                read_log(path)
        else:
            assert "knock" not in read_log(path).samples


def test_text_in_views_is_read(tmp_path) -> None:
    if not hasattr(pa, "string_view"):
        pytest.skip("this pyarrow has no views")
    found = read_log(saved(tmp_path, arrow_bytes(table(TEXTS.cast(pa.string_view())))))
    assert found.samples["lambda"].between(0.9, 1.0).all()


@pytest.mark.parametrize("kind", ["arrow", "parquet"])
def test_one_long_text_meant_in_every_row_is_refused(tmp_path, kind) -> None:
    places = pa.array(np.zeros(ROWS, dtype="i4"))
    long = pa.DictionaryArray.from_arrays(places, pa.array(["9" * 2_000_000]))
    path = tmp_path / f"log.{kind}"
    if kind == "arrow":
        path.write_bytes(arrow_bytes(table(long), packing="zstd"))
    else:
        parquet.write_table(table(long), path, compression="zstd")
        assert path.stat().st_size < 300_000  # 8 GB, were every row written out
    with pytest.raises(LogError, match="column 'Lambda': a cell holds 2000000 bytes of text"):
        read_log(path)


@pytest.mark.parametrize("length", [sources.MOST_CELL_BYTES, sources.MOST_CELL_BYTES + 1])
def test_the_longest_text_is_admitted_and_one_more_letter_is_not(tmp_path, length) -> None:
    texts = TEXTS.to_pylist()
    texts[7] = "x" * length
    path = saved(tmp_path, arrow_bytes(table(pa.array(texts))))
    if length > sources.MOST_CELL_BYTES:
        with pytest.raises(LogError, match="a cell holds 257 bytes"):
            read_log(path)
    else:
        assert len(read_log(path).samples) >= ROWS - 1


# --- Parquet: pages -------------------------------------------------------------------------------


def flat(rows: int) -> pa.Table:
    zeros = pa.array(np.zeros(rows))
    return pa.table(dict.fromkeys(("Time (s)", "RPM", "MAP (kPa)", "Lambda"), zeros))


def test_pages_that_would_flood_the_memory_are_refused_by_their_headers(
    tmp_path, monkeypatch
) -> None:
    path = tmp_path / "log.parquet"
    rows = 400_000
    parquet.write_table(
        flat(rows), path, compression="zstd", use_dictionary=False, data_page_size=1 << 30
    )
    taken = pa.total_allocated_bytes()
    monkeypatch.setattr(sources, "MOST_HELD_BYTES", 100_000)
    monkeypatch.setattr(sources, "MOST_EXPANSION", 10_000)
    with pytest.raises(LogError, match=r"^log\.parquet: one page of each column unp"):
        read_log(path)
    assert pa.total_allocated_bytes() - taken < 8 * rows


def test_rows_that_repeat_without_taking_room_are_counted(tmp_path) -> None:
    path = tmp_path / "log.parquet"
    parquet.write_table(flat(6_000_000), path, compression="zstd", row_group_size=6_000_000)
    assert path.stat().st_size < 500_000
    with pytest.raises(LogError, match=r"^log\.parquet: .* unpack to 192 MB or more, over 100"):
        read_log(path)


@pytest.mark.parametrize("version", ["1.0", "2.0"])
@pytest.mark.parametrize("has_dictionary", [True, False])
def test_page_headers_are_read_as_the_library_wrote_them(tmp_path, version, has_dictionary) -> None:
    path = tmp_path / "log.parquet"
    parquet.write_table(
        table(), path, use_dictionary=has_dictionary, data_page_version=version, row_group_size=1500
    )
    said = parquet.read_metadata(path)
    for group in range(said.num_row_groups):
        for column in range(said.num_columns):
            chunk = said.row_group(group).column(column)
            at = chunk.dictionary_page_offset or chunk.data_page_offset
            end, found = at + chunk.total_compressed_size, []
            heads = chunk.total_compressed_size
            with path.open("rb") as file:
                while at < end:
                    page, at = pages.read_page(file, at, end)
                    found.append(page)
                    heads -= page.packed
            assert at == end
            assert sum(p.values for p in found if not p.is_dictionary) == chunk.num_values
            assert [p.is_dictionary for p in found].count(True) == has_dictionary
            assert sum(p.size for p in found) + heads == chunk.total_uncompressed_size


def test_a_forged_page_header_is_damage(tmp_path) -> None:
    path = tmp_path / "log.parquet"
    parquet.write_table(table(WAVE), path, use_dictionary=False)
    at = parquet.read_metadata(path).row_group(0).column(1).data_page_offset
    data = bytearray(path.read_bytes())
    for forged in (b"\x15\x00\x15\x00", b"\xff" * 8, b"\x1c" * 40, b"\x05\x04\x00\x05\x04\x00"):
        made = data.copy()
        made[at : at + len(forged)] = forged
        path.write_bytes(made)
        with pytest.raises(LogError, match=r"^log\.parquet: the Parquet file is damaged"):
            read_log(path)


def test_texts_written_by_what_they_share_are_refused(tmp_path) -> None:
    path = tmp_path / "log.parquet"
    parquet.write_table(
        table(), path, use_dictionary=False, column_encoding={"Lambda": "DELTA_BYTE_ARRAY"}
    )
    with pytest.raises(LogError, match=r"column 'Lambda': the texts are written by what they sh"):
        read_log(path)


def test_every_page_of_a_name_with_a_point_is_looked_at(tmp_path, monkeypatch) -> None:
    path = tmp_path / "log.parquet"
    made = pa.table({"a": SECONDS, "a.b": WAVE, "c": WAVE})
    parquet.write_table(made, path, use_dictionary=False, compression="none")
    looked: list[int] = []
    whole = pages.read_page

    def watched(file, at, end):
        looked.append(at)
        return whole(file, at, end)

    monkeypatch.setattr("tuneassist.reading.parquet.read_page", watched)
    _, batches = open_parquet(path, rows=1000, name="log.parquet")
    next(batches([0]))
    said = parquet.read_metadata(path).row_group(0)
    assert looked == [said.column(0).data_page_offset, said.column(1).data_page_offset]


# --- packed and plain text ------------------------------------------------------------------------

HEAD = b"Time (s),RPM,MAP (kPa),Lambda\n"
LINES = HEAD + b"".join(
    b"%.2f,%d,%d,0.9%d\n" % (i * 0.05, 2000 + i % 900, 60 + i % 40, i % 9) for i in range(ROWS)
)
MB = 1 << 20


def pack(path: Path, how: str, *pieces: tuple[bytes, int]) -> Path:
    with pa.CompressedOutputStream(str(path), how) as stream:
        for piece, count in pieces:
            for _ in range(count):
                stream.write(piece)
    return path


@pytest.mark.parametrize("how", ["gzip", "zstd"])
def test_an_archive_that_unpacks_to_far_more_than_a_log_is_left_early(tmp_path, how) -> None:
    same = b"%.2f,2000,60,0.95\n" % (ROWS * 0.05) * 50_000
    path = pack(tmp_path / "log.csv.gz", how, (LINES, 1), (same, 700))  # 630 MB
    with Source(path) as source, pytest.raises(LogError, match=r"^log\.csv\.gz: .* over 100 times"):
        for _ in range(700):
            source.read(MB)
    assert source._unpacked < sources.FREE_BYTES + 17 * MB + 100 * path.stat().st_size
    with pytest.raises(LogError, match=r"unpack to 1\d\d MB or more, over 100 times"):
        read_log(path)


def test_an_archive_of_a_log_may_be_of_any_length(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(sources, "FREE_BYTES", 0)
    path = pack(tmp_path / "log.csv.zst", "zstd", (LINES, 1))
    assert len(LINES) > 4 * path.stat().st_size
    assert len(read_log(path).samples) == ROWS


@pytest.mark.parametrize("filler", [b" ", b"9", b",", b'"'])
@pytest.mark.parametrize("lead", [b"", LINES])
def test_a_line_that_does_not_end_is_refused(tmp_path, filler, lead) -> None:
    path = pack(tmp_path / "log.csv.zst", "zstd", (lead, 1), (filler * 4 * MB, 16))
    with pytest.raises(LogError, match=r"^log\.csv\.zst(, row 4002)?: a line takes .* MB or"):
        read_log(path)


def test_a_line_of_the_longest_length_is_a_broken_row_and_one_longer_is_refused(tmp_path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(LINES + b"9" * sources.MOST_LINE_BYTES + b"\n")
    assert len(read_log(path).samples) == ROWS
    path.write_bytes(LINES + b"9" * (sources.MOST_LINE_BYTES + 1) + b"\n")
    with pytest.raises(LogError, match=rf"^log\.csv, row {ROWS + 2}: a line takes 1\.05 MB"):
        read_log(path)


def test_lines_without_rows_are_refused_when_they_are_most(tmp_path) -> None:
    rows = LINES * 40  # beyond the first part
    path = pack(tmp_path / "log.csv.gz", "gzip", (rows, 1), (b"\n" * 4 * MB, 4))
    with pytest.raises(LogError, match=r"^log\.csv\.gz: \d+ of the first \d+ lines are empty"):
        read_log(path)


def test_room_that_a_logger_took_and_did_not_fill_costs_nothing(tmp_path) -> None:
    path = tmp_path / "log.csv"
    with path.open("wb") as file:
        for i in range(120):
            file.write(LINES if i == 0 else LINES[len(HEAD) :])
        file.write(b"\0" * 80 * MB)
    assert read_log(path).rows_read == 120 * ROWS


def test_a_frame_that_asks_for_a_window_of_2_gb_is_refused(tmp_path) -> None:
    # RFC 8878, 3.1.1.1.2: window size 2**(10 + exponent), the exponent in the upper five bits
    for exponent, is_read in ((17, True), (21, False)):
        block = (len(LINES[:60_000]) << 3 | 1).to_bytes(3, "little") + LINES[:60_000]
        data = b"\x28\xb5\x2f\xfd\0" + bytes([exponent << 3]) + block
        path = saved(tmp_path, data, "log.csv.zst")
        if is_read:
            assert len(read_log(path).samples) > 1000
        else:
            with pytest.raises(LogError, match=r"^log\.csv\.zst: the zstd archive is damaged"):
                read_log(path)


@pytest.mark.parametrize("columns", [sources.MOST_COLUMNS + 1, 60_000])
def test_more_columns_than_a_log_has_are_refused(tmp_path, columns) -> None:
    path = tmp_path / "log.csv"
    names = ["Time", "RPM", *(f"c{i}" for i in range(columns - 2))]
    path.write_text(",".join(names) + "\n" + ",".join(["1"] * columns) + "\n")
    with pytest.raises(LogError, match=rf"^log\.csv: the table has {columns} columns"):
        read_log(path)
    made = pa.table({name: [1.0] for name in names})
    with pytest.raises(LogError, match=rf"^log\.arrow: the table has {columns} columns"):
        read_log(saved(tmp_path, arrow_bytes(made)))


def test_a_header_without_an_end_is_refused(tmp_path) -> None:
    made = table(**{"x" * (sources.MOST_HEADER_CHARS + 1): WAVE})
    with pytest.raises(LogError, match=r"^log\.arrow, column 5: the header has 1001 characters"):
        read_log(saved(tmp_path, arrow_bytes(made)))


# --- texts of blanks: a search that grows with the square of 200,000 does not end in a day --------

MANY = 200_000


def test_a_grid_of_blanks_is_searched_once(tmp_path) -> None:
    path = saved(tmp_path, b"rpm" + b" " * MANY + b"x" + b"\n" * MANY + b"y", "grid.csv")
    with pytest.raises(GridError):
        read_grid(path)
    path.write_bytes(b" " * MANY + b'"rpm/load"' + b" " * MANY + b"x")
    with pytest.raises(GridError):
        read_grid(path)


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_a_grid_with_blanks_around_its_first_cell_is_read(tmp_path, mark) -> None:
    rows = [["  rpm/load ", "30", "45"], ["800", "0", "1"], ["1200", "2", "3"]]
    path = saved(tmp_path, "\n".join(map(mark.join, rows)).encode(), "grid.csv")
    assert read_grid(path).values.tolist() == [[0, 1], [2, 3]]


@pytest.mark.parametrize("blank", [b"\n", b" ", b"\t", b'"', b"\r\n", b"\v", b"7"])
def test_a_text_of_blanks_is_no_log_and_is_found_so_at_once(tmp_path, blank) -> None:
    path = saved(tmp_path, blank * MANY + b"x", "note.txt")
    assert usable_logs([path])[0] == []


def test_a_header_of_brackets_is_compared_at_once() -> None:
    headings = [read_heading(0, "("), read_heading(1, "Engine speed (rpm)")]
    from dataclasses import replace

    from tuneassist.files.setup_file import read_setup
    from tuneassist.settings import ChannelSource

    samples = Path(__file__).resolve().parent.parent / "sample_logs"
    car = read_setup(samples / "petrol-setup.toml")
    for column in ("(" * MANY, "Engine sped (1/min)"):
        asked = replace(car, channels={"rpm": ChannelSource(column)})
        with pytest.raises(LogError) as caught:
            match_columns(headings, asked, name="log.csv")
        guessed = re.search("Did you mean 'Engine speed", str(caught.value)) is not None
        assert guessed == column.startswith("Engine")


def test_a_packed_note_is_told_in_words(tmp_path) -> None:
    path = saved(tmp_path, gzip.compress(b" " * 50 * MB), "log.csv.gz")
    with pytest.raises(LogError, match=r"^log\.csv\.gz: a line takes"):
        read_log(path)


def test_a_log_of_more_rows_than_any_session_is_refused_on_the_way(tmp_path, monkeypatch):
    path = tmp_path / "log.csv"
    rows = "".join(f"{n / 10},2000,100,1.0\n" for n in range(5000))
    path.write_text("time (s),rpm,load (kPa),lambda\n" + rows, encoding="utf-8")
    setup = read_setup(PETROL)
    setup = replace(setup, channels={}, steady=replace(setup.steady, estimate_rows=1000))
    monkeypatch.setattr(sources, "MOST_ROWS", 4000)
    with pytest.raises(LogError, match="more than 4,000 rows"):
        sum(len(part) for part in LogReader(path, setup=setup).parts())
    monkeypatch.setattr(sources, "MOST_ROWS", 5000)
    assert sum(len(part) for part in LogReader(path, setup=setup).parts()) == 5000


def test_a_file_that_goes_on_with_zeros_is_refused_and_a_little_unused_room_is_not(
    tmp_path, monkeypatch
):
    path = tmp_path / "log.csv"
    rows = "".join(f"{n / 10},2000,100,1.0\n" for n in range(200_000))
    path.write_bytes(f"time (s),rpm,load (kPa),lambda\n{rows}".encode() + bytes(40 << 20))
    assert len(read_log(path).samples) == 200_000
    monkeypatch.setattr(sources, "MOST_UNUSED_BYTES", 16 << 20)
    with pytest.raises(LogError, match="zero bytes only"):
        read_log(path)
