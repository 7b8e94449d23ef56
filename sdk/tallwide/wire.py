"""The JSON form of the vocabulary, in both directions, from the dataclasses' own types.

`to_wire` gives what a JSON encoder takes; `from_wire` builds a noun from what a JSON decoder gave.
Job nouns leave out what is not set and carry the caller's `_` members; answers say every member,
`None` as null. A reader of answers ignores members that it does not know, so that a service may
add some; a reader of jobs refuses them.
"""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Callable, Mapping
from functools import cache
from operator import attrgetter
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from tallwide.job import Aspect, Noun, Picture, Point

T = TypeVar("T")
# Members whose JSON name is a word that Python keeps for itself.
_WIRE_NAMES = {"from_": "from"}
_PYTHON_NAMES = {written: name for name, written in _WIRE_NAMES.items()}


def to_wire(value: Any) -> Any:
    """Return the JSON form of a noun, an answer, or anything made of them."""
    return _WRITERS[type(value)](value)


def from_wire(noun: type[T], document: Any) -> T:
    """Return the `noun` that a JSON value describes.

    Raises
    ------
    ValueError
        If a required member is missing, a job has an unknown one, or a value makes no sense.
    """
    try:
        return _reader(noun)(document)  # type: ignore[arg-type, no-any-return]
    except (TypeError, KeyError, AttributeError) as error:
        raise ValueError(f"this is not the JSON form of {noun.__name__}: {error}") from error


# Classes are hashable; the type checker takes the nouns' own hash for their class's.
@cache
def _members(noun: type) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(noun) if field.name != "own" and field.init)


class _Writers(dict[type, Callable[[Any], Any]]):
    """The function that writes the values of a class, made when the class is first met."""

    def __missing__(self, kind: type) -> Callable[[Any], Any]:
        write = self[kind] = _writer(kind)
        return write


_WRITERS = _Writers()


def _writer(kind: type) -> Callable[[Any], Any]:
    if kind is Aspect:
        return attrgetter("written")
    if kind is Picture:
        write_picture = _noun_writer(Picture)
        return lambda picture: write_picture(picture) if picture.view is None else picture.view
    if dataclasses.is_dataclass(kind):
        return _noun_writer(kind)
    if issubclass(kind, tuple | list):
        return lambda items: [_WRITERS[type(item)](item) for item in items]
    return lambda value: value


def _noun_writer(kind: type) -> Callable[[Any], dict[str, Any]]:
    """Return the writer of a dataclass; members that are their own JSON form by their type are not looked at."""
    names = _members(kind)
    hints = get_type_hints(kind)
    # The name that stands twice makes a tuple of a single member too.
    members_of = attrgetter(*names, names[0])
    written_names = tuple(_WIRE_NAMES.get(name, name) for name in names)
    composed = tuple(written for name, written in zip(names, written_names, strict=True) if not _is_plain(hints[name]))
    is_noun = issubclass(kind, Noun)
    leaves_out = is_noun and kind is not Point

    def write(value: Any) -> dict[str, Any]:
        document = dict(zip(written_names, members_of(value), strict=False))
        if leaves_out:
            document = {name: member for name, member in document.items() if member is not None}
        for name in composed:
            if name in document:
                member = document[name]
                document[name] = _WRITERS[type(member)](member)
        if is_noun:
            document.update(value.own)
        return document

    return write


def _is_plain(hint: Any) -> bool:
    """Whether every value of a type is its own JSON form."""
    if get_origin(hint) in (Union, types.UnionType):
        return all(_is_plain(choice) for choice in get_args(hint))
    return hint in (int, float, str, bool, type(None)) or get_origin(hint) is Literal


@cache
def _reader(hint: Any) -> Callable[[Any], Any]:
    """Return the function that reads one type; made once a type."""
    if hint is Aspect:
        return Aspect
    if hint is Picture:
        return _read_picture
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return _noun_reader(hint)
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        nouns = [choice for choice in arguments if choice is not type(None)]
        if len(nouns) == 1:
            read = _reader(nouns[0])
            return lambda value: None if value is None else read(value)
    if origin is tuple:
        return _tuple_reader(arguments)
    return lambda value: value


def _read_picture(document: Any) -> Picture:
    if isinstance(document, str):
        return Picture(view=document)  # type: ignore[arg-type]
    picture: Picture = _noun_reader(Picture)(document)
    return picture


def _tuple_reader(items: tuple[Any, ...]) -> Callable[[Any], Any]:
    if len(items) == 2 and items[1] is Ellipsis:
        read = _reader(items[0])
        return lambda values: tuple(read(value) for value in values)
    readers = tuple(_reader(item) for item in items)
    return lambda values: tuple(read(value) for read, value in zip(readers, values, strict=True))


def _noun_reader(noun: type) -> Callable[[Any], Any]:
    is_job_noun = issubclass(noun, Noun)
    readers: dict[str, Callable[[Any], Any]] = {}

    def read(document: Mapping[str, Any]) -> Any:
        if not readers:  # made at the first reading: a job may be compared with a job
            hints = get_type_hints(noun)
            readers.update({name: _reader(hints[name]) for name in _members(noun)})
        if not isinstance(document, Mapping):
            raise ValueError(f"{noun.__name__} is written as a JSON object")
        named = {_PYTHON_NAMES.get(name, name): value for name, value in document.items()}
        known = {name: readers[name](value) for name, value in named.items() if name in readers}
        if is_job_noun and len(known) < len(document):
            own = {name: value for name, value in document.items() if name.startswith("_")}
            unknown = sorted(named.keys() - known.keys() - own.keys())
            if unknown:
                raise ValueError(f"{noun.__name__} has no member {unknown[0]!r}")
            return noun(**known, own=types.MappingProxyType(own))
        return noun(**known)

    return read


__all__ = ["from_wire", "to_wire"]
