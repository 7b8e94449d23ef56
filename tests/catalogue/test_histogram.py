"""The histogram of margins: its counts are the summary's, and its words do not lie on each other."""

from __future__ import annotations

import itertools
import json
from importlib import resources
from xml.etree import ElementTree

import pyarrow as pa
import pyarrow.parquet as pq
from PIL import ImageFont

from clip_archive import WANTED
from tallwide.cli import main

NAMES = {"svg": "http://www.w3.org/2000/svg"}
# Wider than the sans serif that the picture asks for.
FONT = resources.files("tallwide_service.render") / "fonts" / "DejaVuSans.ttf"


def texts(picture):
    """Each text of a picture with its left, top, right and bottom, about."""
    for each in picture.iterfind("svg:text", NAMES):
        size = float(each.get("font-size"))
        with resources.as_file(FONT) as path:
            wide = ImageFont.truetype(str(path), size).getlength(each.text or "")
        left = float(each.get("x")) - {"start": 0, "middle": wide / 2, "end": wide}[each.get("text-anchor")]
        base = float(each.get("y"))
        yield each.text, (left, base - 0.8 * size, left + wide, base + 0.2 * size)


def test_no_two_labels_overlap_and_none_leaves_the_picture(solve, clips, tmp_path):
    picture = ElementTree.parse(solve(clips, tmp_path / "out") / "margins.svg").getroot()
    laid = list(texts(picture))
    assert len(laid) > 15
    for (one, a), (other, b) in itertools.combinations(laid, 2):
        assert a[2] < b[0] or b[2] < a[0] or a[3] <= b[1] or b[3] <= a[1], (one, other)
    width, height = (float(picture.get(side)) for side in ("width", "height"))
    for text, (left, top, right, bottom) in laid:
        assert 0 <= left <= right <= width, text
        assert 0 <= top <= bottom <= height, text


def said_by(picture, summary):
    """What must stand for each deliverable, from the summary; what stands there as words."""
    told = [text for text, _ in texts(picture)]
    for each in summary["deliverables"]:
        words = f"{each['can_deliver']:,} of {summary['clips']:,} clips"
        yield each, ("no raster, no margins" if each["without_raster"] else words), told


def test_its_counts_are_those_of_the_summary_and_the_command_line(solve, clips, tmp_path, capsys):
    out = solve(clips, tmp_path / "out")
    printed = capsys.readouterr().out.splitlines()
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    picture = ElementTree.parse(out / "margins.svg").getroot()
    description = picture.find("svg:desc", NAMES).text.split("; ")
    for (each, words, told), line, part in zip(said_by(picture, summary), printed, description, strict=True):
        assert words in told
        assert part.startswith(f"{each['deliverable']}: {words}")
        assert line == f"{each['deliverable']}: " + (
            "has no raster" if each["without_raster"] else f"{words} can deliver it"
        )
        if not each["without_raster"]:
            assert each["refused"] > 0
            assert f"{each['refused']:,} refused" in told
            bars = [bar.find("svg:title", NAMES).text for bar in picture.iterfind("svg:rect[@class='enough']", NAMES)]
            own = [bar.rsplit(": ", 1)[1] for bar in bars if bar.startswith(f"{each['deliverable']}, ")]
            assert sum(int(bar.split()[0].replace(",", "")) for bar in own) == each["can_deliver"]


def test_where_every_clip_is_refused_none_can_deliver_it(solve, tmp_path, capsys):
    pq.write_table(pa.table({"raster_width_px": [0, 0], "raster_height_px": [1, 1]}), tmp_path / "clips.parquet")
    out = solve(tmp_path / "clips.parquet", tmp_path / "out")
    label = WANTED["deliverables"][0]["label"]
    assert f"{label}: 0 of 2 clips can deliver it" in capsys.readouterr().out
    told = [text for text, _ in texts(ElementTree.parse(out / "margins.svg").getroot())]
    assert "0 of 2 clips" in told
    assert main(["catalogue", "merge", "--out", str(out)]) == 0
