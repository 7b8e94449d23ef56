"""Reading ASC Framing Decision Lists of editions 1.0, 1.1, 2.0 and 2.0.1.

Each rule stands beside its clause. The version member cannot tell 2.0 from 2.0.1, so a list is
checked against every edition that its version may mean and read as the latest that it keeps to.
Strict reading refuses what no edition allows. Lenient reading takes named liberties. The published
schema forgets to demand objects for sizes and points; here the type is always checked.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from tallwide.answers import Rect
from tallwide.geometry import turn_rect
from tallwide.handoff.framing_decision_list import LARGEST_WHOLE, PRIVATE, number
from tallwide.handoff.reading import (
    LONGEST_LABEL,
    MOST_ENTRIES,
    FormFault,
    FormReading,
    FoundFrame,
    ReadingNotes,
    ReadOptions,
    UnreadableForm,
    refuse_twins,
    usable_label,
)
from tallwide.job import LARGEST_SIDE_PX, Number, Raster, Roll, aspect_ratio, exact

FORM = "framing-decision-list"
EDITIONS: Mapping[tuple[int, int], tuple[str, ...]] = {
    (1, 0): ("1.0",),
    (1, 1): ("1.1",),
    (2, 0): ("2.0", "2.0.1"),
}
BEFORE_2 = frozenset({"1.0", "1.1"})
BEFORE_2_0_1 = frozenset({"1.0", "1.1", "2.0"})
ONLY_2_0_1 = frozenset({"2.0.1"})
# The pattern ends in $, which in Python also matches before a last line break: fullmatch.
ID = re.compile(r"[A-Za-z0-9_]{1,32}")
DECISION_ID = re.compile(r"[A-Za-z0-9_]{1,32}-[A-Za-z0-9_]{1,32}")
UUID = re.compile(r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
FIT_SOURCES = (
    "framing_decision.dimensions",
    "framing_decision.protection_dimensions",
    "canvas.dimensions",
    "canvas.effective_dimensions",
)
LARGEST_NUMBER = LARGEST_WHOLE
# Anchor plus size are two doubles, each rounded: their sum may pass an edge that the exact values meet.
FLOAT_SLACK = 1 + Fraction(1, 10**12)
# Member names of one object, and whether each is required.
Members = Mapping[str, bool]


@dataclass(slots=True)
class Checker(ReadingNotes):
    """The rules, applied; faults are kept by the editions that have them."""

    editions: tuple[str, ...] = ("2.0.1",)
    by_edition: dict[str, list[FormFault]] = field(default_factory=dict)

    def breach(
        self,
        pointer: str,
        detail: str,
        clause: str,
        *,
        liberty: str | None = None,
        only_in: frozenset[str] | None = None,
        limit: int | None = None,
        got: int | None = None,
    ) -> None:
        """Note what an edition (all of them if not said) does not allow, or what passes a bound."""
        if self.lenient and liberty is not None:
            self.liberty(pointer, f"{detail}: {liberty}", clause)
            return
        for edition in self.editions:
            faults = self.by_edition.setdefault(edition, [])
            if (only_in is None or edition in only_in) and len(faults) < 100:
                faults.append(FormFault(pointer, detail, clause, limit, got))

    def kept_edition(self) -> str:
        """Return the latest edition that the list keeps to.

        Raises
        ------
        UnreadableForm
            If it keeps to none; the faults are those of the latest.
        """
        for edition in reversed(self.editions):
            if not self.by_edition.get(edition):
                return edition
        raise UnreadableForm(FORM, self.by_edition[self.editions[-1]])

    def members(self, value: Any, pointer: str, known: Members, clause: str) -> dict[str, Any]:
        """Return an object's known members; unknown ones are errors unless they begin with `_` (from 2.0)."""
        if not isinstance(value, dict):
            self.breach(pointer, "is an object", clause)
            return {}
        for name in value:
            if name.startswith("_"):
                self.editions_only(name, pointer)
            elif name not in known:
                detail = f"has an unknown member {name[:64]!r}"
                self.breach(pointer, detail, f"{clause}, closed object", liberty="ignored")
        for name, is_required in known.items():
            if is_required and name not in value:
                self.breach(pointer, f"has no {name}", f"{clause}, required")
        return {name: member for name, member in value.items() if name in known}

    def editions_only(self, name: str, pointer: str) -> None:
        """Note a private member in an edition before 2.0, which had none."""
        detail = f"has a private member {name[:64]!r}, which came with 2.0"
        if set(self.editions) & BEFORE_2:
            self.breach(pointer, detail, "user keys, from 2.0", liberty="ignored", only_in=BEFORE_2)

    def entries(self, value: Any, pointer: str, clause: str) -> list[tuple[str, Any]]:
        """Return an array's items with their pointers."""
        if value is None:
            return []
        if not isinstance(value, list):
            self.breach(pointer, "is an array", clause)
            return []
        if len(value) > MOST_ENTRIES:
            detail = f"holds {len(value)} entries; at most {MOST_ENTRIES} are read"
            self.breach(pointer, detail, "bound of this reader", limit=MOST_ENTRIES, got=len(value))
            return []
        return [(f"{pointer}/{index}", item) for index, item in enumerate(value)]

    def word(self, value: Any, pointer: str, clause: str) -> str | None:
        """Return a text."""
        if isinstance(value, str):
            return value
        self.breach(pointer, "is a text", clause)
        return None

    def id(self, value: Any, pointer: str) -> str | None:
        """Return an id: 1 to 32 letters, digits and underscores."""
        if isinstance(value, str) and ID.fullmatch(value):
            return value
        detail = "is an id of 1 to 32 letters, digits and underscores"
        if isinstance(value, str) and 0 < len(value) <= LONGEST_LABEL and value.isprintable():
            self.breach(pointer, detail, "id, pattern", liberty="kept as it is")
            return value
        self.breach(pointer, detail, "id, pattern")
        return None

    def one_of(self, value: Any, pointer: str, known: tuple[str, ...], clause: str) -> str | None:
        """Return one word of a list."""
        if isinstance(value, str) and value in known:
            return value
        self.breach(pointer, f"is one of {', '.join(known)}", clause)
        return None

    def number(self, value: Any, pointer: str, clause: str) -> Fraction | None:
        """Return a finite number within bounds, exact."""
        is_number = isinstance(value, int) or (isinstance(value, float) and math.isfinite(value))
        if isinstance(value, bool) or not is_number:
            self.breach(pointer, "is a number", clause)
            return None
        if abs(value) > LARGEST_NUMBER:
            self.breach(pointer, f"lies beyond {LARGEST_NUMBER}", "bound of this reader")
            return None
        return exact(value)

    def pair(self, value: Any, pointer: str, names: tuple[str, str], clause: str) -> tuple[Fraction, Fraction] | None:
        """Return the two numbers of a size or a point; the object's type is checked though the schema forgot to."""
        found = self.members(value, pointer, dict.fromkeys(names, True), clause)
        numbers = [self.number(found[name], f"{pointer}/{name}", clause) if name in found else None for name in names]
        return None if numbers[0] is None or numbers[1] is None else (numbers[0], numbers[1])

    def size(
        self, value: Any, pointer: str, clause: str, *, whole: bool, zero_from: frozenset[str] = frozenset()
    ) -> tuple[Fraction, Fraction] | None:
        """Return a size above zero, whole where it is said to be; `zero_from` are the editions that allow 0."""
        numbers = self.pair(value, pointer, ("width", "height"), clause)
        if numbers is None:
            return None
        for name, length in zip(("width", "height"), numbers, strict=True):
            if whole and length.denominator != 1:
                self.breach(f"{pointer}/{name}", "is a whole number", clause)
                return None
            if length < 0 or (length == 0 and not zero_from):
                self.breach(f"{pointer}/{name}", "is greater than zero", clause)
                return None
            if length == 0:
                others = frozenset(self.editions) - zero_from
                self.breach(f"{pointer}/{name}", "is greater than zero", clause, only_in=others, liberty="read as free")
        return numbers

    def point(self, value: Any, pointer: str, clause: str) -> tuple[Fraction, Fraction] | None:
        """Return an anchor; below zero only before 2.0.1."""
        numbers = self.pair(value, pointer, ("x", "y"), clause)
        if numbers is not None:
            for name, place in zip(("x", "y"), numbers, strict=True):
                if place < 0:
                    self.breach(f"{pointer}/{name}", "is not below zero", f"{clause}, 2.0.1", only_in=ONLY_2_0_1)
        return numbers


@dataclass(frozen=True, slots=True)
class WholeSize:
    """A canvas or a target, px; a target's side may be 0, which leaves it free."""

    width: int
    height: int

    @property
    def is_raster(self) -> bool:
        """Whether a job may state it as a raster."""
        return 0 < self.width <= LARGEST_SIDE_PX and 0 < self.height <= LARGEST_SIDE_PX


@dataclass(frozen=True, slots=True)
class Intent:
    """A framing intent, read."""

    label: str | None
    ratio: Fraction | None
    protection: Fraction


@dataclass(frozen=True, slots=True)
class PlacedDecision:
    """A framing decision, read: left, top, right, bottom in canvas pixels."""

    pointer: str
    intent: str
    label: str | None
    edges: tuple[Fraction, Fraction, Fraction, Fraction]
    protected: tuple[Fraction, Fraction, Fraction, Fraction] | None


@dataclass(frozen=True, slots=True)
class ReadCanvas:
    """A canvas, read."""

    pointer: str
    id: str
    source: str
    label: str | None
    size: WholeSize
    effective: tuple[Fraction, Fraction, Fraction, Fraction] | None
    photosites: WholeSize | None
    physical_mm: tuple[Fraction, Fraction] | None
    squeeze: Fraction
    decisions: tuple[PlacedDecision, ...]


def decode(text: str) -> Any:
    """Return the JSON value of a text from a stranger: no NaN, no name twice.

    Raises
    ------
    ValueError
        If it is no such JSON.
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):
            raise ValueError("names a member twice")
        return found

    def refuse(word: str) -> Any:
        raise ValueError(f"holds {word}, which is no JSON")

    return json.loads(text, object_pairs_hook=once, parse_constant=refuse)


def read(document: Any, options: ReadOptions) -> FormReading:
    """Return what a framing decision list carries.

    Parameters
    ----------
    document
        The list as JSON text, or as a JSON decoder gave it.
    options
        Strict or lenient.

    Raises
    ------
    UnreadableForm
        If it keeps to no edition that its version may mean.
    """
    checker = Checker(options.lenient)
    if isinstance(document, str):
        if checker.is_too_long(document) or checker.is_too_deep(document):
            raise UnreadableForm(FORM, checker.faults)
        try:
            document = decode(document)
        except ValueError as error:
            raise UnreadableForm(FORM, [FormFault("/document", str(error)[:200], "JSON")]) from error
    if not isinstance(document, dict):
        raise UnreadableForm(FORM, [FormFault("/document", "is an object", "root")])
    checker.editions = _editions(document.get("version"), checker)
    root = _root(document, checker)
    intents = dict(_intents(root, checker))
    canvases = list(_canvases(root, checker))
    templates = dict(_templates(root, checker))
    _check_references(root, intents, canvases, checker)
    edition = checker.kept_edition()
    return _as_reading(document, edition, intents, canvases, templates, checker)


def _editions(version: Any, checker: Checker) -> tuple[str, ...]:
    clause, pointer = "version", "/document/version"
    if not isinstance(version, dict):
        raise UnreadableForm(FORM, [FormFault(pointer, "is an object with major and minor", clause)])
    major, minor = version.get("major"), version.get("minor")
    if type(major) is not int or type(minor) is not int:
        raise UnreadableForm(FORM, [FormFault(pointer, "has whole numbers major and minor", clause)])
    editions = EDITIONS.get((major, minor))
    if editions is None:
        if major == 2 and checker.lenient:
            checker.liberty(pointer, f"2.{minor} is unknown: read as 2.0.1", clause)
            return EDITIONS[2, 0]
        raise UnreadableForm(FORM, [FormFault(pointer, "is 1.0, 1.1 or 2.0", clause)])
    return editions


def _root(document: Any, checker: Checker) -> dict[str, Any]:
    root = checker.members(
        document,
        "/document",
        {
            "uuid": True,
            "version": True,
            "fdl_creator": False,
            "default_framing_intent": False,
            "framing_intents": False,
            "contexts": False,
            "canvas_templates": False,
        },
        "root",
    )
    checker.members(root["version"], "/document/version", {"major": True, "minor": True}, "version")
    identity = root.get("uuid")
    if "uuid" in root and not (isinstance(identity, str) and UUID.fullmatch(identity)):
        checker.breach("/document/uuid", "is a uuid written 8-4-4-4-12", "uuid, format", liberty="not needed")
    if "fdl_creator" in root:
        checker.word(root["fdl_creator"], "/document/fdl_creator", "fdl_creator")
    return root


def _intents(root: Mapping[str, Any], checker: Checker) -> Iterator[tuple[str, Intent]]:
    known = {"id": True, "label": False, "aspect_ratio": True, "protection": False}
    for pointer, item in checker.entries(root.get("framing_intents"), "/document/framing_intents", "framing_intents"):
        entry = checker.members(item, pointer, known, "framing intent")
        name = checker.id(entry["id"], f"{pointer}/id") if "id" in entry else None
        label = checker.word(entry["label"], f"{pointer}/label", "label") if "label" in entry else None
        sides = None
        if "aspect_ratio" in entry:
            sides = checker.size(
                entry["aspect_ratio"], f"{pointer}/aspect_ratio", "aspect_ratio, whole numbers", whole=True
            )
        protection = Fraction(0)
        if "protection" in entry:
            stated = checker.number(entry["protection"], f"{pointer}/protection", "protection")
            if stated is not None and not 0 <= stated < 1:
                checker.breach(f"{pointer}/protection", "is a share from 0 to below 1", "protection, text")
            elif stated is not None:
                protection = stated
        if name is not None:
            yield name, Intent(label, None if sides is None else sides[0] / sides[1], protection)


def _canvases(root: Mapping[str, Any], checker: Checker) -> Iterator[ReadCanvas]:
    known = {"label": False, "context_creator": False, "clip_id": False, "canvases": False}
    for pointer, item in checker.entries(root.get("contexts"), "/document/contexts", "contexts"):
        entry = checker.members(item, pointer, known, "context")
        for name in ("label", "context_creator"):
            if name in entry:
                checker.word(entry[name], f"{pointer}/{name}", name)
        if "clip_id" in entry:
            _check_clip(entry["clip_id"], f"{pointer}/clip_id", checker)
        for place, canvas in checker.entries(entry.get("canvases"), f"{pointer}/canvases", "canvases"):
            found = _canvas(canvas, place, checker)
            if found is not None:
                yield found


def _check_clip(value: Any, pointer: str, checker: Checker) -> None:
    if set(checker.editions) & BEFORE_2:
        checker.breach(pointer, "came with 2.0", "clip_id, from 2.0", liberty="ignored", only_in=BEFORE_2)
    known = {"clip_name": True, "file": False, "sequence": False}
    entry = checker.members(value, pointer, known, "clip_id")
    for name in ("clip_name", "file"):
        if name in entry:
            checker.word(entry[name], f"{pointer}/{name}", f"clip_id, {name}")
    if "file" in entry and "sequence" in entry:
        checker.breach(pointer, "has a file and a sequence, which exclude each other", "clip_id", liberty="not needed")
    if "sequence" in entry:
        where = f"{pointer}/sequence"
        names = dict.fromkeys(("value", "idx", "min", "max"), True)
        sequence = checker.members(entry["sequence"], where, names, "clip_id, sequence")
        for name in ("min", "max"):
            frame = sequence.get(name, 0)
            if type(frame) is not int or frame < 0:
                checker.breach(
                    f"{where}/{name}", "is a whole number, not below zero", "clip_id, sequence", liberty="not needed"
                )
        if not isinstance(sequence.get("value", ""), str):
            checker.breach(f"{where}/value", "is a text", "clip_id, sequence", liberty="not needed")
        if not (isinstance(sequence.get("idx", "#"), str) and len(sequence.get("idx", "#")) == 1):
            checker.breach(f"{where}/idx", "is one character", "clip_id, sequence", liberty="not needed")


_CANVAS: Members = {
    "id": True,
    "source_canvas_id": False,
    "label": False,
    "dimensions": True,
    "effective_dimensions": False,
    "effective_anchor_point": False,
    "photosite_dimensions": False,
    "physical_dimensions": False,
    "anamorphic_squeeze": False,
    "framing_decisions": False,
}


def _canvas(value: Any, pointer: str, checker: Checker) -> ReadCanvas | None:
    entry = checker.members(value, pointer, _CANVAS, "canvas")
    name = checker.id(entry["id"], f"{pointer}/id") if "id" in entry else None
    source = name
    if "source_canvas_id" in entry:
        source = checker.id(entry["source_canvas_id"], f"{pointer}/source_canvas_id")
    else:
        checker.breach(pointer, "has no source_canvas_id", "canvas, required", liberty="read as its own source")
    label = checker.word(entry["label"], f"{pointer}/label", "label") if "label" in entry else None
    size = _whole_size(entry, "dimensions", pointer, checker)
    photosites = _whole_size(entry, "photosite_dimensions", pointer, checker)
    physical = None
    if "physical_dimensions" in entry:
        physical = checker.size(
            entry["physical_dimensions"], f"{pointer}/physical_dimensions", "physical_dimensions", whole=False
        )
    squeeze = Fraction(1)
    if "anamorphic_squeeze" in entry:
        stated = checker.number(entry["anamorphic_squeeze"], f"{pointer}/anamorphic_squeeze", "anamorphic_squeeze")
        if stated is not None and stated <= 0:
            detail = "is greater than zero"
            checker.breach(f"{pointer}/anamorphic_squeeze", detail, "anamorphic_squeeze", liberty="read as 1")
        squeeze = stated if stated is not None and stated > 0 else squeeze
    effective = _edges(entry, "effective_dimensions", "effective_anchor_point", pointer, checker, whole=True)
    decisions = []
    for place, item in checker.entries(
        entry.get("framing_decisions"), f"{pointer}/framing_decisions", "framing_decisions"
    ):
        found = _decision(item, place, name, checker)
        if found is not None:
            decisions.append(found)
    if name is None or source is None or size is None:
        return None
    for where, edges in [("effective_dimensions", effective), *((d.pointer, d.edges) for d in decisions)]:
        if edges is not None and (edges[2] > size.width * FLOAT_SLACK or edges[3] > size.height * FLOAT_SLACK):
            place, clause = where if where.startswith("/") else f"{pointer}/{where}", "canvas, text: stays inside"
            checker.breach(place, "reaches beyond its canvas", clause, only_in=ONLY_2_0_1, liberty="cut at the edge")
    return ReadCanvas(pointer, name, source, label, size, effective, photosites, physical, squeeze, tuple(decisions))


def _whole_size(entry: Mapping[str, Any], name: str, pointer: str, checker: Checker) -> WholeSize | None:
    if name not in entry:
        return None
    size = checker.size(entry[name], f"{pointer}/{name}", f"{name}, whole numbers", whole=True)
    return None if size is None else WholeSize(int(size[0]), int(size[1]))


def _edges(
    entry: Mapping[str, Any], size_name: str, point_name: str, pointer: str, checker: Checker, *, whole: bool
) -> tuple[Fraction, Fraction, Fraction, Fraction] | None:
    """Return the edges of a size and its anchor; the anchor is required where there is a size."""
    if size_name not in entry:
        return None
    size = checker.size(entry[size_name], f"{pointer}/{size_name}", size_name, whole=whole)
    if point_name not in entry:
        checker.breach(pointer, f"has {size_name} but no {point_name}", f"{point_name}, required beside its size")
        return None
    corner = checker.point(entry[point_name], f"{pointer}/{point_name}", point_name)
    if size is None or corner is None:
        return None
    return corner[0], corner[1], corner[0] + size[0], corner[1] + size[1]


_DECISION: Members = {
    "id": True,
    "framing_intent_id": True,
    "label": False,
    "dimensions": True,
    "anchor_point": True,
    "protection_dimensions": False,
    "protection_anchor_point": False,
}


def _decision(value: Any, pointer: str, canvas: str | None, checker: Checker) -> PlacedDecision | None:
    entry = checker.members(value, pointer, _DECISION, "framing decision")
    intent = (
        checker.id(entry["framing_intent_id"], f"{pointer}/framing_intent_id") if "framing_intent_id" in entry else None
    )
    name = entry.get("id")
    if "id" in entry:
        if not (isinstance(name, str) and DECISION_ID.fullmatch(name)):
            detail = "is two ids joined by one hyphen"
            checker.breach(f"{pointer}/id", detail, "framing decision id, pattern", liberty="not needed")
        elif None not in (canvas, intent) and name != f"{canvas}-{intent}":
            detail = f"is {canvas}-{intent}: canvas and intent"
            checker.breach(f"{pointer}/id", detail, "framing decision id, text", liberty="not needed")
    label = checker.word(entry["label"], f"{pointer}/label", "label") if "label" in entry else None
    edges = _edges(entry, "dimensions", "anchor_point", pointer, checker, whole=False)
    protected = _edges(entry, "protection_dimensions", "protection_anchor_point", pointer, checker, whole=False)
    if intent is None or edges is None:
        return None
    return PlacedDecision(pointer, intent, label, edges, protected)


_TEMPLATE: Members = {
    "id": True,
    "label": False,
    "target_dimensions": True,
    "target_anamorphic_squeeze": True,
    "fit_source": True,
    "fit_method": True,
    "alignment_method_vertical": False,
    "alignment_method_horizontal": False,
    "preserve_from_source_canvas": False,
    "maximum_dimensions": False,
    "pad_to_maximum": False,
    "round": False,
}
_TEMPLATE_WORDS: Mapping[str, tuple[str, ...]] = {
    "fit_source": FIT_SOURCES,
    "fit_method": ("width", "height", "fit_all", "fill"),
    "alignment_method_vertical": ("top", "center", "bottom"),
    "alignment_method_horizontal": ("left", "center", "right"),
}


@dataclass(frozen=True, slots=True)
class Template:
    """A canvas template's target, read: a raster where neither side is free, and the squeeze."""

    raster: Raster | None
    squeeze: Fraction


def _templates(root: Mapping[str, Any], checker: Checker) -> Iterator[tuple[str, Template]]:
    for pointer, item in checker.entries(
        root.get("canvas_templates"), "/document/canvas_templates", "canvas_templates"
    ):
        entry = checker.members(item, pointer, _TEMPLATE, "canvas template")
        name = checker.id(entry["id"], f"{pointer}/id") if "id" in entry else None
        for member, words in _TEMPLATE_WORDS.items():
            if member in entry:
                checker.one_of(entry[member], f"{pointer}/{member}", words, member)
        _check_preserve(entry, pointer, checker)
        _check_rounding(entry, pointer, checker)
        target, squeeze = _target(entry, pointer, checker)
        if name is not None and target is not None:
            yield name, Template(Raster(target.width, target.height) if target.is_raster else None, squeeze)


def _target(entry: Mapping[str, Any], pointer: str, checker: Checker) -> tuple[WholeSize | None, Fraction]:
    target, squeeze = None, Fraction(1)
    if "target_dimensions" in entry:
        where = f"{pointer}/target_dimensions"
        size = checker.size(entry["target_dimensions"], where, "target_dimensions", whole=True, zero_from=ONLY_2_0_1)
        target = None if size is None else WholeSize(int(size[0]), int(size[1]))
    if "target_anamorphic_squeeze" in entry:
        where = f"{pointer}/target_anamorphic_squeeze"
        stated = checker.number(entry["target_anamorphic_squeeze"], where, "target_anamorphic_squeeze")
        if stated is not None and stated <= 0:
            liberty = "read as the source's, as the text has it" if stated == 0 else None
            checker.breach(where, "is greater than zero", "target_anamorphic_squeeze, schema", liberty=liberty)
        elif stated is not None:
            squeeze = stated
    if "maximum_dimensions" in entry:
        where = f"{pointer}/maximum_dimensions"
        most = checker.size(entry["maximum_dimensions"], where, "maximum_dimensions", whole=True)
        if most is not None and target is not None and (most[0] < target.width or most[1] < target.height):
            checker.breach(where, "is not below target_dimensions", "maximum_dimensions, text", liberty="not needed")
    if not isinstance(entry.get("pad_to_maximum", False), bool):
        checker.breach(f"{pointer}/pad_to_maximum", "is true or false", "pad_to_maximum")
    return target, squeeze


def _check_preserve(entry: Mapping[str, Any], pointer: str, checker: Checker) -> None:
    if "preserve_from_source_canvas" not in entry:
        return
    where, clause = f"{pointer}/preserve_from_source_canvas", "preserve_from_source_canvas"
    if entry["preserve_from_source_canvas"] == "none":
        detail = "none was removed in 2.0.1"
        checker.breach(where, detail, clause, only_in=ONLY_2_0_1, liberty="read as absent")
    else:
        checker.one_of(entry["preserve_from_source_canvas"], where, FIT_SOURCES, clause)


def _check_rounding(entry: Mapping[str, Any], pointer: str, checker: Checker) -> None:
    if "round" not in entry:
        return
    where = f"{pointer}/round"
    both = {"even": False, "mode": False}
    found = checker.members(entry["round"], where, both, "round")
    for name, words in (("even", ("whole", "even")), ("mode", ("up", "down", "round"))):
        if name in found:
            checker.one_of(found[name], f"{where}/{name}", words, f"round, {name}")
        else:
            checker.breach(where, f"has no {name}", "round, both keys required by the schema", liberty="its default")


def _check_references(
    root: Mapping[str, Any], intents: Mapping[str, Intent], canvases: list[ReadCanvas], checker: Checker
) -> None:
    """Check what a schema cannot say: unique ids, and ids that are referred to."""
    _check_unique(root, checker)
    default = root.get("default_framing_intent")
    if "default_framing_intent" in root and not (isinstance(default, str) and default in intents):
        checker.breach(
            "/document/default_framing_intent", "names no intent", "default_framing_intent", liberty="not needed"
        )
    names = {canvas.id for canvas in canvases}
    for canvas in canvases:
        if canvas.source not in names:
            where = f"{canvas.pointer}/source_canvas_id"
            checker.breach(where, "names no canvas of this list", "source_canvas_id", liberty="read as its own source")
        for decision in canvas.decisions:
            if decision.intent not in intents:
                where = f"{decision.pointer}/framing_intent_id"
                checker.breach(where, "names no intent", "framing_intent_id", liberty="read without an aspect")


def _check_unique(root: Mapping[str, Any], checker: Checker) -> None:
    kinds: dict[str, list[tuple[str, Any]]] = {
        **{
            name: [(f"/document/{name}/{index}", entry) for index, entry in enumerate(_list(root.get(name)))]
            for name in ("framing_intents", "canvas_templates")
        },
        "canvases": [
            (f"/document/contexts/{number}/canvases/{index}", canvas)
            for number, context in enumerate(_list(root.get("contexts")))
            for index, canvas in enumerate(_list(_get(context, "canvases")))
        ],
    }
    for kind, entries in kinds.items():
        seen: set[str] = set()
        for pointer, entry in entries:
            name = _get(entry, "id")
            if isinstance(name, str):
                if name in seen:
                    checker.breach(f"{pointer}/id", f"occurs twice among {kind}", "id, unique among its kind")
                seen.add(name)


def _list(value: Any) -> list[Any]:
    return value[:MOST_ENTRIES] if isinstance(value, list) else []


def _get(value: Any, name: str) -> Any:
    return value.get(name) if isinstance(value, dict) else None


def _as_reading(
    document: Mapping[str, Any],
    edition: str,
    intents: Mapping[str, Intent],
    canvases: list[ReadCanvas],
    templates: Mapping[str, Template],
    checker: Checker,
) -> FormReading:
    canvas = _recorded_canvas(canvases, checker)
    raster = _recorded_raster(canvas)
    own = document.get(PRIVATE)
    private: Mapping[str, Any] = own if isinstance(own, dict) else {}
    capture, roll = _capture(canvas, private, checker)
    deliverables, frames = [], []
    for index, decision in enumerate(canvas.decisions):
        read_one = _deliverable(
            decision, index, intents, templates, edition=edition, raster=raster, roll=roll, checker=checker
        )
        if read_one is not None:
            deliverables.append(read_one[0])
            frames.append(read_one[1])
    refuse_twins((frame.deliverable for frame in frames), checker, canvas.pointer)
    if not frames and not checker.faults:
        checker.fault(canvas.pointer, "holds no framing decision", "the job document")
    if len(frames) > checker.most_frames:
        checker.too_many(len(frames))
    checker.refuse_if_faulty(FORM)
    job: dict[str, Any] = {"version": 1, "capture": capture, "deliverables": deliverables}
    label = _get(_list(document.get("contexts"))[0], "label") if document.get("contexts") else None
    if isinstance(label, str) and 0 < len(label) <= LONGEST_LABEL and label.isprintable():
        job["id"] = label
    checker.missing("/framing", "a list tells where frames lie, not how they belong together")
    checker.missing("/capture/grid", "a list does not tell at what places the file can be cut")
    identity = private.get("decision_id")
    return FormReading(
        form=FORM,
        edition=edition,
        job=job,
        is_whole_job=all("aspect" in entry or "raster" in entry for entry in deliverables),
        frames=tuple(frames),
        decision_id=identity if isinstance(identity, str) and len(identity) <= LONGEST_LABEL else None,
        missing=tuple(checker.missed),
        liberties=tuple(checker.liberties),
    )


def _recorded_canvas(canvases: list[ReadCanvas], checker: Checker) -> ReadCanvas:
    """Return the canvas of the recording: its own source, the first that holds decisions."""
    names = {canvas.id for canvas in canvases}
    own = [canvas for canvas in canvases if canvas.source == canvas.id or canvas.source not in names]
    chosen = next((canvas for canvas in own if canvas.decisions), None)
    if chosen is None:
        where = "/document/contexts"
        raise UnreadableForm(
            FORM, [FormFault(where, "holds no recorded canvas with framing decisions", "the job document")]
        )
    for canvas in own:
        if canvas is not chosen and canvas.decisions:
            checker.missing(canvas.pointer, f"canvas {canvas.id!r} is another recording: a job has one capture")
    return chosen


def _recorded_raster(canvas: ReadCanvas) -> Raster:
    """Return the recorded raster, within the bounds of a job."""
    for name, size in (("dimensions", canvas.size), ("photosite_dimensions", canvas.photosites or canvas.size)):
        if not size.is_raster:
            fault = FormFault(
                f"{canvas.pointer}/{name}", f"is at most {LARGEST_SIDE_PX} on each side", "the job document"
            )
            raise UnreadableForm(FORM, [fault])
    return Raster(canvas.size.width, canvas.size.height)


def _capture(canvas: ReadCanvas, private: Mapping[str, Any], checker: Checker) -> tuple[dict[str, Any], Roll]:
    size = canvas.size
    capture: dict[str, Any] = {"raster": {"width": size.width, "height": size.height}}
    if canvas.label and len(canvas.label) <= LONGEST_LABEL and canvas.label.isprintable():
        capture["label"] = canvas.label
    imager = canvas.photosites or size
    if (imager.width, imager.height) != (size.width, size.height):
        capture["photosites"] = {"width": imager.width, "height": imager.height}
    if canvas.physical_mm is not None:
        _read_pitch(capture, canvas.physical_mm, imager, canvas.pointer, checker)
    rolls: dict[int, Roll] = {90: 90, 180: 180, 270: 270}
    stated = private.get("roll")
    roll = rolls.get(stated, 0) if type(stated) is int else 0
    if roll:
        capture["roll"] = roll
    elif type(stated) is not int:
        checker.missing("/capture/roll", "a list does not tell how the camera was turned")
    axis = private.get("squeeze_axis") if private.get("squeeze_axis") == "sensor_height" else "sensor_width"
    across = canvas.squeeze * size.width * imager.height / (imager.width * size.height)
    squeeze = short_number(1 / across if axis == "sensor_height" else across)
    if squeeze != 1:
        if 0.25 <= squeeze <= 4:
            capture["squeeze"], capture["squeeze_axis"] = squeeze, axis
        else:
            checker.fault(f"{canvas.pointer}/anamorphic_squeeze", "is 0.25 to 4 in a job", "the job document")
    if canvas.effective is not None:
        left, top, right, bottom = (short_number(edge) for edge in canvas.effective)
        if (left, top, right, bottom) != (0, 0, size.width, size.height):
            capture["usable_area"] = [[left, top], [right, top], [right, bottom], [left, bottom]]
    return capture, roll


def _read_pitch(
    capture: dict[str, Any], physical_mm: tuple[Fraction, Fraction], imager: WholeSize, pointer: str, checker: Checker
) -> None:
    across, down = physical_mm[0] * 1000 / imager.width, physical_mm[1] * 1000 / imager.height
    # The standard advises four decimals of a millimetre; the pitch is known to that over the whole side.
    slack = Fraction(1, 10_000) * 1000 / min(imager.width, imager.height)
    if abs(across - down) > slack:
        checker.missing("/capture/photosite_pitch_um", f"{pointer}: the photosites are not square")
    elif float(across) > 0:
        capture["photosite_pitch_um"] = short_number(across)


def short_number(value: Fraction) -> Number:
    """Return the JSON number for a value, whole or short where a double of few digits means the same.

    A factor that was multiplied and divided on its way comes back a unit in the last place off; twelve
    digits are more than any recording states.

    Examples
    --------
    >>> short_number(Fraction(18, 10)), short_number(Fraction(0.1) * 3), short_number(Fraction(4))
    (1.8, 0.3, 4)
    """
    if value.denominator == 1:
        return int(value)
    short = float(f"{float(value):.12g}")
    return int(short) if short.is_integer() else short


def _deliverable(  # noqa: PLR0913 - a decision and what it refers to
    decision: PlacedDecision,
    index: int,
    intents: Mapping[str, Intent],
    templates: Mapping[str, Template],
    *,
    edition: str,
    raster: Raster,
    roll: Roll,
    checker: Checker,
) -> tuple[dict[str, Any], FoundFrame] | None:
    intent = intents.get(decision.intent, Intent(None, None, Fraction(0)))
    written = intent.label or decision.label or decision.intent
    label = usable_label(written, f"{decision.pointer}/label", checker, "label")
    rect = _whole(decision.edges, decision.pointer, raster, checker)
    if label is None or rect is None:
        return None
    entry: dict[str, Any] = {"label": label}
    template = templates.get(decision.intent)
    if template is not None and template.raster is not None:
        entry["raster"] = {"width": template.raster.width, "height": template.raster.height}
        if template.squeeze != 1:
            entry["pixel_aspect"] = number(template.squeeze)
    if intent.ratio is not None and not _is_rasters(intent.ratio, template):
        entry["aspect"] = f"{intent.ratio.numerator}:{intent.ratio.denominator}"
        try:
            aspect_ratio(entry["aspect"])
        except ValueError as error:
            checker.fault(decision.pointer, f"its intent's aspect is none of a job: {error}", "the job document")
    elif intent.ratio is None and "raster" not in entry:
        checker.missing(f"/deliverables/{index}/aspect", f"{label!r}: neither aspect nor raster is stated")
    protected = None
    if decision.protected is not None:
        protected = _whole(decision.protected, decision.pointer, None, checker)
    entry.update(_protection(intent, rect, protected, edition, raster, roll))
    if intent.protection and edition == "1.0":
        checker.liberty(decision.pointer, "edition 1.0 counts protection outward from the decision", "protection, 1.0")
    return entry, FoundFrame(label, rect, protected)


def _is_rasters(ratio: Fraction, template: Template | None) -> bool:
    """Whether an aspect is that of the raster to deliver, so that a job need not state both."""
    if template is None or template.raster is None:
        return False
    shown = Fraction(template.raster.width, template.raster.height) * template.squeeze
    return abs(shown / ratio - 1) < Fraction(1, 10**9)


def _whole(
    edges: tuple[Fraction, Fraction, Fraction, Fraction], pointer: str, size: Raster | None, checker: Checker
) -> Rect | None:
    """Return the whole pixels of a decision; the standard advises the nearest where its floats are not whole."""
    left, top, right, bottom = (_nearest(edge) for edge in edges)
    if any(edge.denominator != 1 for edge in edges):
        checker.liberty(
            pointer, "its edges are not whole pixels: read as the nearest", "coordinates: nearest is advised"
        )
    if right <= left or bottom <= top:
        checker.fault(pointer, "is less than a pixel wide or high", "the job document")
        return None
    rect = Rect(left, top, right - left, bottom - top)
    return checker.clipped(rect, size, pointer, "canvas, text: stays inside")


def _nearest(value: Fraction) -> int:
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def _protection(
    intent: Intent, rect: Rect, protected: Rect | None, edition: str, raster: Raster, roll: Roll
) -> dict[str, Any]:
    """Return the job's protection: the intent's share, or the shares of the protected picture's sides."""
    if intent.protection:
        if edition == "1.0":
            return {"protection": {"each_side": number(intent.protection / 2)}}
        return {"protection": {"inward": number(intent.protection)}}
    if protected is None or protected == rect:
        return {}
    frame, picture = turn_rect(rect, raster, roll), turn_rect(protected, raster, roll)
    sides = {
        "left": Fraction(frame.x - picture.x, frame.width),
        "top": Fraction(frame.y - picture.y, frame.height),
        "right": Fraction(picture.right - frame.right, frame.width),
        "bottom": Fraction(picture.bottom - frame.bottom, frame.height),
    }
    if min(sides.values()) < 0 or max(sides.values()) > 1:
        return {}
    return {"protection": {name: short_number(side) for name, side in sides.items()}}
