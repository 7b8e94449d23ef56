"""Whole runs: every row against a single job, the same bytes whoever works, what is killed goes on."""

from __future__ import annotations

import csv
import json
import math
import signal
import subprocess
import sys
import time

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest

from clip_archive import WANTED, archive, command, output, start
from tallwide import Client, TallwideError
from tallwide.cli import main
from tallwide.rows import to_rows
from tallwide_service.api.problems import KINDS
from tallwide_service.catalogue.part import file_of, is_done
from tallwide_service.catalogue.plan import Plan

pytestmark = pytest.mark.usefixtures("clean_environment")


def frames(out):
    return pq.read_table(out / "frames").to_pylist()


def lines(path):
    return path.read_text(encoding="utf-8").splitlines()


def test_every_row_is_what_the_service_says_of_a_job_of_that_clip(solve, clips, tmp_path):
    out = solve(clips, tmp_path / "out")
    rows = {(row["id"], row["deliverable"]): row for row in frames(out)}
    refused = [json.loads(line) for path in sorted((out / "refused").iterdir()) for line in lines(path)]
    assert len(rows) + len(refused) == 3 * 7_000
    client = Client()
    for clip in archive(7_000).to_pylist()[::350]:
        if clip["raster_height_px"] == 1:
            assert any(line["id"] == clip["id"] and line["problem"]["status"] == 422 for line in refused)
            continue
        for deliverable in WANTED["deliverables"]:
            capture = {
                "raster": {"width": clip["raster_width_px"], "height": clip["raster_height_px"]},
                "squeeze": clip["squeeze"],
                "roll": clip["roll_deg"],
            }
            job = {"capture": capture, "deliverables": [deliverable], "framing": WANTED["framing"]}
            (expected,) = (
                place | margin
                for place, margin in zip(to_rows(client.extractions(job)), to_rows(client.margins(job)), strict=True)
            )
            row = rows[clip["id"], deliverable["label"]]
            for name, value in row.items():
                if name not in ("clip_row", "id"):
                    assert value == expected[name], (clip, name)


def test_threads_shards_and_their_order_give_the_same_bytes(solve, clips, wanted, tmp_path):
    one = output(solve(clips, tmp_path / "one", "--part-clips", "1000", "--threads", "1"))
    assert len([name for name in one if name.startswith("frames/")]) == 9
    assert output(solve(clips, tmp_path / "two", "--part-clips", "1000", "--threads", "2")) == one
    shards = tmp_path / "shards"
    plan = ["plan", str(clips), "--deliverables", str(wanted), "--out", str(shards), "--part-clips", "1000"]
    assert main(["catalogue", *plan]) == 0
    for number in (2, 0, 1):
        assert main(["catalogue", "run", "--shard", f"{number}/3", "--out", str(shards)]) == 0
    assert main(["catalogue", "merge", "--out", str(shards)]) == 0
    assert output(shards) == one


@pytest.mark.parametrize("form", ["csv", "ndjson"])
def test_clips_in_lines_give_the_frames_that_parquet_gives(solve, clips, tmp_path, form):
    parquet = solve(clips, tmp_path / "parquet")
    in_lines = tmp_path / f"lines.{form}"
    table = archive(7_000)
    if form == "csv":
        pa_csv.write_csv(table, in_lines)
    else:
        in_lines.write_text("".join(json.dumps(row) + "\n" for row in table.to_pylist()), encoding="utf-8")
    out = solve(in_lines, tmp_path / "out", "--part-clips", "1300")
    assert frames(out) == frames(parquet)


def test_a_row_set_aside_says_its_problem_as_the_service_would(solve, tmp_path):
    clips = tmp_path / "clips.ndjson"
    of_clips = (
        {"raster_width_px": 0},  # out of bounds
        {"raster_width_px": "wide"},  # no number
        {"raster_height_px": 1},  # no frame fits
        {"align_x": 2, "id": "off"},
    )
    written = [json.dumps({"raster_width_px": 3840, "raster_height_px": 2160, **clip}) for clip in of_clips]
    clips.write_text("\n".join([json.dumps({"align_x": None, "id": None}), *written, "{nonsense"]), encoding="utf-8")
    out = solve(clips, tmp_path / "out")
    refused = [json.loads(line) for line in lines(out / "refused" / "part-00000.ndjson")]
    assert {line["clip_row"] for line in refused} == {0, 1, 2, 3, 4, 5}
    service = Client()
    titles = {}
    for job in ({"raster": {"width": 0, "height": 0}}, {"raster": {"width": 3840, "height": 1}}):
        with pytest.raises(TallwideError) as error:
            service.extractions({"capture": job, **WANTED})
        titles[error.value.problem["type"]] = error.value.problem["title"]
    for line in refused:
        problem = line["problem"]
        slug = problem["type"].removeprefix("/problems/")
        assert KINDS[slug][0] == problem["status"] == 422
        assert problem["title"] == titles[problem["type"]]
        assert problem["detail"]
        assert problem["errors"]
    off = next(line for line in refused if line["id"] == "off")
    assert off["problem"]["errors"] == [{"pointer": "/deliverables/0/align/x", "detail": "must be from 0 to 1, not 2"}]


@pytest.mark.parametrize("form", ["csv", "ndjson"])
def test_answers_in_lines_say_what_parquet_says(solve, clips, tmp_path, form):
    parquet = pq.read_table(solve(clips, tmp_path / "parquet") / "frames")
    out = solve(clips, tmp_path / "out", "--format", form, "--part-clips", "2000")
    files = sorted((out / "frames").iterdir())
    if form == "ndjson":
        rows = [json.loads(line) for path in files for line in lines(path)]
    else:
        as_null = pa_csv.ConvertOptions(strings_can_be_null=True)
        read = pa.concat_tables(pa_csv.read_csv(path, convert_options=as_null) for path in files)
        rows = read.cast(pa.schema([(field.name, _plain(field.type)) for field in parquet.schema])).to_pylist()
    assert rows == parquet.to_pylist()


def _plain(kind):
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def test_the_summary_counts_what_the_rows_say(solve, clips, tmp_path):
    out = solve(clips, tmp_path / "out", "--part-clips", "900")
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    table = pq.read_table(out / "frames")
    assert (summary["clips"], summary["rows"]) == (7_000, table.num_rows)
    for said in summary["deliverables"]:
        chosen = table.filter(pc.equal(table["deliverable"].cast(pa.string()), said["deliverable"]))
        enough = pc.sum(chosen["enough"].cast(pa.int64())).as_py() or 0
        assert said["can_deliver"] == enough
        assert said["refused"] == 7_000 - chosen.num_rows
        counts = summary["margins_pct"]["clips"][said["deliverable"]]
        spare = [value for value in chosen["spare_pct"].to_pylist() if value is not None]
        assert sum(counts) == len(spare)
        first = summary["margins_pct"]["from"].index(0)
        assert counts[first] == sum(0 <= value < 10 for value in spare)
    assert sum(mode["clips"] for mode in summary["modes"]) == 7_000
    by_name = {mode["mode"]: mode for mode in summary["modes"]}
    table_of_clips = archive(7_000).to_pylist()
    assert by_name["mode 3"]["clips"] == sum(clip["mode"] == "mode 3" for clip in table_of_clips)
    assert all(mode["deliverables"][0]["refused"] <= mode["clips"] for mode in summary["modes"])


def test_the_table_by_mode_is_csv_that_says_what_the_summary_says_whatever_a_mode_is_called(solve, tmp_path):
    names = ["plain", 'a, "quoted" one', "=1+1", "two\nlines", "a\rreturn", None]
    table = pa.table({"mode": names, "raster_width_px": [3840] * 6, "raster_height_px": [2160] * 6})
    pq.write_table(table, tmp_path / "clips.parquet")
    out = solve(tmp_path / "clips.parquet", tmp_path / "out")
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    with (out / "by-mode.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    told = {(row["mode"], row["deliverable"]): row for row in rows}
    assert len(told) == len(rows) == 6 * 3
    assert {mode["mode"] for mode in summary["modes"]} == {*names[:-1], "3840 x 2160"}
    for mode in summary["modes"]:
        for counts in mode["deliverables"]:
            row = told["'=1+1" if mode["mode"] == "=1+1" else mode["mode"], counts["deliverable"]]
            assert row == {"mode": row["mode"], "clips": "1"} | {name: str(count) for name, count in counts.items()}
            assert sum(int(row[name]) for name in ("enough", "at_limit", "short", "without_raster", "refused")) == 1


def test_a_killed_run_started_again_does_only_what_is_missing(solve, wanted, tmp_path):
    clips = tmp_path / "many.parquet"
    pq.write_table(archive(120_000), clips, row_group_size=1_000)
    options = ["--part-clips", "1000", "--threads", "2"]
    whole = output(solve(clips, tmp_path / "whole", *options))
    out = tmp_path / "killed"
    arguments = ["run", str(clips), "--deliverables", str(wanted), "--out", str(out), *options]
    process = start(command(*arguments), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    done = out / "done"
    deadline = time.monotonic() + 60
    while not (done.is_dir() and len(list(done.glob("part-*.json"))) >= 5):
        assert process.poll() is None, process.stderr.read()
        assert time.monotonic() < deadline
        time.sleep(0.002)
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=30)
    plan = Plan.read(out)
    kept = {number for number in range(120) if is_done(plan, out, number)}
    assert 5 <= len(kept) < 120
    times = {number: file_of(out, "frames", number, "parquet").stat().st_mtime_ns for number in kept}
    assert output(solve(clips, out, *options)) == whole
    assert {number: file_of(out, "frames", number, "parquet").stat().st_mtime_ns for number in kept} == times


@pytest.mark.parametrize(("form", "name"), [("parquet", ""), ("csv", ""), ("ndjson", ""), ("parquet", "**/*.parquet")])
@pytest.mark.parametrize("inside", ["answers", "."])
def test_a_run_whose_answers_lie_among_its_clips_goes_on_too(solve, clips, tmp_path, form, inside, name):
    options = ["--format", form, "--part-clips", "3000"]
    whole = output(solve(clips, tmp_path / "whole", *options))
    out = clips / inside
    solve(clips / name, out, *options)
    file_of(out, "done", 1, form).unlink()
    kept = file_of(out, "frames", 0, form).stat().st_mtime_ns
    solve(clips / name, out, *options)
    assert {name: data for name, data in output(out).items() if "/" in name or name in whole} == whole
    assert file_of(out, "frames", 0, form).stat().st_mtime_ns == kept


@pytest.mark.parametrize("kind", ["frames", "refused", "done"])
def test_a_half_written_file_is_never_taken_for_a_whole_one(solve, clips, tmp_path, kind):
    out = solve(clips, tmp_path / "out", "--part-clips", "2000")
    whole = output(out)
    path = file_of(out, kind, 1, "parquet")
    path.write_bytes(path.read_bytes()[:-7])
    assert output(solve(clips, out, "--part-clips", "2000")) == whole


def test_a_file_that_somebody_changed_is_found_when_parts_are_merged(solve, clips, tmp_path, capsys):
    out = solve(clips, tmp_path / "out")
    path = file_of(out, "frames", 0, "parquet")
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    assert main(["catalogue", "merge", "--out", str(out)]) == 2
    assert "is not what was written" in capsys.readouterr().err


def test_merging_names_the_parts_that_are_not_done(clips, wanted, tmp_path, capsys):
    out = str(tmp_path / "out")
    assert (
        main(["catalogue", "plan", str(clips), "--deliverables", str(wanted), "--out", out, "--part-clips", "2000"])
        == 0
    )
    assert main(["catalogue", "run", "--shard", "0/2", "--out", out]) == 0
    assert main(["catalogue", "merge", "--out", out]) == 2
    assert "2 of 5 parts are not done: 1, 3" in capsys.readouterr().err


def test_a_folder_keeps_to_its_first_run(solve, clips, wanted, tmp_path, capsys):
    out = solve(clips, tmp_path / "out")
    arguments = ["catalogue", "run", str(clips), "--deliverables", str(wanted), "--out", str(out)]
    assert main([*arguments, "--part-clips", "100"]) == 2
    assert "holds another run" in capsys.readouterr().err


def test_an_empty_file_name_or_a_wrong_shard_is_wrong_usage(wanted, tmp_path, capsys):
    for arguments, words in (
        (["run", str(tmp_path / "none.parquet"), "--deliverables", str(wanted)], "there is no file"),
        (["run", "--shard", "3/3"], "holds no plan"),
        (["run", "--deliverables", str(wanted)], "name the clips too"),
        (["run", "--engine", "dask"], "go together"),
        (["run", str(wanted), "--deliverables", str(wanted)], "of no known kind"),
    ):
        assert main(["catalogue", *arguments, "--out", str(tmp_path / "out")]) == 2
        assert words in capsys.readouterr().err


def test_wrong_deliverables_are_refused_as_the_service_refuses_them(clips, tmp_path, capsys):
    path = tmp_path / "wrong.json"
    path.write_text(json.dumps([{"label": "a", "aspect": "16:9", "weight": 0}]), encoding="utf-8")
    assert main(["catalogue", "run", str(clips), "--deliverables", str(path), "--out", str(tmp_path / "out")]) == 1
    problem = json.loads(capsys.readouterr().err)
    assert problem["errors"][0]["pointer"] == "/deliverables/0/weight"


def test_frames_on_one_point_are_those_of_the_service(tmp_path):
    wanted = {
        "deliverables": [{"label": "a", "aspect": "16:9"}, {"label": "b", "raster": {"width": 1080, "height": 1920}}],
        "framing": {"arrangement": "shared_point", "match": "height"},
    }
    path = tmp_path / "together.json"
    path.write_text(json.dumps(wanted), encoding="utf-8")
    table = archive(40)
    pq.write_table(table, tmp_path / "few.parquet")
    out = tmp_path / "out"
    assert (
        main(["catalogue", "run", str(tmp_path / "few.parquet"), "--deliverables", str(path), "--out", str(out)]) == 0
    )
    rows = frames(out)
    clip = table.to_pylist()[rows[0]["clip_row"]]
    capture = {
        "raster": {"width": clip["raster_width_px"], "height": clip["raster_height_px"]},
        "squeeze": clip["squeeze"],
        "roll": clip["roll_deg"],
    }
    expected = to_rows(Client().extractions({"capture": capture, **wanted}))
    for row, other in zip(rows, expected, strict=False):
        assert [row[f"rect_{side}_px"] for side in ("x", "y", "width", "height")] == [
            other[f"rect_{side}_px"] for side in ("x", "y", "width", "height")
        ]


def test_without_its_libraries_the_command_says_what_to_install(clips, wanted, tmp_path):
    script = (
        "import sys; sys.modules['pyarrow'] = None; from tallwide.cli import main; "
        f"sys.exit(main(['catalogue', 'run', {str(clips)!r}, '--deliverables', {str(wanted)!r}, '--out', 'x']))"
    )
    process = start([sys.executable, "-c", script], stderr=subprocess.PIPE, text=True, cwd=tmp_path)
    _, words = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "pip install 'tallwide[catalogue]'" in words


def test_numbers_of_single_precision_mean_what_was_written(solve, tmp_path):
    table = archive(50)
    single = table.set_column(4, "squeeze", table["squeeze"].cast(pa.float32()))
    pq.write_table(table, tmp_path / "double.parquet")
    pq.write_table(single, tmp_path / "single.parquet")
    results = [frames(solve(tmp_path / f"{name}.parquet", tmp_path / name)) for name in ("double", "single")]
    assert results[0] == results[1]
    assert all(math.isfinite(row["aspect_error"]) for row in results[0])
