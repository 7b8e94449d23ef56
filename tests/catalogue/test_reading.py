"""Clips as people keep them: cells that are no numbers, quoted line ends, odd lines, other names."""

from __future__ import annotations

import json

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallwide.cli import main
from tallwide_service.arrow.cells import WrongCells, numbers
from tallwide_service.catalogue.reading import blocks_of
from tallwide_service.catalogue.sources import parts_of, sources_of
from tallwide_service.core.clip_columns import CLIP_COLUMNS

WIDTH, HEIGHT = "raster_width_px", "raster_height_px"
MAPPING = {"id": "id", WIDTH: WIDTH, HEIGHT: HEIGHT}


def read(path, rows_a_part=1_000_000, mapping=MAPPING):
    """All clips and all that is set aside of one file, through parts of so many rows."""
    sources = sources_of([str(path)])
    clips, aside = [], []
    for part in parts_of(sources, rows_a_part):
        for block in blocks_of(sources[0], part, mapping):
            columns = (block.table.columns[WIDTH].tolist(), block.table.columns[HEIGHT].tolist())
            clips += zip(block.rows.tolist(), block.ids.to_pylist(), *columns, strict=True)
            aside += [(each.row, each.detail) for each in block.aside]
    return clips, aside


@pytest.mark.parametrize("rows_a_part", [1, 2, 3, 100])
def test_a_wrong_cell_sets_its_own_row_aside_wherever_the_file_is_cut(tmp_path, rows_a_part):
    path = tmp_path / "clips.csv"
    path.write_text(
        "\ufeffid,raster_width_px,note,raster_height_px\r\n"
        'a,3840,"two\nlines, one note",2160\r\n'
        "b,n/a,,2160\r\n"
        "c,3840.5,,2160\r\n"
        "d, 1920 ,,1080.0\r\n"
        "e,1920\r\n"
        "\r\n"
        '"f ""quoted""\n",,,1080\r\n'
        "g,4096,,2160",
        encoding="utf-8",
    )
    clips, aside = read(path, rows_a_part)
    assert clips == [
        (0, "a", 3840, 2160),
        (3, "d", 1920, 1080),
        (7, "g", 4096, 2160),
    ]
    assert aside == [
        (1, "must be a number, not 'n/a'"),
        (2, "must be a whole number, not 3840.5"),
        (4, "has 2 fields, not 4"),
        (5, "is required"),
        (6, "is required"),
    ]


@pytest.mark.parametrize("rows_a_part", [1, 2, 100])
def test_lines_that_are_no_objects_are_set_aside(tmp_path, rows_a_part):
    path = tmp_path / "clips.ndjson"
    lines = [
        '{"id": 7, "raster_width_px": 3840, "raster_height_px": 2160}',
        "{nonsense",
        "[1]",
        "",
        '{"id": null, "raster_width_px": true, "raster_height_px": 2160}',
        '{"id": "x", "raster_width_px": "1920", "raster_height_px": 1080.0, "other": {"a": []}}',
        '{"raster_width_px": 1e400, "raster_height_px": 1080}',
    ]
    path.write_text("\n".join(lines), encoding="utf-8")
    clips, aside = read(path, rows_a_part)
    assert clips == [(0, "7", 3840, 2160), (5, "x", 1920, 1080)]
    assert [row for row, _ in aside] == [1, 2, 3, 4, 6]
    assert dict(aside)[2] == "is not a JSON object"
    assert dict(aside)[4] == "must be a number, not 'true'"


cells = st.text(st.characters(codec="utf-8", exclude_categories=("C",)), max_size=6) | st.sampled_from(
    ('"', "\n", 'a"b', "a\r\nb", ",", "\n\n", '""')
)


@given(texts=st.lists(cells, min_size=1, max_size=20), rows_a_part=st.integers(1, 7))
def test_every_way_to_cut_a_csv_file_gives_the_same_rows(tmp_path_factory, texts, rows_a_part):
    path = tmp_path_factory.mktemp("csv") / "clips.csv"
    quoted = ['"' + text.replace('"', '""') + '"' for text in texts]
    rows = [f"{text},{1000 + number},500" for number, text in enumerate(quoted)]
    path.write_bytes("\n".join(["id,raster_width_px,raster_height_px", *rows]).encode())
    clips, aside = read(path, rows_a_part)
    assert aside == []
    # An empty name is none; a quoted one that is empty is one.
    assert [(row, name or "", width) for row, name, width, _ in clips] == [
        (number, text, 1000 + number) for number, text in enumerate(texts)
    ]


@pytest.mark.parametrize(
    ("name", "cells", "expected"),
    [
        ("squeeze", pa.array(["1.33", " 2 ", None, ""]), [1.33, 2.0, np.nan, np.nan]),
        ("squeeze", pa.array([1.33, None], pa.float32()), [1.33, np.nan]),
        ("squeeze", pa.array([2, None], pa.int8()), [2.0, np.nan]),
        ("roll_deg", pa.array([90.0, None]), [90, 0]),
        ("roll_deg", pa.array([90, 0]).dictionary_encode(), [90, 0]),
        ("raster_width_px", pa.array([2**63, 1], pa.uint64()), [2**63, 1]),
        ("raster_width_px", pa.nulls(2), [-(2**31)] * 2),
        ("raster_width_px", pa.array([200, None], pa.uint8()), [200, -(2**31)]),
        ("raster_width_px", pa.array([2**63, None], pa.uint64()), [2**40, -(2**31)]),
        ("grid_x_px", pa.array([4, None], pa.int8()), [4, 2]),
        ("squeeze_axis", pa.array(["sensor_height", None, "sensor_width"]), [1, 0, 0]),
    ],
)
def test_cells_of_every_kind_become_numbers(name, cells, expected):
    values, faults = numbers(name, CLIP_COLUMNS[name], cells)
    np.testing.assert_array_equal(values, np.array(expected))
    assert faults == {}


def test_an_axis_of_another_name_is_named():
    _, faults = numbers("squeeze_axis", CLIP_COLUMNS["squeeze_axis"], pa.array(["sensor_width", "up"]))
    assert faults == {1: "must be sensor_width or sensor_height, not 'up'"}


def test_a_column_of_dates_is_no_column_of_numbers():
    with pytest.raises(WrongCells, match="must hold numbers, not timestamp"):
        numbers("squeeze", CLIP_COLUMNS["squeeze"], pa.array([1], pa.timestamp("s")))


def test_columns_of_other_names_are_mapped(solve, tmp_path, capsys):
    table = pa.table({"Clip": ["x"], "W": [3840], "H": [2160], "mode": ["UHD"], "W x H": [1]})
    pq.write_table(table, tmp_path / "clips.parquet")
    maps = [f"--map={each}" for each in (f"{WIDTH}=W", f"{HEIGHT}=H", "id=Clip")]
    out = solve(tmp_path / "clips.parquet", tmp_path / "out", *maps)
    assert pq.read_table(out / "frames")["id"].to_pylist() == ["x"] * 3
    assert json.loads((out / "summary.json").read_text(encoding="utf-8"))["modes"][0]["mode"] == "UHD"
    assert f"{WIDTH} from 'W'" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("maps", "words"),
    [
        ([], f"has no column '{WIDTH}' for {WIDTH}; it has Clip, W, H"),
        ([f"{WIDTH}=W", f"{HEIGHT}=Height"], f"has no column 'Height' for {HEIGHT}"),
        ([f"{WIDTH}=W", f"{HEIGHT}=H", "colour=Clip"], "clips have no column 'colour'"),
        ([WIDTH], "--map is NAME=COLUMN"),
    ],
)
def test_a_column_that_is_not_there_is_named(tmp_path, wanted, capsys, maps, words):
    pq.write_table(pa.table({"Clip": ["x"], "W": [3840], "H": [2160]}), tmp_path / "clips.parquet")
    arguments = ["run", str(tmp_path), "--deliverables", str(wanted), "--out", str(tmp_path / "out")]
    assert main(["catalogue", *arguments, *(f"--map={each}" for each in maps)]) == 2
    assert words in capsys.readouterr().err


def test_a_pattern_and_a_folder_stand_for_their_files_each_once(clips):
    paths = [source.path for source in sources_of([str(clips / "*.parquet"), str(clips)])]
    assert [path.rsplit("/", 1)[1] for path in paths] == ["a.parquet", "b.parquet"]


def test_files_that_differ_in_their_columns_are_not_read_together(tmp_path, wanted, capsys):
    pq.write_table(pa.table({WIDTH: [1], HEIGHT: [1], "squeeze": [1]}), tmp_path / "a.parquet")
    pq.write_table(pa.table({WIDTH: [1], HEIGHT: [1]}), tmp_path / "b.parquet")
    arguments = ["run", str(tmp_path), "--deliverables", str(wanted), "--out", str(tmp_path / "out")]
    assert main(["catalogue", *arguments]) == 2
    assert "only one has squeeze" in capsys.readouterr().err


def test_a_cut_parquet_file_is_named(tmp_path, wanted, capsys):
    (tmp_path / "clips.parquet").write_bytes(b"PAR1 and no more")
    arguments = ["run", str(tmp_path), "--deliverables", str(wanted), "--out", str(tmp_path / "out")]
    assert main(["catalogue", *arguments]) == 2
    assert "is no whole Parquet file" in capsys.readouterr().err
