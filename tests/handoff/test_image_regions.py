"""IPTC image regions: read back with every value by exiftool, well-formed by xmllint, no entity expanded.

Sources: IPTC Photo Metadata Standard, Image Region; IPTC NewsCodes, imageregionrole.
"""

from __future__ import annotations

import json
import subprocess
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strategies import decisions
from tallwide import handoff
from tallwide.answers import Rect
from tallwide.decision import Decision, Frame
from tallwide.handoff import ReadOptions, UnreadableForm
from tallwide.handoff.image_regions import Hostile, parse, share
from tallwide.job import Aspect, Capture, Deliverable, Handoff, Job, Raster

FORM = "image-regions"


def _decision(*frames: tuple[str, Rect]) -> Decision:
    made = tuple(Frame(Deliverable(label, Aspect("1:1")), rect, rect) for label, rect in frames)
    return Decision(Job(Capture(Raster(3840, 2160)), tuple(f.deliverable for f in made)), made, "0" * 64, "0.1.0")


DECISION = _decision(
    ("tall 9:16 <&\"'>", Rect(1312, 0, 1216, 2160)),
    ("widescreen — 縦", Rect(0, 270, 3840, 1620)),
    ("square", Rect(840, 0, 2160, 2160)),
)


def _exiftool(text: bytes, tmp_path):
    path = tmp_path / "plate.xmp"
    path.write_bytes(text)
    printed = subprocess.run(["exiftool", "-json", "-struct", "-n", str(path)], check=True, capture_output=True).stdout
    return json.loads(printed)[0]


def test_exiftool_reads_every_value(tmp_path):
    found = _exiftool(handoff.write(DECISION, FORM).raw, tmp_path)
    assert "Error" not in found
    assert "Warning" not in found
    assert (found["ImageWidth"], found["ImageHeight"]) == (3840, 2160)
    regions = found["ImageRegion"]
    assert [region["Name"] for region in regions] == [frame.label for frame in DECISION.frames]
    assert [region["RId"] for region in regions] == ["tall-9-16", "widescreen", "square"]
    for frame, region in zip(DECISION.frames, regions, strict=True):
        boundary = region["RegionBoundary"]
        assert (boundary["RbShape"], boundary["RbUnit"]) == ("rectangle", "relative")
        values = [Fraction(str(boundary[name])) for name in ("RbX", "RbY", "RbW", "RbH")]
        rect = frame.rect
        exact = [
            Fraction(rect.x, 3840),
            Fraction(rect.y, 2160),
            Fraction(rect.width, 3840),
            Fraction(rect.height, 2160),
        ]
        assert all(abs(value - wanted) < Fraction(1, 10**11) for value, wanted in zip(values, exact, strict=True))
    roles = [[role["Identifier"][0].rsplit("/", 1)[1] for role in region["RRole"]] for region in regions]
    assert roles == [
        ["recomCropping", "portraitCropping"],
        ["recomCropping", "landscapeCropping"],
        ["recomCropping", "squareCropping"],
    ]
    assert regions[0]["RRole"][0]["Identifier"] == ["http://cv.iptc.org/newscodes/imageregionrole/recomCropping"]


def test_names_carry_the_jobs_language(tmp_path):
    found = _exiftool(handoff.write(DECISION, FORM, Handoff(language="ja")).raw, tmp_path)
    assert [region["Name-ja"] for region in found["ImageRegion"]] == [frame.label for frame in DECISION.frames]
    with pytest.raises(ValueError, match="BCP 47"):
        handoff.write(DECISION, FORM, Handoff(language='"><x'))


def test_xmllint_finds_it_well_formed_and_rdf_has_one_description(tmp_path):
    path = tmp_path / "plate.xmp"
    path.write_bytes(handoff.write(DECISION, FORM).raw)
    subprocess.run(["xmllint", "--noout", "--nonet", str(path)], check=True)
    query = (
        "count(//*[local-name()='RegionBoundary' and namespace-uri()='http://iptc.org/std/Iptc4xmpExt/2008-02-29/'])"
    )
    counted = subprocess.run(["xmllint", "--xpath", query, str(path)], check=True, capture_output=True).stdout
    assert counted.strip() == b"3"


@given(st.integers(1, 65_535), st.data())
def test_a_share_gives_its_whole_pixel_back(side, data):
    pixel = data.draw(st.integers(0, side))
    assert round(Fraction(share(pixel, side)) * side) == pixel


@given(decisions())
@settings(max_examples=100, deadline=None)
def test_what_regions_carry_comes_back_unchanged(decision):
    reading = handoff.read(handoff.write(decision, FORM).content, FORM)
    raster = decision.capture.raster
    assert reading.job["capture"]["raster"] == {"width": raster.width, "height": raster.height}
    assert [(f.deliverable, f.rect) for f in reading.frames] == [(f.label, f.rect) for f in decision.frames]
    assert not reading.liberties


# The reference form of a stranger: pixels, six decimals, attributes for elements, nothing but what is needed.
STRANGER = """<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:I="http://iptc.org/std/Iptc4xmpExt/2008-02-29/">
<I:ImageRegion><rdf:Bag><rdf:li><rdf:Description I:rId="x9x16">
<I:RegionBoundary><rdf:Description I:rbShape="rectangle" I:rbUnit="{unit}"
 I:rbX="{x}" I:rbY="0" I:rbW="{w}" I:rbH="{h}"/>
</I:RegionBoundary></rdf:Description></rdf:li></rdf:Bag></I:ImageRegion></rdf:Description></rdf:RDF>"""


@pytest.mark.parametrize(
    ("unit", "x", "w", "h"), [("pixel", "1312", "1216", "2160"), ("relative", "0.341667", "0.316667", "1")]
)
def test_a_strangers_regions_are_read(unit, x, w, h):
    text = STRANGER.format(unit=unit, x=x, w=w, h=h)
    reading = handoff.read(text, FORM, ReadOptions(raster=Raster(3840, 2160)))
    assert reading.frames[0].rect == Rect(1312, 0, 1216, 2160)
    assert reading.frames[0].deliverable == "x9x16"
    if unit == "relative":
        with pytest.raises(UnreadableForm, match="raster"):
            handoff.read(text, FORM)


@pytest.mark.parametrize(
    ("change", "is_read_leniently"),
    [
        (("rectangle", "circle"), False),
        (('I:rbX="1312"', 'I:rbX="-3"'), False),
        (('I:rbX="1312"', 'I:rbX="1e3"'), False),
        (('I:rbX="1312"', 'I:rbX="1312.3"'), True),
        (('I:rbX="1312"', 'I:rbX="3000"'), True),
        (('I:rbX="1312"', 'I:rbX="4000"'), False),
        (('I:rbW="1216"', 'I:rbW="0"'), False),
        (('I:rbUnit="pixel"', 'I:rbUnit="furlong"'), False),
        (("I:RegionBoundary", "I:Boundary"), False),
        (("x9x16", "x&#10;y"), False),
    ],
)
def test_regions_that_are_none_are_refused(change, is_read_leniently):
    text = STRANGER.format(unit="pixel", x="1312", w="1216", h="2160").replace(*change)
    raster = Raster(3840, 2160)
    if change[0] != "x9x16":
        with pytest.raises(UnreadableForm):
            handoff.read(text, FORM, ReadOptions(raster=raster))
    if is_read_leniently:
        assert handoff.read(text, FORM, ReadOptions(lenient=True, raster=raster)).liberties


BOMB = (
    "<!DOCTYPE b [<!ENTITY a 'ha'>"
    + "".join(f"<!ENTITY a{n} '{'&a' + str(n - 1) + ';' if n else '&a;'}'>" for n in range(30))
    + "]><b>&a29;</b>"
)
HOSTILE = [
    pytest.param(BOMB, id="billion laughs"),
    pytest.param("<!DOCTYPE b SYSTEM 'file:///etc/passwd'><b/>", id="outside DTD"),
    pytest.param("<!DOCTYPE b [<!ENTITY x SYSTEM 'file:///etc/passwd'>]><b>&x;</b>", id="outside entity"),
    pytest.param("<!DOCTYPE b [<!ENTITY % p SYSTEM 'http://localhost/p'> %p;]><b/>", id="parameter entity"),
    pytest.param("<a>" * 100_000, id="deep"),
    pytest.param("<a>" + "<b/>" * 100_000 + "</a>", id="wide"),
    pytest.param("<a " + " ".join(f'x{n}="1"' for n in range(50_000)) + "/>", id="many attributes"),
    pytest.param("<a>&undefined;</a>", id="undefined entity"),
    pytest.param("<a", id="cut off"),
    pytest.param("", id="empty"),
    pytest.param("\ud800", id="surrogate"),
    pytest.param("<a>\x00</a>", id="null"),
    pytest.param("x" * 2_000_000, id="too long"),
    pytest.param(["<a/>"], id="no text"),
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_xml_is_refused_and_nothing_is_expanded(text):
    with pytest.raises(UnreadableForm):
        handoff.read(text, FORM)


def test_a_document_type_declaration_is_refused_at_its_first_byte():
    with pytest.raises(Hostile, match="document type"):
        parse("<!DOCTYPE a><a/>")
