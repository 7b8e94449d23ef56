"""The quickest way to read a job: straight-line code made from the marshmallow schemas, which stay the one source.

A reader takes a JSON value and returns the job as the service writes it, defaults included: just
what `to_wire(JOB_SCHEMA.load(value))` gives, names in the same order, without making a noun. It is
made for what calls hold most often. At any fault, and at anything that it was not made for, it
raises `Doubt`, and the schemas decide.

Types, bounds, choices and defaults come from the schemas and the nouns' own defaults. What holds
between the members of an object is Python in the schemas; for these rules `_RULES` has conditions
that are never weaker, and a schema with a rule that is not among them is left alone.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from itertools import groupby
from typing import Any

from marshmallow import Schema, ValidationError, fields, missing
from marshmallow.decorators import POST_LOAD, PRE_LOAD, VALIDATES, VALIDATES_SCHEMA
from marshmallow.validate import OneOf

from tallwide.job import ASPECT_RANGE, aspect_ratio, exact
from tallwide.wire import to_wire
from tallwide_service.api import schemas
from tallwide_service.api.quick_reader import Doubt, Reader
from tallwide_service.api.schemas import NounSchema, refuse_bulky_own, tidied

Written = dict[str, Any]
Rule = Callable[[Written], bool]


def written_reader_of(schema: NounSchema) -> Reader:
    """Return the reader of a schema; it returns the written form, or raises `Doubt`."""
    return _Maker().reader(schema)


class _Maker:
    """Writes and compiles the readers of a schema and of what it holds, one function a schema."""

    def __init__(self) -> None:
        self._made: dict[type, Reader | None] = {}

    def reader(self, schema: NounSchema) -> Reader:
        """Return the reader of a schema, or one that always doubts where a rule of it is not known."""
        kind = type(schema)
        if kind not in self._made:
            self._made[kind] = _doubtful  # a noun may hold its own kind: left alone
            if _is_known(schema):
                self._made[kind] = self._compiled(schema)
        return self._made[kind] or _doubtful

    def _compiled(self, schema: NounSchema) -> Reader:
        """Compile the function that reads one noun."""
        names: dict[str, Any] = {
            "Doubt": Doubt,
            "own": _own,
            "known": frozenset(field.data_key or name for name, field in schema.fields.items()),
            "rule": _RULES[type(schema)][1] if type(schema) in _RULES else None,
        }
        lines = [
            *("def read(document):", "    if type(document) is not dict: raise Doubt"),
            *("    left = len(document)", "    out = {}"),
        ]
        for may_be_skipped, members in groupby(_members(schema), key=lambda both: _may_be_skipped(*both)):
            read = [line for member, field in members for line in self._member(member, field, names)]
            # What a noun seldom has is not even looked for where all that it has was found.
            lines += ["    if left:", *("    " + line for line in read)] if may_be_skipped else read
        if names["rule"] is not None:
            lines.append("    if not rule(out): raise Doubt")
        lines += ["    if left: own(document, known, out)", "    return out"]
        exec(compile("\n".join(lines), f"<reader of {schema.noun.__name__}>", "exec"), names)  # noqa: S102 - see above
        reader: Reader = names["read"]
        return reader

    def _member(self, member: dataclasses.Field[Any], field: fields.Field[Any], names: dict[str, Any]) -> list[str]:
        """Return the lines that read one member: its value, or its default."""
        key = field.data_key or member.name
        value = f"document[{key!r}]"
        lines = [f"    if {key!r} in document:", "        left -= 1", f"        value = {value}"]
        lines += ["        " + line for line in self._value(field, key, names)]
        lines.append(f"        out[{key!r}] = value")
        default = _default(member)
        if field.required:
            lines.append("    else: raise Doubt")
        elif default is not None:
            names[f"default_{key}"] = to_wire(default)
            lines.append(f"    else: out[{key!r}] = default_{key}")
        return lines

    def _value(self, field: fields.Field[Any], key: str, names: dict[str, Any]) -> list[str]:
        """Return the lines that check `value` and turn it into its written form."""
        is_special = field.pre_load or field.post_load or field.attribute is not None or field.allow_none
        if is_special or field.load_default is not missing:
            return ["raise Doubt"]
        lines = self._typed(field, key, names)
        for place, validate in enumerate(field.validators):
            lines += _validated(validate, f"{key}_{place}", names)
        return lines

    def _typed(self, field: fields.Field[Any], key: str, names: dict[str, Any]) -> list[str]:
        if isinstance(field, fields.Nested):
            is_plain = type(field) is fields.Nested or getattr(field, "reads_objects_as_nested", False)
            if field.many or field.unknown is not None or not is_plain or not isinstance(field.schema, NounSchema):
                return ["raise Doubt"]
            names[f"read_{key}"] = self.reader(field.schema)
            return [f"value = read_{key}(value)"]
        if type(field) is fields.List:
            inner = self._value(field.inner, f"{key}_item", names)
            return [
                "if type(value) is not list: raise Doubt",
                f"{key}_items = []",
                "for value in value:",
                *("    " + line for line in inner),
                f"    {key}_items.append(value)",
                f"value = {key}_items",
            ]
        deserialize = _TYPED.get(type(field))
        if deserialize is None:
            return ["raise Doubt"]
        names.update(deserialize[0])
        return list(deserialize[1])


def _members(schema: NounSchema) -> Iterator[tuple[dataclasses.Field[Any], fields.Field[Any]]]:
    """Yield a noun's members, each with its field, but the caller's own."""
    for member in dataclasses.fields(schema.noun):
        if member.name in schema.fields:
            yield member, schema.fields[member.name]
        elif member.name != "own":
            raise TypeError(f"{schema.noun.__name__}.{member.name} has no field in its schema")


def _may_be_skipped(member: dataclasses.Field[Any], field: fields.Field[Any]) -> bool:
    """Whether a member is written only where it is given."""
    return not field.required and _default(member) is None


def _validated(validate: Any, key: str, names: dict[str, Any]) -> list[str]:
    """Return the lines of one validator: plain comparisons for what is common, else the validator itself."""
    if type(validate) is schemas.Between:
        low = "<=" if validate.min_inclusive else "<"
        return [f"if not {validate.min!r} {low} value <= {validate.max!r}: raise Doubt"]
    if type(validate) is schemas.Counted:
        return [f"if not {validate.min or 0!r} <= len(value) <= {validate.max!r}: raise Doubt"]
    if type(validate) is OneOf:
        names[f"choices_{key}"] = tuple(validate.choices)
        return [f"if value not in choices_{key}: raise Doubt"]
    names[f"validate_{key}"] = _doubting(validate)
    return [f"validate_{key}(value)"]


def _doubting(validate: Callable[[Any], Any]) -> Callable[[Any], None]:
    def check(value: Any) -> None:
        try:
            validate(value)
        except ValidationError as error:
            raise Doubt from error

    return check


def _deserialized(field: fields.Field[Any]) -> Reader:
    def read(value: Any) -> Any:
        try:
            return field._deserialize(value, None, None)
        except ValidationError as error:
            raise Doubt from error

    return read


def _read_aspect(value: Any) -> Any:
    if type(value) is not str:
        return to_wire(_ASPECT(value))
    try:
        aspect_ratio(value)  # remembers the common ones
    except ValueError as error:
        raise Doubt from error
    return value


_ASPECT = _deserialized(schemas.AspectField())

# By the type of a field: names and lines. What is most common is decided in the line, the rest by the field itself.
_TYPED: dict[type, tuple[dict[str, Any], tuple[str, ...]]] = {
    schemas.Whole: (
        {"whole": _deserialized(schemas.Whole())},
        ("if type(value) is not int: value = whole(value)",),
    ),
    schemas.Number: (
        {"number": _deserialized(schemas.Number())},
        ("if type(value) is not int: value = number(value)",),
    ),
    schemas.Text: (
        {"text": _deserialized(schemas.Text())},
        ("if type(value) is not str or not value.isascii(): value = text(value)",),
    ),
    schemas.AspectField: ({"aspect": _read_aspect}, ("value = aspect(value)",)),
    schemas.Switch: ({}, ("if value is not True and value is not False: raise Doubt",)),
}


def _default(member: dataclasses.Field[Any]) -> Any:
    return None if member.default is dataclasses.MISSING else member.default


def _own(document: Mapping[str, Any], known: frozenset[str], out: Written) -> None:
    """Take over the caller's own members as the schemas do; only bare values, which are not nested."""
    names = sorted(document.keys() - known)
    for name in names:
        if name[:1] != "_" or type(document[name]) in (dict, list):
            raise Doubt
    try:
        refuse_bulky_own(names, document)
    except ValidationError as error:
        raise Doubt from error
    for name in names:
        out[name] = tidied(document[name])


def _doubtful(_value: Any) -> Any:
    raise Doubt


# Conditions under which the rules of a schema hold, on the written form; never weaker, and they need not be as wide.


def _capture_is_coherent(capture: Written) -> bool:
    """A lens that covers something needs a pitch; corners lie on the raster, and lines that a rate leaves too."""
    if "usable_area" in capture or "rate_limits" in capture:
        return False
    lens = capture.get("lens")
    return lens is None or "photosite_pitch_um" in capture or not ("image_circle_mm" in lens or "covered_mm" in lens)


def _protection_has_one_form(protection: Written) -> bool:
    sides = "left" in protection or "top" in protection or "right" in protection or "bottom" in protection
    return ("each_side" in protection) + ("inward" in protection) + sides == 1


def _deliverable_has_a_shape(deliverable: Written) -> bool:
    """There is a shape, and it lies within the range of aspects."""
    if "raster" not in deliverable:
        return "aspect" in deliverable
    wide, high = shown_raster(deliverable)
    lowest, highest = ASPECT_RANGE
    return wide * lowest.denominator >= high * lowest.numerator and wide <= high * highest.numerator


def shown_raster(deliverable: Written) -> tuple[int, int]:
    """Return the ratio of a deliverable's raster with its pixels, as shown, not in lowest terms."""
    raster, pixel = deliverable["raster"], exact(deliverable["pixel_aspect"])
    return raster["width"] * pixel.numerator, raster["height"] * pixel.denominator


def _safe_area_leaves_something(area: Written) -> bool:
    return bool(area["left"] + area["right"] < 0.999 and area["top"] + area["bottom"] < 0.999)


def _display_is_whole(display: Written) -> bool:
    return "height_mm" in display


def _framing_is_alone(framing: Written) -> bool:
    return framing["arrangement"] == "independent" and framing["match"] == "none" and not framing["nest"]


def _job_is_coherent(job: Written) -> bool:
    """No label stands twice, no option speaks of another label, and aspects agree with rasters."""
    frames = job["deliverables"]
    if len({frame["label"] for frame in frames}) < len(frames):
        return False
    if any(name in job for name in ("picture", "overlay", "chart", "map", "rolls", "prefer")):
        return False
    tolerance = exact(job["framing"]["aspect_tolerance"])
    return all(
        _aspect_agrees(frame, tolerance.numerator, tolerance.denominator)
        for frame in frames
        if "aspect" in frame and "raster" in frame
    )


def _aspect_agrees(deliverable: Written, numerator: int, denominator: int) -> bool:
    """Whether a deliverable's aspect is that of its raster, within a tolerance."""
    (wide, high), written = shown_raster(deliverable), aspect_ratio(deliverable["aspect"])
    one, other = wide * written.denominator, high * written.numerator
    least, most = min(one, other) * (denominator + numerator), max(one, other) * denominator
    return most <= least


# By schema: the names of its rules, and a condition under which all of them hold.
_RULES: dict[type, tuple[frozenset[str], Rule]] = {
    schemas.CaptureSchema: (
        frozenset({"refuse_a_circle_without_pitch", "refuse_corners_outside", "refuse_lines_that_the_mode_has_not"}),
        _capture_is_coherent,
    ),
    schemas.ProtectionSchema: (frozenset({"refuse_mixed_forms"}), _protection_has_one_form),
    schemas.DeliverableSchema: (frozenset({"refuse_a_shapeless_one"}), _deliverable_has_a_shape),
    schemas.SafeAreaSchema: (frozenset({"refuse_an_empty_area"}), _safe_area_leaves_something),
    schemas.DisplaySchema: (frozenset({"refuse_half_a_display"}), _display_is_whole),
    schemas.FramingSchema: (frozenset({"refuse_what_needs_a_shared_point"}), _framing_is_alone),
    schemas.JobSchema: (frozenset({"refuse_contradictions"}), _job_is_coherent),
}
# Nouns whose own check after their making is that of their schema too.
_CHECKED_BY_SCHEMA = frozenset({"Raster"})


def _is_known(schema: Schema) -> bool:
    """Whether everything that a schema does beyond its fields is known here."""
    hooks = schema._hooks  # marshmallow names them nowhere else
    rules = frozenset(name for name, _, _ in hooks[VALIDATES_SCHEMA]) - {"refuse_unknown"}
    known = _RULES[type(schema)][0] if type(schema) in _RULES else frozenset()
    noun = schema.noun  # type: ignore[attr-defined] # every schema of a noun has one
    checks_itself = hasattr(noun, "__post_init__") and noun.__name__ not in _CHECKED_BY_SCHEMA
    is_bare = not (hooks[PRE_LOAD] or hooks[VALIDATES] or schema.many or schema.partial or checks_itself)
    return is_bare and rules == known and {name for name, _, _ in hooks[POST_LOAD]} == {"build"}
