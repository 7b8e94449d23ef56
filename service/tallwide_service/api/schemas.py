"""Schemas: the JSON form, the bounds and the wording of every noun of a job.

One schema a noun, under the noun's own member names; loading builds the dataclass, and all faults
are reported at once. Answers are never dumped through these: `tallwide.wire` writes them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Any, ClassVar, get_args

import orjson
from marshmallow import INCLUDE, Schema, ValidationError, fields, post_load, validates_schema
from marshmallow.validate import Length, OneOf, Range, Regexp, Validator

from tallwide import job as nouns
from tallwide.forms import READABLE_FORMS
from tallwide.handoff.image_regions import LANGUAGE
from tallwide.job import exact
from tallwide.mapping import LARGEST_COORDINATE, RATIONAL, exact_coordinate
from tallwide_service.limits import LIMITS

UNKNOWN = "no such member; names of your own begin with an underscore"
MOST_NAMED = 32
SMALLEST = 1e-9  # of the sizes of numbers beside 0
ASPECT_FORM = r"^[0-9]{1,9}(\.[0-9]{1,9})?:[0-9]{1,9}(\.[0-9]{1,9})?$"
PLAIN = {"required": "is required", "null": "must not be null"}


class Refusal(str):
    """A fault's sentence that also carries the bound it speaks of and the value that passed it."""

    __slots__ = ("got", "limit")
    limit: Any
    got: Any

    def __new__(cls, text: str, *, limit: Any = None, got: Any = None) -> Refusal:
        """Return the sentence with its bound and its value."""
        refusal = super().__new__(cls, text)
        refusal.limit, refusal.got = limit, got
        return refusal


def shortened(value: Any) -> str:
    """Return a value as a fault may repeat it: never long."""
    text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def received(value: Any) -> Any:
    """Return a number as a fault may repeat it beside its bound: as it is, or shortened where it is long."""
    return value if len(str(value)) <= 40 else shortened(value)


class Between(Range):
    """Both bounds allowed unless said otherwise; the fault names them and the value."""

    def __call__(self, value: Any) -> Any:
        """Return the value, or refuse it."""
        low = self.min is not None and (value < self.min or (value == self.min and not self.min_inclusive))
        high = self.max is not None and value > self.max
        if low or high:
            lowest = f"from {self.min}" if self.min_inclusive else f"more than {self.min}"
            limit = self.min if low else self.max
            text = f"must be {lowest} to {self.max}, not {shortened(value)}"
            raise ValidationError([Refusal(text, limit=limit, got=received(value))])
        return value


class Counted(Length):
    """A length within bounds; the fault names them and the length."""

    def __call__(self, value: Any) -> Any:
        """Return the value, or refuse it."""
        least, most, got = self.min or 0, self.max, len(value)
        if got < least or (most is not None and got > most):
            unit = "characters" if isinstance(value, str) else "items"
            text = f"must have {least} to {most} {unit}, not {got}"
            raise ValidationError([Refusal(text, limit=least if got < least else most, got=got)])
        return value


class TwoDecimals(Validator):
    """A number with at most two decimals."""

    def __call__(self, value: Any) -> Any:
        """Return the value, or refuse it."""
        if (exact(value) * 100).denominator != 1:
            raise ValidationError("must have at most two decimals")
        return value


class Number(fields.Field[int | float]):
    """A finite JSON number; a whole one becomes an integer, so that equal jobs give equal bytes."""

    default_error_messages = {
        **PLAIN,
        "invalid": "must be a number",
        "finite": "must be a finite number",
        "tiny": f"must be 0 or at least {SMALLEST:.9f} in size",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> int | float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.make_error("invalid")
        if isinstance(value, int):
            return value
        if not math.isfinite(value):
            raise self.make_error("finite")
        if value.is_integer() and abs(value) < 2**53:
            return int(value)
        if abs(value) < SMALLEST:
            raise self.make_error("tiny")
        return value


class Whole(Number):
    """A whole JSON number; 2.0 is one, 2.5 and true are not."""

    default_error_messages = {
        "invalid": "must be a whole number",
        "whole": "must be a whole number",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> int:
        number = super()._deserialize(value, attr, data, **kwargs)
        if isinstance(number, float):
            raise self.make_error("whole")
        return number


def has_half_pair(value: str) -> bool:
    """Whether a string holds half of a surrogate pair, which no UTF-8 answer could repeat."""
    return not value.isascii() and any("\ud800" <= character <= "\udfff" for character in value)


class Text(fields.Field[str]):
    """A string without half surrogate pairs, which no UTF-8 answer could repeat."""

    default_error_messages = {
        **PLAIN,
        "invalid": "must be a string",
        "surrogate": "holds half of a surrogate pair",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str):
            raise self.make_error("invalid")
        if has_half_pair(value):
            raise self.make_error("surrogate")
        return value


class AspectField(fields.Field[nouns.Aspect]):
    """`"W:H"` with whole or decimal numbers, or one JSON number; 0.05 to 20."""

    default_error_messages = {
        **PLAIN,
        "invalid": 'must be "W:H", such as "16:9" or "2.39:1", or one number',
    }

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> nouns.Aspect:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise self.make_error("invalid")
        if isinstance(value, str) and len(value) > LIMITS.aspect_characters:
            text = f"must have at most {LIMITS.aspect_characters} characters, not {len(value)}"
            raise ValidationError([Refusal(text, limit=LIMITS.aspect_characters, got=len(value))])
        if isinstance(value, float):
            if not math.isfinite(value):
                raise self.make_error("invalid")
            value = int(value) if value.is_integer() else value
        if not isinstance(value, str) and not 0.05 <= value <= 20:
            raise ValidationError(
                [Refusal("must be from 0.05 to 20", limit=20 if value > 20 else 0.05, got=received(value))]
            )
        try:
            return nouns.Aspect(value)
        except ValueError as error:
            raise ValidationError(str(error)) from error


class NounSchema(Schema):
    """Base: unknown members are refused by name, `_` members are kept as the caller's own."""

    noun: ClassVar[type]

    class Meta:
        """Unknown members are looked at by `refuse_unknown`."""

        unknown = INCLUDE

    error_messages = {"type": "must be a JSON object"}

    @validates_schema(skip_on_field_errors=False, pass_original=True)
    def refuse_unknown(self, data: Any, original: Any, **_: Any) -> None:
        """Refuse members that no noun has, and more of the caller's own than is carried."""
        known = self.known_names
        if not isinstance(original, Mapping) or original.keys() <= known:
            return
        unknown = [name for name in original if name not in known and not name.startswith("_")]
        if unknown:
            faults: dict[str, list[str]] = {shortened(name): [UNKNOWN] for name in unknown[:MOST_NAMED]}
            if len(unknown) > MOST_NAMED:
                faults["_schema"] = [f"has {len(unknown) - MOST_NAMED} more members of no such name"]
            raise ValidationError(faults)
        refuse_bulky_own([name for name in original if name not in known], original)

    @property
    def known_names(self) -> AbstractSet[str]:
        """Names of the members as JSON has them."""
        return {field.data_key or name for name, field in self.fields.items()}

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the noun."""
        if data.keys() <= self.fields.keys():
            return self.noun(**data)
        own = {name: tidied(data.pop(name)) for name in sorted(data.keys() - self.fields.keys())}
        return self.noun(**data, own=MappingProxyType(own))


def refuse_bulky_own(names: list[str], document: Mapping[str, Any]) -> None:
    """Refuse the caller's own members beyond the number and size that are carried."""
    if len(names) > LIMITS.own_members:
        text = f"at most {LIMITS.own_members} members of your own are carried, not {len(names)}"
        raise ValidationError({shortened(names[-1]): [Refusal(text, limit=LIMITS.own_members, got=len(names))]})
    for name in names:
        why = unrepeatable(document[name])
        if why:
            raise ValidationError({shortened(name): [why]})
        size = len(name) + len(orjson.dumps(document[name]))
        if size > LIMITS.own_bytes:
            text = f"a member of your own has at most {LIMITS.own_bytes} bytes, not {size}"
            raise ValidationError({shortened(name): [Refusal(text, limit=LIMITS.own_bytes, got=size)]})


def unrepeatable(value: Any) -> str | None:
    """Return why an answer could not repeat a JSON value as it was given; None where it can.

    Integers beyond those that every reader of JSON keeps are refused, as RFC 7493 advises.
    """
    if isinstance(value, str):
        return "holds half of a surrogate pair" if has_half_pair(value) else None
    if isinstance(value, float):
        return None if math.isfinite(value) else "holds a number that is not finite"
    if isinstance(value, int):
        return None if abs(value) < 2**53 else "holds a whole number of more than 53 bits; write it as text"
    if isinstance(value, dict):
        value = value.values()
    return next(filter(None, map(unrepeatable, value or ())), None)


def tidied(value: Any) -> Any:
    """Return a JSON value with whole numbers as integers and names in order: equal documents give equal bytes."""
    if isinstance(value, dict):
        return {name: tidied(value[name]) for name in sorted(value)}
    if isinstance(value, list):
        return [tidied(item) for item in value]
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return int(value)
    return value


class DocumentField(fields.Field[Any]):
    """Any JSON value that an answer can repeat."""

    default_error_messages = {**PLAIN}

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        why = unrepeatable(value)
        if why:
            raise ValidationError(why)
        return tidied(value)


def nested(schema: type[Schema], description: str, **options: Any) -> fields.Nested:
    """Return a field that holds another noun."""
    return fields.Nested(
        schema,
        error_messages={**PLAIN, "type": "must be a JSON object"},
        metadata={"description": description},
        **options,
    )


def listed(
    inner: Any, least: int, most: int, description: str, *, unique: bool = False, **options: Any
) -> fields.List[Any]:
    """Return a field that holds a bounded list; `unique` says that a schema's own rule refuses an item twice."""
    return fields.List(
        inner,
        validate=Counted(least, most),
        error_messages={**PLAIN, "invalid": "must be a list"},
        metadata={"description": description, **({"uniqueItems": True} if unique else {})},
        **options,
    )


def number(low: float, high: float, description: str, *, above: bool = False, **options: Any) -> Number:
    """Return a bounded number; `above` leaves out the lower bound itself, which is 0."""
    # A range's lower bound is drawn from its validator; of numbers above 0 the smallest that is read is said instead.
    metadata = {"description": description, **({"minimum": SMALLEST} if above else {})}
    return Number(validate=Between(low, high, min_inclusive=not above), metadata=metadata, **options)


def whole(low: int, high: int, description: str, **options: Any) -> Whole:
    """Return a bounded whole number."""
    return Whole(validate=Between(low, high), metadata={"description": description}, **options)


def text(most: int, description: str, *, least: int = 1, **options: Any) -> Text:
    """Return a bounded string."""
    return Text(validate=Counted(least, most), metadata={"description": description}, **options)


def aspect(description: str) -> AspectField:
    """Return a field that holds an aspect, its form said for OpenAPI."""
    lowest, highest = map(float, nouns.ASPECT_RANGE)
    form = {"pattern": ASPECT_FORM, "maxLength": LIMITS.aspect_characters}
    return AspectField(metadata={"description": description, "minimum": lowest, "maximum": highest, **form})


def choice(options: tuple[Any, ...], description: str, field: type = Text) -> Any:
    """Return a field that holds one of a few values."""
    named = ", ".join(str(option) for option in options)
    return field(validate=OneOf(options, error=f"must be one of {named}"), metadata={"description": description})


SIDE = LIMITS.raster_side_px
ROLLS = (0, 90, 180, 270)


class RasterSchema(NounSchema):
    """A pixel grid."""

    noun = nouns.Raster
    width = whole(1, SIDE, "Columns, px.", required=True)
    height = whole(1, SIDE, "Lines, px.", required=True)


class GridSchema(NounSchema):
    """Steps at which places and sizes may lie on the recorded raster; 2 each where left out."""

    noun = nouns.Grid
    x = whole(1, LIMITS.grid_step_px, "Step of the left edge, px.")
    y = whole(1, LIMITS.grid_step_px, "Step of the top edge, px.")
    width = whole(1, LIMITS.grid_step_px, "Step of the width, px.")
    height = whole(1, LIMITS.grid_step_px, "Step of the height, px.")


class OffsetSchema(NounSchema):
    """Where the image circle's centre lies from the raster's centre, on the sensor."""

    noun = nouns.Offset
    x = number(-1000, 1000, "To the right, mm.")
    y = number(-1000, 1000, "Downwards, mm.")


class ExtentSchema(NounSchema):
    """A width and a height on the sensor."""

    noun = nouns.Extent
    width = number(0, 1000, "Along the sensor's width, mm.", above=True, required=True)
    height = number(0, 1000, "Along the sensor's height, mm.", above=True, required=True)


class LensSchema(NounSchema):
    """A lens as it is set."""

    noun = nouns.Lens
    label = text(LIMITS.label_characters, "Name of the lens.")
    image_circle_mm = number(0, 1000, "Diameter of the usable circle on the sensor, mm.", above=True)
    covered_mm = nested(ExtentSchema, "Width and height that are covered around the lens's axis, mm.")
    offset_mm = nested(OffsetSchema, "The lens's axis from the raster's centre, mm.")
    focal_length_mm = number(0, 100_000, "Focal length, mm.", above=True)
    f_number = number(0, 1000, "f-number, not T-stop.", above=True)
    focus_distance_mm = number(0, 1_000_000_000, "Distance of the plane in focus from the lens, mm.", above=True)
    exit_pupil_mm = number(0, 100_000, "Distance of the exit pupil from the sensor, mm.", above=True)


class RateLimitSchema(NounSchema):
    """Up to this frame rate, a mode records so many lines, centred on its full height."""

    noun = nouns.RateLimit
    frames_per_second = number(0, 1_000_000, "Highest frame rate.", above=True, required=True)
    height = whole(1, SIDE, "Lines that are recorded, px.", required=True)


class CaptureSchema(NounSchema):
    """One recording mode of one camera."""

    noun = nouns.Capture
    label = text(LIMITS.label_characters, "Name of the recording mode.")
    raster = nested(RasterSchema, "Recorded raster, px.", required=True)
    photosites = nested(RasterSchema, "Photosites behind the raster; as many as pixels where left out.")
    photosite_pitch_um = number(0.1, 1000, "Distance of photosites, um.")
    squeeze = number(0.25, 4, "How many times wider the scene is than its image along the squeeze axis.")
    squeeze_axis = choice(("sensor_width", "sensor_height"), "Axis of the sensor along which the squeeze acts.")
    roll = choice(ROLLS, "How far the body is turned, degrees clockwise as seen from behind it.", Whole)
    grid = nested(GridSchema, "Steps at which the file can be cut, px.")
    usable_area = listed(
        listed(number(0, SIDE, "px"), 2, 2, "x and y, recorded px."),
        3,
        LIMITS.usable_area_vertices,
        "Corners of the convex area that may be used, recorded px.",
    )
    lens = nested(LensSchema, "The lens as it is set.")
    readout_ms = number(0, 100_000, "Time to read all rows, ms.", above=True)
    frames_per_second = number(0, 1_000_000, "Frames per second.", above=True)
    data_rate_mb_s = number(0, 1_000_000, "Data rate, megabytes (10^6 bytes) per second.", above=True)
    detail_factor = number(0, 1, "Share of detail that a colour filter array leaves; 1 takes nothing off.", above=True)
    rate_limits = listed(
        fields.Nested(RateLimitSchema, error_messages={**PLAIN, "type": "must be a JSON object"}),
        1,
        LIMITS.rate_limits,
        "Lines that the mode records up to which frame rate.",
    )

    @validates_schema(skip_on_field_errors=False)
    def refuse_a_circle_without_pitch(self, data: dict[str, Any], **_: Any) -> None:
        """What a lens covers in mm needs the pitch to become pixels."""
        lens = data.get("lens")
        if not isinstance(lens, nouns.Lens) or "photosite_pitch_um" in data:
            return
        for name in ("image_circle_mm", "covered_mm"):
            if getattr(lens, name) is not None:
                raise ValidationError({"photosite_pitch_um": [f"is required with lens.{name}"]})

    @validates_schema(skip_on_field_errors=False)
    def refuse_corners_outside(self, data: dict[str, Any], **_: Any) -> None:
        """The usable area lies on the raster."""
        raster, corners = data.get("raster"), data.get("usable_area")
        if not isinstance(raster, nouns.Raster) or not corners:
            return
        outside = {
            index: [f"lies outside the raster of {raster.width} x {raster.height} px"]
            for index, corner in enumerate(corners)
            if len(corner) == 2 and (corner[0] > raster.width or corner[1] > raster.height)
        }
        if outside:
            raise ValidationError({"usable_area": outside})

    @validates_schema(skip_on_field_errors=False)
    def refuse_lines_that_the_mode_has_not(self, data: dict[str, Any], **_: Any) -> None:
        """Up to a rate the mode records one height, no more than its raster's."""
        raster, limits = data.get("raster"), data.get("rate_limits")
        if not isinstance(raster, nouns.Raster) or not limits:
            return
        faults: dict[int, dict[str, list[str]]] = {}
        heights: dict[Fraction, int] = {}
        for index, limit in enumerate(limits):
            if not isinstance(limit, nouns.RateLimit):
                continue
            if limit.height > raster.height:
                faults[index] = {"height": [f"is more than the {raster.height} lines of the raster"]}
            elif heights.setdefault(nouns.exact(limit.frames_per_second), limit.height) != limit.height:
                faults[index] = {"frames_per_second": ["stands twice, with different heights"]}
        if faults:
            raise ValidationError({"rate_limits": faults})

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the capture, its corners as tuples."""
        if "usable_area" in data:
            data["usable_area"] = tuple(tuple(corner) for corner in data["usable_area"])
        if "rate_limits" in data:
            data["rate_limits"] = tuple(data["rate_limits"])
        return super().build(data)


class AlignSchema(NounSchema):
    """A point of a frame as shares of its upright width and height."""

    noun = nouns.Align
    x = number(0, 1, "0 is the left edge, 1 the right.")
    y = number(0, 1, "0 is the top edge, 1 the bottom.")


class ProtectionSchema(NounSchema):
    """Picture kept clean outside a frame, in one of three forms."""

    noun = nouns.Protection
    each_side = number(0, 1, "The frame grown by this share of its own width and height on every side.")
    inward = number(0, 0.666666666, "The frame is 1 - inward of the protected picture.")
    left = number(0, 1, "Share of the frame's width.")
    top = number(0, 1, "Share of the frame's height.")
    right = number(0, 1, "Share of the frame's width.")
    bottom = number(0, 1, "Share of the frame's height.")

    @validates_schema(skip_on_field_errors=False, pass_original=True)
    def refuse_mixed_forms(self, data: Any, original: Any, **_: Any) -> None:
        """One form at a time: each_side, or inward, or sides."""
        if not isinstance(original, Mapping):
            return
        sides = bool({"left", "top", "right", "bottom"} & original.keys())
        if ("each_side" in original) + ("inward" in original) + sides != 1:
            raise ValidationError("give each_side, or inward, or shares by side: exactly one of the three")


class ProtectionField(fields.Nested):
    """Protection; a bare number is refused, because it is read in two ways on set."""

    reads_objects_as_nested = True

    def _deserialize(self, value: Any, attr: str | None, data: Any, partial: Any = None, **kwargs: Any) -> Any:
        if isinstance(value, int | float) and not isinstance(value, bool):
            raise ValidationError(
                'a bare number is read as {"each_side": s} by some and as {"inward": s} by others: say which'
            )
        return super()._deserialize(value, attr, data, partial, **kwargs)


class SafeAreaSchema(NounSchema):
    """An area of the delivered picture that screens leave free: insets as shares of its sides."""

    noun = nouns.SafeArea
    label = text(LIMITS.label_characters, "Name of the area.", required=True)
    left = number(0, 1, "Share of the width.")
    top = number(0, 1, "Share of the height.")
    right = number(0, 1, "Share of the width.")
    bottom = number(0, 1, "Share of the height.")

    @validates_schema(skip_on_field_errors=False)
    def refuse_an_empty_area(self, data: dict[str, Any], **_: Any) -> None:
        """Opposite insets leave something between them."""
        for first, second in (("left", "right"), ("top", "bottom")):
            if exact(data.get(first, 0)) + exact(data.get(second, 0)) >= 1:
                raise ValidationError({second: [f"{first} and {second} leave nothing between them"]})


class DisplaySchema(NounSchema):
    """Where a deliverable is seen: from what distance, or on what; a print may have its height alone."""

    noun = nouns.Display
    height_mm = number(0, 1_000_000, "Height of the picture, mm.", above=True)
    viewing_distance_mm = number(0, 100_000_000, "Distance of the nearest viewer, mm.", above=True)
    pixel_pitch_mm = number(0, 10_000, "Distance of an LED wall's pixels, mm.", above=True)
    screen = nested(RasterSchema, "Pixels of a hand-held screen, as it is held.")

    @validates_schema(skip_on_field_errors=False, pass_original=True)
    def refuse_half_a_display(self, data: Any, original: Any, **_: Any) -> None:
        """There is a height or a screen; distance and pitch are of a picture with a height."""
        if not isinstance(original, Mapping) or "height_mm" in original:
            return
        if "screen" not in original:
            raise ValidationError({"height_mm": ["is required where there is no screen"]})
        for name in ("viewing_distance_mm", "pixel_pitch_mm"):
            if name in original:
                raise ValidationError({"height_mm": [f"is required with {name}"]})


class DeliverableSchema(NounSchema):
    """One picture that has to be delivered; needs an aspect or a raster."""

    noun = nouns.Deliverable
    label = text(LIMITS.label_characters, "Name, unique in the job.", required=True)
    aspect = aspect('Shape as shown, width over height: "W:H" or one number.')
    raster = nested(RasterSchema, "Delivered raster in the upright picture, px.")
    pixel_aspect = number(0.1, 10, "Width over height of one delivered pixel.")
    delivery_turn = choice(ROLLS, "How far the upright picture is turned to make the delivered file.", Whole)
    minimum_oversampling = number(0.05, 20, "Pixels asked for over pixels needed; a verdict, never a constraint.")
    align = nested(AlignSchema, "The point of the frame that is placed.")
    protection = ProtectionField(
        ProtectionSchema,
        error_messages={**PLAIN, "type": "must be a JSON object"},
        metadata={"description": "Picture kept clean outside the frame."},
    )
    weight = Number(
        validate=[Between(0.01, 100), TwoDecimals()], metadata={"description": "Weight of this frame among others."}
    )
    safe_areas = listed(fields.Nested(SafeAreaSchema), 0, LIMITS.safe_areas, "Areas that screens leave free.")
    safe_area_sets = listed(
        choice(get_args(nouns.SafeAreaSet), "Name of a published set."),
        0,
        len(get_args(nouns.SafeAreaSet)),
        "Published sets, see /v1/reference/safe-areas.",
    )
    display = nested(DisplaySchema, "Where it is seen.")

    @validates_schema(skip_on_field_errors=False, pass_original=True)
    def refuse_a_shapeless_one(self, data: Any, original: Any, **_: Any) -> None:
        """There is a shape, and it lies within the range of aspects."""
        if not isinstance(original, Mapping):
            return
        if "aspect" not in original and "raster" not in original:
            raise ValidationError({"aspect": ["is required where there is no raster"]})
        raster, pixel = data.get("raster"), data.get("pixel_aspect", 1)
        if isinstance(raster, nouns.Raster):
            ratio = Fraction(raster.width, raster.height) * exact(pixel)
            lowest, highest = nouns.ASPECT_RANGE
            if not lowest <= ratio <= highest:
                raise ValidationError({"raster": ["its aspect must lie between 0.05 and 20"]})

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the deliverable, its lists as tuples."""
        for name in ("safe_areas", "safe_area_sets"):
            if name in data:
                data[name] = tuple(data[name])
        return super().build(data)


class PointSchema(NounSchema):
    """The shared scene point; null leaves an axis free."""

    noun = nouns.Point
    x = number(0, 1, "Share of the upright picture's width; null is free.", allow_none=True)
    y = number(0, 1, "Share of the upright picture's height; null is free.", allow_none=True)


class SubjectSchema(NounSchema):
    """What must stay in every frame, in the upright picture."""

    noun = nouns.Subject
    x = whole(0, SIDE, "Left edge, px.", required=True)
    y = whole(0, SIDE, "Top edge, px.", required=True)
    width = whole(1, SIDE, "Width, px.", required=True)
    height = whole(1, SIDE, "Height, px.", required=True)


class FramingSchema(NounSchema):
    """How the frames lie together."""

    noun = nouns.Framing
    arrangement = choice(
        ("independent", "shared_point"),
        f"Whether frames share a scene point, on rasters of at most {LIMITS.shared_point_side_px} px a side.",
    )
    point = nested(PointSchema, "The shared point in the upright picture.")
    subject = nested(SubjectSchema, "What must stay in every frame.")
    match = choice(("none", "height", "width"), "Side that all frames have in common, upright px.")
    nest = listed(
        listed(text(LIMITS.label_characters, "Label."), 2, 2, "Inner and outer label."),
        0,
        LIMITS.nest_pairs,
        "Pairs of labels: the first frame lies inside the second.",
    )
    objective = choice(("in_order", "largest", "raise_smallest"), "What is made as large as can be.")
    aspect_tolerance = number(0, 0.1, "Largest aspect error of a frame.")
    minimums = choice(
        ("verdict", "held"),
        "Whether minimum oversamplings are only judged (verdict, the default), or no frame on a shared point may miss "
        "its own (held).",
    )

    @validates_schema(skip_on_field_errors=False)
    def refuse_what_needs_a_shared_point(self, data: dict[str, Any], **_: Any) -> None:
        """Match, nest and minimums that are held speak of frames that share a point."""
        if data.get("arrangement") == "shared_point":
            return
        faults = {}
        if data.get("match", "none") != "none":
            faults["match"] = ["needs the arrangement shared_point"]
        if data.get("nest"):
            faults["nest"] = ["needs the arrangement shared_point"]
        if data.get("minimums") == "held":
            faults["minimums"] = ["needs the arrangement shared_point"]
        if faults:
            raise ValidationError(faults)

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the framing, its pairs as tuples."""
        if "nest" in data:
            data["nest"] = tuple(tuple(pair) for pair in data["nest"])
        return super().build(data)


class Switch(fields.Field[bool]):
    """true or false, and nothing that resembles them."""

    default_error_messages = {**PLAIN, "invalid": "must be true or false"}

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> bool:
        if not isinstance(value, bool):
            raise self.make_error("invalid")
        return value


def switch(description: str) -> Switch:
    """Return a field that holds true or false."""
    return Switch(metadata={"description": description})


def patterned(pattern: str, sentence: str, description: str, *, most: int | None = None) -> Text:
    """Return a string field of one form, bounded by it or by a length beside it."""
    # OpenAPI's patterns are those of ECMA-262, which has neither \Z nor flags inside.
    metadata = {"description": description, "pattern": f"^{pattern}$"}
    form = Regexp(f"(?a:{pattern})\\Z", error=sentence)
    return Text(validate=form if most is None else [Counted(1, most), form], metadata=metadata)


class MonitorFeedSchema(NounSchema):
    """The picture that a monitor or finder is fed, with the recording centred in it."""

    noun = nouns.MonitorFeed
    width = whole(1, SIDE, "Columns of the feed, px.", required=True)
    height = whole(1, SIDE, "Lines of the feed, px.", required=True)
    fit = choice(get_args(nouns.Fit), "whole: all of the recording is seen; fill: no border, its edges are cut.")
    turned = switch("Whether the feed shows the upright picture; otherwise the recorded one.")
    desqueezed = switch("Whether the feed shows the scene's shape; otherwise each recorded pixel is square.")


class PictureSchema(NounSchema):
    """One deliverable's own raster, or a monitor feed."""

    noun = nouns.Picture
    deliverable = text(LIMITS.label_characters, "Label of the deliverable whose raster is drawn.")
    monitor = nested(MonitorFeedSchema, "The feed that is drawn.")

    @validates_schema(skip_on_field_errors=False)
    def refuse_two_pictures(self, data: dict[str, Any], **_: Any) -> None:
        """A picture is one of them."""
        if ("deliverable" in data) == ("monitor" in data):
            raise ValidationError("must have one of deliverable and monitor")


class PictureField(fields.Nested):
    """`"recorded"`, `"upright"`, or an object that names a deliverable or a monitor feed."""

    reads_objects_as_nested = True

    def _deserialize(self, value: Any, *args: Any, **kwargs: Any) -> Any:
        if isinstance(value, str):
            if value not in get_args(nouns.View):
                raise ValidationError("must be recorded, upright, or an object")
            return nouns.Picture(view=value)  # type: ignore[arg-type]
        if not isinstance(value, Mapping):
            raise ValidationError("must be recorded, upright, or an object")
        return super()._deserialize(value, *args, **kwargs)


class OverlaySchema(NounSchema):
    """What an overlay shows, and how."""

    noun = nouns.Overlay
    line_px = whole(1, LIMITS.line_px, "Thickness of lines, px of the picture.")
    line_share = number(0, 0.05, "Thickness of lines as a share of the picture's height.", above=True)
    palette = choice(("okabe_ito", "tol_bright", "tol_high_contrast"), "Published colour-blind-safe set.")
    colours = listed(
        patterned("#[0-9a-fA-F]{6}", "must be a colour such as #e69f00", "#rrggbb"),
        0,
        LIMITS.deliverables,
        "Colours of your own, used in turn before the palette's.",
    )
    contrast_lines = switch("Whether a dark edge stands beside each light line.")
    labels = choice(get_args(nouns.Labels), "full: name, size, aspect and margin; short: the name.")
    centre_marks = switch("Whether each frame's centre is marked.")
    protection = switch("Whether protection is drawn.")
    common_area = switch("Whether the area that all frames share is drawn.")
    safe_areas = switch("Whether safe areas are drawn, in the picture of one deliverable.")
    subject = switch("Whether the subject is drawn.")
    image_circle = switch("Whether the usable image circle is drawn.")
    usable_area = switch("Whether the usable area is drawn.")
    shade = choice(("none", "combined_area", "frame"), "Outside of what the picture is darkened.")
    shade_frame = text(LIMITS.label_characters, "Label of the frame outside of which it is darkened.")
    theme = choice(get_args(nouns.Theme), "Colours of labels in SVG; variables leaves them to the page's style.")
    id_prefix = patterned(
        "[A-Za-z][A-Za-z0-9_-]{0,63}", "must be a letter and up to 63 letters, digits, - and _", "Prefix of ids in SVG."
    )

    @validates_schema(skip_on_field_errors=False)
    def refuse_contradictions(self, data: dict[str, Any], **_: Any) -> None:
        """One thickness; a frame to shade around where one is meant."""
        if "line_px" in data and "line_share" in data:
            raise ValidationError({"line_share": ["stands beside line_px; give one of them"]})
        if (data.get("shade") == "frame") != ("shade_frame" in data):
            raise ValidationError({"shade_frame": ["is given with shade frame, and with no other"]})

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the options, their colours as a tuple."""
        if "colours" in data:
            data["colours"] = tuple(data["colours"])
        return super().build(data)


class PlateSchema(NounSchema):
    """What is made of an uploaded still."""

    noun = nouns.Plate
    output = choice(
        ("burned_in", "contact_sheet", "frames"), "The overlay on the still; all frames on a sheet; a ZIP of frames."
    )
    fit = choice(("exact", "scale"), "Whether a still of another size than the recorded raster is scaled to it.")
    media_type = choice(("image/png", "image/jpeg", "image/tiff"), "Form of the pictures that come back.")
    longest_side_px = whole(16, LIMITS.plate_side_px, "The pictures that come back are reduced to this, px.")


class DialInSchema(NounSchema):
    """Steps at which a monitor or finder takes numbers by hand."""

    noun = nouns.DialIn
    step_px = number(0.001, 1000, "Step of pixels.")
    step_pct = number(0.0001, 100, "Step of percent.")


class SheetSchema(NounSchema):
    """What the framing sheet states that the job does not compute."""

    noun = nouns.Sheet
    paper = choice(("A4", "letter"), "Size of the paper.")
    title = text(LIMITS.title_characters, "Title of the sheet.")
    date = text(LIMITS.date_characters, "Date as it is to be printed.")
    notes = text(LIMITS.notes_characters, "Notes as they are to be printed.")


class ReadFrameSchema(NounSchema):
    """The corners of one frame as they were measured on a grab."""

    noun = nouns.ReadFrame
    deliverable = text(LIMITS.label_characters, "Label of the frame.", required=True)
    corners = listed(
        listed(number(-SIDE, 2 * SIDE, "px"), 2, 2, "x and y, px."),
        4,
        4,
        "Top left, top right, bottom right, bottom left, as the chart reads.",
        required=True,
    )

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the frame, its corners as tuples."""
        data["corners"] = tuple(tuple(corner) for corner in data["corners"])
        return super().build(data)


class ChartReadingSchema(NounSchema):
    """A grab of the chart: the corners of some of its frames."""

    noun = nouns.ChartReading
    frames = listed(
        fields.Nested(ReadFrameSchema, error_messages={**PLAIN, "type": "must be a JSON object"}),
        1,
        LIMITS.deliverables,
        "Measured frames.",
        required=True,
    )
    picture = choice(get_args(nouns.View), "The picture in which the corners were measured.")
    tolerance_px = number(0, SIDE, "Largest error of a corner that still passes, px.")

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the reading, its frames as a tuple."""
        data["frames"] = tuple(data["frames"])
        return super().build(data)


class ChartSchema(NounSchema):
    """How the framing chart is printed, and what was read from a grab of it."""

    noun = nouns.Chart
    paper = choice(("A3", "A2"), "Size of the paper.")
    width_mm = number(
        100, LIMITS.chart_width_mm, "Width of the recorded picture on paper, mm; the sheet grows with it."
    )
    reading = nested(ChartReadingSchema, "What was measured on a grab of the chart.")


class CoordinateField(fields.Field[int | float | str]):
    """A number, or an exact rational as text."""

    default_error_messages = {**PLAIN}

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> int | float | str:
        if isinstance(value, str) and len(value) > LIMITS.coordinate_characters:
            text = f"must have at most {LIMITS.coordinate_characters} characters, not {len(value)}"
            raise ValidationError([Refusal(text, limit=LIMITS.coordinate_characters, got=len(value))])
        try:
            exact_coordinate(value)
        except ValueError as error:
            raise ValidationError(str(error)) from error
        coordinate: int | float | str = tidied(value)
        return coordinate


def coordinates(count: int, description: str) -> fields.List[Any]:
    """Return a list of so many coordinates."""
    form = {"pattern": f"^{RATIONAL.pattern}$", "maxLength": LIMITS.coordinate_characters}
    span = {"minimum": -LARGEST_COORDINATE, "maximum": LARGEST_COORDINATE}
    field = CoordinateField(metadata={"description": "A number, or a fraction as text: 1/3.", **form, **span})
    return listed(field, count, count, description)


class AreaSchema(NounSchema):
    """A rectangle in the pixels of the picture that is spoken of; need not be whole."""

    noun = nouns.Area
    x = number(-SIDE, SIDE, "Left edge, px.", required=True)
    y = number(-SIDE, SIDE, "Top edge, px.", required=True)
    width = number(0, SIDE, "Width, px.", above=True, required=True)
    height = number(0, SIDE, "Height, px.", above=True, required=True)


class MediaSchema(NounSchema):
    """A file as received: a proxy, padded, desqueezed or turned."""

    noun = nouns.Media
    raster = nested(RasterSchema, "The file's own raster, px.", required=True)
    turn = choice(ROLLS, "How far the recording was turned, degrees clockwise, to make the file.", Whole)
    content = nested(AreaSchema, "Where the picture lies in the file, px of the file; all of it where left out.")
    shows = nested(AreaSchema, "What part of the recorded raster the file holds; all of it where left out.")


class PullSchema(NounSchema):
    """A plate pulled around an extraction."""

    noun = nouns.Pull
    overscan_px = whole(0, SIDE, "Overscan on every side, recorded px.")
    overscan_share = number(0, 4, "Overscan on every side as a share of the extraction's side.")
    multiple = whole(1, LIMITS.pull_multiple_px, "Width and height are padded to a multiple of this, px.")
    upright = switch("Whether the plate is turned so that the scene stands.")

    @validates_schema(skip_on_field_errors=False)
    def refuse_two_overscans(self, data: dict[str, Any], **_: Any) -> None:
        """Overscan is stated in one way."""
        if "overscan_px" in data and "overscan_share" in data:
            raise ValidationError({"overscan_share": ["stands beside overscan_px; give one of them"]})


SPACE_NAMES = get_args(nouns.SpaceName)
SPACE_PARTS = {"deliverable": ("extraction", "delivery", "pull"), "media": ("media",), "pull": ("pull",)}


class SpaceSchema(NounSchema):
    """One picture to map from or to."""

    noun = nouns.Space
    space = Text(
        required=True,
        validate=OneOf(SPACE_NAMES, error=f"must be one of {', '.join(SPACE_NAMES)}"),
        metadata={"description": "Kind of picture."},
    )
    deliverable = text(LIMITS.label_characters, "Whose extraction, delivery or pull it is.")
    media = nested(MediaSchema, "The file, for the space media.")
    pull = nested(PullSchema, "The plate, for the space pull.")

    @validates_schema(skip_on_field_errors=False)
    def refuse_a_part_missing(self, data: dict[str, Any], **_: Any) -> None:
        """A space has what it is made of, and nothing else."""
        space = data.get("space")
        if space is None:
            return
        for name, owners in SPACE_PARTS.items():
            if name in data and space not in owners:
                raise ValidationError({name: [f"belongs to the spaces {', '.join(owners)}, not to {space}"]})
            if name not in data and space in owners and name != "pull":
                raise ValidationError({name: [f"is required for the space {space}"]})


class PlacesSchema(NounSchema):
    """What is mapped, and between which spaces."""

    noun = nouns.Places
    source = nested(SpaceSchema, "Space of the coordinates that are given.", required=True)
    target = nested(SpaceSchema, "Space that they are mapped to.", required=True)
    position = choice(get_args(nouns.Position), "Whether coordinates are pixel edges or pixel centres; edges.")
    points = listed(coordinates(2, "x and y."), 0, LIMITS.map_places, "Points.")
    rects = listed(coordinates(4, "x, y, width and height."), 0, LIMITS.map_places, "Rectangles.")
    polygons = listed(
        listed(coordinates(2, "x and y."), 1, LIMITS.map_places, "Corners."), 0, LIMITS.map_places, "Polygons."
    )

    @validates_schema(skip_on_field_errors=False)
    def refuse_too_many(self, data: Any, **_: Any) -> None:
        """Points, two corners a rectangle and the corners of polygons are bounded together."""
        if not isinstance(data, dict):
            return
        polygons = data.get("polygons", [])
        count = len(data.get("points", [])) + 2 * len(data.get("rects", [])) + sum(map(len, polygons))
        if count > LIMITS.map_places:
            text = f"must have at most {LIMITS.map_places} points and corners together, not {count}"
            raise ValidationError([Refusal(text, limit=LIMITS.map_places, got=count)])

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the places, their lists as tuples."""
        for name in ("points", "rects"):
            if name in data:
                data[name] = tuple(tuple(place) for place in data[name])
        if "polygons" in data:
            data["polygons"] = tuple(tuple(tuple(corner) for corner in polygon) for polygon in data["polygons"])
        return super().build(data)


class ContainerCropSchema(NounSchema):
    """What a container says is not picture."""

    noun = nouns.ContainerCrop
    left = whole(0, SIDE, "Removed at the left, px of the file.")
    top = whole(0, SIDE, "Removed at the top, px of the file.")
    right = whole(0, SIDE, "Removed at the right, px of the file.")
    bottom = whole(0, SIDE, "Removed at the bottom, px of the file.")


class FileFactsSchema(NounSchema):
    """Facts of a file, as stored."""

    noun = nouns.FileFacts
    width = whole(1, SIDE, "Stored columns, px.", required=True)
    height = whole(1, SIDE, "Stored lines, px.", required=True)
    sample_aspect = aspect("Shape of one sample, width over height.")
    rotation = choice(ROLLS, "How far a player is told to turn it, degrees clockwise.", Whole)
    crop = nested(ContainerCropSchema, "What the container says is not picture.")
    content = nested(AreaSchema, "Where the picture lies in the file, if known better.")

    @validates_schema(skip_on_field_errors=False)
    def refuse_a_picture_outside(self, data: dict[str, Any], **_: Any) -> None:
        """The picture lies inside the file."""
        if not {"width", "height"} <= data.keys():
            return
        crop, content = data.get("crop", nouns.ContainerCrop()), data.get("content")
        if not isinstance(crop, nouns.ContainerCrop) or not isinstance(content, nouns.Area | None):
            return  # a fault of its own
        try:
            nouns.FileFacts(data["width"], data["height"], crop=crop, content=content).picture  # noqa: B018
        except ValueError as error:
            raise ValidationError({"content" if "content" in data else "crop": [str(error)]}) from error


class HandoffSchema(NounSchema):
    """What a hand-off may be told beyond the decision."""

    noun = nouns.Handoff
    source = text(LIMITS.source_characters, "Name or address of the recorded file, as the receiver knows it.")
    language = patterned(
        LANGUAGE.pattern,
        'must be a BCP 47 tag, such as "en" or "pt-BR"',
        "BCP 47 tag of the labels' language.",
        most=LIMITS.language_characters,
    )
    pull = nested(PullSchema, "Overscan of plates.")

    @validates_schema(skip_on_field_errors=False)
    def refuse_an_unprintable_source(self, data: dict[str, Any], **_: Any) -> None:
        """A source is one printable line."""
        if "source" in data and not data["source"].isprintable():
            raise ValidationError({"source": ["must be one line of printable characters"]})


@dataclass(frozen=True, slots=True)
class FormToRead(nouns.Noun):
    """A hand-off document that is read back, and how."""

    document: Any
    lenient: bool = False
    raster: nouns.Raster | None = None


class FormToReadSchema(NounSchema):
    """A hand-off document that is read back."""

    noun = FormToRead
    document = DocumentField(
        required=True,
        metadata={"description": "The document: a JSON value for the forms that are JSON, else its text."},
    )
    lenient = switch("Whether liberties are taken where the standard is not kept; each is listed.")
    raster = nested(RasterSchema, "The recorded raster, for forms that do not carry it, px.")


class ComparandSchema(NounSchema):
    """What a job is compared with: another job, or a document of a form that can be read back."""

    noun = nouns.Comparand
    job = fields.Nested(
        lambda: JobSchema(exclude=("compare",)),
        error_messages={**PLAIN, "type": "must be a JSON object"},
        metadata={"description": "The other job."},
    )
    form = choice(READABLE_FORMS, "Form of the document.")
    document = DocumentField(metadata={"description": "The document: JSON for the forms that are JSON, else text."})
    lenient = switch("Whether the document is read leniently.")
    tolerance_px = number(0, SIDE, "How far an edge may have moved, recorded px of this job.")

    @validates_schema(skip_on_field_errors=False, pass_original=True)
    def refuse_none_or_both(self, data: Any, original: Any, **_: Any) -> None:
        """One thing to compare with; a document has a form."""
        if not isinstance(original, Mapping):
            return
        if ("job" in original) == ("document" in original):
            raise ValidationError("must have one of job and document")
        if ("document" in original) != ("form" in original):
            raise ValidationError({"form": ["stands beside document, and only there"]})


class SweepSchema(NounSchema):
    """One number of the job through a range."""

    noun = nouns.Sweep
    member = text(LIMITS.pointer_characters, "RFC 6901 pointer of the number, such as /framing/point/y.", required=True)
    from_ = number(-1e9, 1e9, "First value.", required=True, data_key="from")
    to = number(-1e9, 1e9, "Last value.", required=True)
    steps = whole(2, LIMITS.sweep_steps, "How many values, both ends included.", required=True)

    @validates_schema(skip_on_field_errors=False)
    def refuse_another_pointer(self, data: dict[str, Any], **_: Any) -> None:
        """A pointer begins with a slash and does not point at the sweep itself."""
        member = data.get("member")
        if isinstance(member, str) and (not member.startswith("/") or member.startswith("/sweep")):
            raise ValidationError({"member": ["must be a pointer into the job, such as /framing/point/y"]})


NESTED_FAULTS: dict[str, str | list[Any] | dict[Any, Any]] = {**PLAIN, "type": "must be a JSON object"}


class ProductionSchema(NounSchema):
    """What the day asks for and allows."""

    noun = nouns.Production
    shots = whole(1, LIMITS.shots, "Shots of the day; 1 where left out.")
    takes_per_shot = whole(1, LIMITS.shots, "Takes of each shot in each pass; 1 where left out.")
    minutes_per_take = number(0, LIMITS.production_minutes, "Minutes of one take.", above=True)
    minutes_per_changeover = number(0, LIMITS.production_minutes, "Minutes to change the rig over once.")
    minutes_available = number(0, LIMITS.production_minutes, "Minutes that the day has for it.", above=True)
    megabytes_available = number(0, 1_000_000_000_000, "Storage that there is, megabytes of 10^6 bytes.", above=True)

    @validates_schema(skip_on_field_errors=False)
    def refuse_contradictions(self, data: dict[str, Any], **_: Any) -> None:
        """A bound on what nothing is known of would never be looked at; one take fits in the time."""
        faults = {}
        take, available = data.get("minutes_per_take"), data.get("minutes_available")
        for bound in ("minutes_available", "megabytes_available"):
            if bound in data and take is None:
                faults["minutes_per_take"] = [f"is required with {bound}"]
        if take is not None and available is not None:
            least = exact(take) * data.get("shots", 1) * data.get("takes_per_shot", 1)
            if least > exact(available):
                faults["minutes_available"] = [
                    f"is less than the takes of a single pass need: {float(least):g} minutes, without any change-over"
                ]
        if faults:
            raise ValidationError(faults)


class MovementSchema(NounSchema):
    """How fast the camera is turned."""

    noun = nouns.Movement
    pan_deg_s = number(-10_000, 10_000, "Pan to the right, degrees per second.")
    tilt_deg_s = number(-10_000, 10_000, "Tilt upwards, degrees per second.")


class ZoomSettingSchema(NounSchema):
    """One focal length of a zoom, and what it covers there."""

    noun = nouns.ZoomSetting
    focal_length_mm = number(0, 100_000, "Focal length, mm.", above=True, required=True)
    image_circle_mm = number(0, 1000, "Diameter of the usable circle there, mm.", above=True)
    covered_mm = nested(ExtentSchema, "Width and height that are covered there, mm.")


class LensChoiceSchema(NounSchema):
    """A lens that may be taken."""

    noun = nouns.LensChoice
    label = text(LIMITS.label_characters, "Name of the lens.", required=True)
    focal_length_mm = number(0, 100_000, "Focal length, mm.", above=True)
    image_circle_mm = number(0, 1000, "Diameter of the usable circle, by your own criterion, mm.", above=True)
    covered_mm = nested(ExtentSchema, "Width and height that are covered (squeezed lenses, baffles), mm.")
    offset_mm = nested(OffsetSchema, "The lens's axis from the raster's centre, mm.")
    f_number = number(0, 1000, "f-number, not T-stop.", above=True)
    squeeze = number(0.25, 4, "Squeeze of the lens; takes the place of the capture's.")
    squeeze_axis = choice(("sensor_width", "sensor_height"), "Axis of the sensor along which the lens is mounted.")
    settings = listed(
        fields.Nested(ZoomSettingSchema, error_messages=NESTED_FAULTS),
        0,
        LIMITS.lens_settings,
        "Focal lengths of a zoom.",
    )
    focus_distance_mm = number(0, 1_000_000_000, "Distance of the plane in focus from the lens, mm.", above=True)
    exit_pupil_mm = number(0, 100_000, "Distance of the exit pupil from the sensor, mm.", above=True)

    @validates_schema(skip_on_field_errors=False)
    def refuse_two_focal_lengths(self, data: dict[str, Any], **_: Any) -> None:
        """A zoom has its focal lengths in its settings."""
        if data.get("settings") and "focal_length_mm" in data:
            raise ValidationError({"focal_length_mm": ["stands beside settings, which have their own"]})

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the lens, its settings as a tuple."""
        if "settings" in data:
            data["settings"] = tuple(data["settings"])
        return super().build(data)


class CameraMatchSchema(NounSchema):
    """The camera beside, whose focal length is sought."""

    noun = nouns.CameraMatch
    capture = nested(CaptureSchema, "The other camera.", required=True)
    focal_lengths_mm = listed(
        number(0, 100_000, "mm", above=True), 0, LIMITS.match_focal_lengths, "Focal lengths to choose from, mm."
    )

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the match, its focal lengths as a tuple."""
        if "focal_lengths_mm" in data:
            data["focal_lengths_mm"] = tuple(data["focal_lengths_mm"])
        return super().build(data)


class AxisPlaceSchema(NounSchema):
    """Where the optical axis lies over the rods, seen from behind."""

    noun = nouns.AxisPlace
    height_mm = number(-10_000, 10_000, "Above the plane of the rods' centres, mm.", required=True)
    sideways_mm = number(-10_000, 10_000, "Right of the middle between the rods, mm.")


class SpanSchema(NounSchema):
    """The least and the most that something can be set to."""

    noun = nouns.Span
    least_mm = number(-10_000, 10_000, "Least, mm.", required=True)
    most_mm = number(-10_000, 10_000, "Most, mm.", required=True)

    @validates_schema
    def refuse_less_than_the_least(self, data: dict[str, Any], **_: Any) -> None:
        """The most is at least the least."""
        if data["most_mm"] < data["least_mm"]:
            raise ValidationError({"most_mm": ["must be at least least_mm"]})


class RoomNeedSchema(NounSchema):
    """Room that something needs beside one face of the camera, and the room there is."""

    noun = nouns.RoomNeed
    face = Text(
        required=True,
        validate=OneOf(get_args(nouns.Face), error="must be one of left, right, top, bottom"),
        metadata={"description": "Face of the upright body, seen from behind."},
    )
    need = Text(
        required=True,
        validate=OneOf(get_args(nouns.RoomFor), error=f"must be one of {', '.join(get_args(nouns.RoomFor))}"),
        metadata={"description": "What needs room."},
    )
    needed_mm = number(0, 10_000, "Room that it needs, mm.", required=True)
    upright_mm = number(0, 10_000, "Room that there is with the camera upright, mm.")
    roll_90_mm = number(0, 10_000, "Room that there is at roll 90, mm.")
    roll_270_mm = number(0, 10_000, "Room that there is at roll 270, mm.")


class RatingSchema(NounSchema):
    """For which rolls a maker rates a battery mount or an accessory."""

    noun = nouns.Rating
    label = text(LIMITS.label_characters, "Battery mount or accessory.", required=True)
    rolls = listed(choice(ROLLS, "Roll, degrees.", Whole), 0, 4, "Rolls that it is rated for.", required=True)

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the rating, its rolls as a tuple."""
        data["rolls"] = tuple(data["rolls"])
        return super().build(data)


class RigSchema(NounSchema):
    """What holds the camera; all of it as you say, lengths only."""

    noun = nouns.Rig
    rods = choice(get_args(nouns.RodSystem), "Convention of the rods (common practice, no standard).")
    standard_axis_mm = nested(AxisPlaceSchema, "Where the axis belongs over your rods, instead of a convention.")
    axis_upright_mm = nested(AxisPlaceSchema, "Where the axis lies with the camera upright.")
    axis_turned_mm = nested(AxisPlaceSchema, "Where the axis lies with the camera on its side.")
    axis_roll_270_mm = nested(AxisPlaceSchema, "Where the axis lies at roll 270, if elsewhere than at roll 90.")
    support_mm = nested(SpanSchema, "Heights of the axis over the rods that the lens support reaches.")
    carrying_faces = listed(
        choice(get_args(nouns.Face), "Face of the upright body, seen from behind."),
        0,
        4,
        "Faces that may carry the camera, by its maker.",
    )
    held_by = choice(("lower_face", "bottom"), "Whether a turned body stands on its lower face or hangs at its bottom.")
    room = listed(
        fields.Nested(RoomNeedSchema, error_messages=NESTED_FAULTS), 0, LIMITS.rig_entries, "Room beside the faces."
    )
    ratings = listed(
        fields.Nested(RatingSchema, error_messages=NESTED_FAULTS), 0, LIMITS.rig_entries, "Ratings by roll."
    )

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the rig, its lists as tuples."""
        for name in ("carrying_faces", "room", "ratings"):
            if name in data:
                data[name] = tuple(data[name])
        return super().build(data)


class JobSchema(NounSchema):
    """A capture, its deliverables and how they are framed together."""

    noun = nouns.Job
    version = choice((1,), "Version of this form.", Whole)
    id = text(LIMITS.id_characters, "The caller's name for the job.")
    capture = nested(CaptureSchema, "What is recorded.", required=True)
    deliverables = listed(
        fields.Nested(DeliverableSchema, error_messages={**PLAIN, "type": "must be a JSON object"}),
        1,
        LIMITS.deliverables,
        "What has to be delivered.",
        required=True,
    )
    framing = nested(FramingSchema, "How the frames lie together.")
    sweep = nested(SweepSchema, "A number of the job to be swept, for extractions.")
    map = nested(PlacesSchema, "What /v1/map maps.")
    file = nested(FileFactsSchema, "The file that /v1/check looks at.")
    handoff = nested(HandoffSchema, "Options of hand-offs.")
    compare = nested(ComparandSchema, "What /v1/compare compares the job with.")
    picture = PictureField(
        PictureSchema,
        error_messages={**PLAIN, "type": "must be recorded, upright, or an object"},
        metadata={"description": "The picture that is drawn on: recorded, upright, a deliverable's, or a monitor's."},
    )
    overlay = nested(OverlaySchema, "Options of overlays.")
    plate = nested(PlateSchema, "Options of uploaded stills.")
    dial_in = nested(DialInSchema, "Options of numbers to type by hand.")
    sheet = nested(SheetSchema, "Options of the framing sheet.")
    chart = nested(ChartSchema, "Options of the framing chart, and its reading.")
    alternatives = listed(
        fields.Nested(CaptureSchema, error_messages={**PLAIN, "type": "must be a JSON object"}),
        0,
        LIMITS.alternatives,
        "Further recording modes or cameras that /v1/orientation compares; their roll is one of `rolls`.",
    )
    rolls = listed(choice(ROLLS, "Roll.", Whole), 1, 4, "Rolls that are allowed; 0, 90, 270 if left out.", unique=True)
    passes = whole(1, LIMITS.passes, "Passes that are allowed; 2 where left out.")
    production = nested(ProductionSchema, "What the day asks for and allows.")
    prefer = listed(
        choice(get_args(nouns.Criterion), "Criterion."),
        0,
        len(get_args(nouns.Criterion)),
        "Criteria that count first, in order; the others follow in the order of this list.",
        unique=True,
    )
    movement = nested(MovementSchema, "How fast the camera is turned, for the read-out.")
    rig = nested(RigSchema, "What holds the camera.")
    captures = listed(
        fields.Nested(CaptureSchema, error_messages=NESTED_FAULTS),
        1,
        LIMITS.captures,
        "Captures whose coverage is asked for; the job's own where left out.",
    )
    lenses = listed(
        fields.Nested(LensChoiceSchema, error_messages=NESTED_FAULTS),
        1,
        LIMITS.lenses,
        "Lenses whose coverage is asked for; each capture's own where left out.",
    )
    match = nested(CameraMatchSchema, "The camera beside, for /v1/match.")

    @validates_schema(skip_on_field_errors=False, pass_original=True)
    def refuse_contradictions(self, data: Any, original: Any, **_: Any) -> None:
        """Labels are unique, nest names them and has no cycle, aspect and raster agree, rasters can be searched."""
        twice = {
            name: ["names one thing twice"]
            for name in ("rolls", "prefer")
            if isinstance(data.get(name), list) and len(set(data[name])) < len(data[name])
        }
        if twice:
            raise ValidationError(twice)
        frames = data.get("deliverables") if isinstance(data, dict) else None
        if not isinstance(frames, list) or not all(isinstance(frame, nouns.Deliverable) for frame in frames):
            return
        framing = data.get("framing", nouns.Framing())
        large = _large_rasters(data) if _shares_a_point(framing) else {}
        if large:
            raise ValidationError(large)
        faults: dict[Any, Any] = dict(_label_faults(frames))
        references = _reference_faults(data, {frame.label for frame in frames})
        if references:
            raise ValidationError({**references, **({"deliverables": faults} if faults else {})})
        if isinstance(framing, nouns.Framing):
            tolerance = exact(framing.aspect_tolerance)
            faults.update((index, fault) for index, fault in _shape_faults(frames, tolerance) if index not in faults)
            nest_fault = _nest_fault(framing.nest, {frame.label for frame in frames})
            if nest_fault:
                raise ValidationError({"framing": {"nest": nest_fault}, **({"deliverables": faults} if faults else {})})
        if faults:
            raise ValidationError({"deliverables": faults})

    @post_load
    def build(self, data: dict[str, Any], **_: Any) -> Any:
        """Return the job, its deliverables as a tuple."""
        for name in ("deliverables", "alternatives", "rolls", "prefer", "captures", "lenses"):
            if name in data:
                data[name] = tuple(data[name])
        return super().build(data)


def _shares_a_point(framing: Any) -> bool:
    return isinstance(framing, nouns.Framing) and framing.arrangement == "shared_point"


def _large_rasters(data: dict[str, Any]) -> dict[str, Any]:
    """Return the captures of a job whose raster is larger than frames on one point are looked for in."""
    match = data.get("match")
    alone = {"capture": _large_raster(data.get("capture"))}
    beside = {"capture": _large_raster(match.capture if isinstance(match, nouns.CameraMatch) else None)}
    listed = {
        name: {index: fault for index, each in enumerate(data[name]) if (fault := _large_raster(each))}
        for name in ("alternatives", "captures")
        if isinstance(data.get(name), list)
    }
    faults = {**alone, **listed, "match": beside if beside["capture"] else {}}
    return {name: fault for name, fault in faults.items() if fault}


def _large_raster(capture: Any) -> dict[str, Any]:
    if not isinstance(capture, nouns.Capture):
        return {}
    most = LIMITS.shared_point_side_px
    sides = {"width": capture.raster.width, "height": capture.raster.height}
    faults = {
        side: [Refusal(f"must be at most {most} where frames share a point, not {got}", limit=most, got=got)]
        for side, got in sides.items()
        if got > most
    }
    return {"raster": faults} if faults else {}


def _space_faults(places: Any, labels: set[str]) -> dict[str, Any]:
    """Return spaces that name a deliverable which the job has not."""
    if not isinstance(places, nouns.Places):
        return {}
    ends = {"source": places.source, "target": places.target}
    unknown = {
        end: {"deliverable": ["no deliverable has this label"]}
        for end, space in ends.items()
        if space.deliverable not in (None, *labels)
    }
    return {"map": unknown} if unknown else {}


def _label_faults(frames: list[nouns.Deliverable]) -> Iterator[tuple[int, Any]]:
    seen: dict[str, int] = {}
    for index, frame in enumerate(frames):
        first = seen.setdefault(frame.label, index)
        if first != index:
            yield index, {"label": [f"is the label of deliverable {first} too"]}


def _reference_faults(data: dict[str, Any], labels: set[str]) -> dict[str, Any]:
    """Return what options say of deliverables that the job has not."""
    unknown = ["no deliverable has this label"]
    faults: dict[str, Any] = _space_faults(data.get("map"), labels)
    picture, overlay, chart = data.get("picture"), data.get("overlay"), data.get("chart")
    if isinstance(picture, nouns.Picture) and picture.deliverable not in (None, *labels):
        faults["picture"] = {"deliverable": unknown}
    if isinstance(overlay, nouns.Overlay) and overlay.shade_frame not in (None, *labels):
        faults["overlay"] = {"shade_frame": unknown}
    if isinstance(chart, nouns.Chart) and chart.reading is not None:
        read = {
            index: {"deliverable": unknown}
            for index, frame in enumerate(chart.reading.frames)
            if frame.deliverable not in labels
        }
        if read:
            faults["chart"] = {"reading": {"frames": read}}
    return faults


def _shape_faults(frames: list[nouns.Deliverable], tolerance: Fraction) -> Iterator[tuple[int, Any]]:
    for index, frame in enumerate(frames):
        if frame.aspect is None or frame.raster is None:
            continue
        off = frame.ratio / frame.aspect.ratio
        if max(off, 1 / off) - 1 > tolerance:
            ratio = float(frame.ratio)
            yield index, {"aspect": [f"differs from the raster's {ratio:.6g} by more than the aspect tolerance"]}


def _nest_fault(pairs: tuple[tuple[str, str], ...], labels: set[str]) -> Any:
    unknown = {
        index: {place: ["no deliverable has this label"] for place, label in enumerate(pair) if label not in labels}
        for index, pair in enumerate(pairs)
        if not set(pair) <= labels
    }
    if unknown:
        return unknown
    inside: dict[str, set[str]] = {}
    for inner, outer in pairs:
        inside.setdefault(inner, set()).add(outer)
    return ["frames lie inside each other in a circle"] if _has_cycle(inside) else None


def _has_cycle(inside: dict[str, set[str]]) -> bool:
    """Whether following inner to outer leads back: frames without an outer are taken away until none is left."""
    left = {inner: set(outers) for inner, outers in inside.items()}
    while left:
        free = [inner for inner, outers in left.items() if not outers & left.keys()]
        if not free:
            return True
        for inner in free:
            del left[inner]
    return False


JOB_SCHEMA = JobSchema()
