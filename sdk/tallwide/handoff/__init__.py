"""Hand-off: a decision in every open form, and the way back.

`write(decision, form)` and `read(document, form)` are all that callers need; each form has a module
of its own, standard library only, so that a farm can write documents from a saved answer offline.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any, Literal

from tallwide.decision import Decision
from tallwide.forms import FORMS, MEDIA_TYPES
from tallwide.handoff.document import Document, Form, HandoffAnswer, Loss
from tallwide.handoff.reading import (
    FormFault,
    FormReading,
    FoundFrame,
    ReadAnswer,
    ReadOptions,
    Remark,
    UnreadableForm,
)
from tallwide.job import Handoff


def _loaded_by_call(module: str, function: Literal["write", "read"]) -> Callable[..., Any]:
    """Return a function of a form's module, which loads when it is first called."""

    def call(*arguments: Any) -> Any:
        return getattr(import_module(f"tallwide.handoff.{module}"), function)(*arguments)

    return call


WRITERS: Mapping[str, Callable[[Decision, Handoff], Document]] = {
    "framing-decision-list": _loaded_by_call("framing_decision_list", "write"),
    "image-regions": _loaded_by_call("image_regions", "write"),
    "iiif": _loaded_by_call("iiif", "write"),
    "media-fragments": _loaded_by_call("media_fragments", "write"),
    "ffmpeg": _loaded_by_call("ffmpeg", "write"),
    "openexr": _loaded_by_call("openexr", "write"),
    "timeline-transform": _loaded_by_call("timeline_transform", "write"),
    "csv": _loaded_by_call("csv_table", "write"),
}
READERS: Mapping[str, Callable[[Any, ReadOptions], FormReading]] = {
    "framing-decision-list": _loaded_by_call("framing_decision_list_reader", "read"),
    "image-regions": _loaded_by_call("image_regions", "read"),
    "iiif": _loaded_by_call("iiif", "read"),
    "media-fragments": _loaded_by_call("media_fragments", "read"),
    "csv": _loaded_by_call("csv_table", "read"),
}


def write(decision: Decision, form: str, options: Handoff | None = None) -> Document:
    """Return a decision as a document of one form.

    Raises
    ------
    ValueError
        If there is no such form, or an option makes no sense for it.
    """
    if form not in WRITERS:
        raise ValueError(f"there is no form {form!r}; there are {', '.join(WRITERS)}")
    return WRITERS[form](decision, options or Handoff())


def read(document: Any, form: str, options: ReadOptions | None = None) -> FormReading:
    """Return the part of a job that a document carries.

    Raises
    ------
    UnreadableForm
        If the document does not keep to its standard.
    ValueError
        If that form cannot be read back.
    """
    if form not in READERS:
        raise ValueError(f"the form {form!r} is not read back; {', '.join(READERS)} are")
    return READERS[form](document, options or ReadOptions())


__all__ = [
    "FORMS",
    "MEDIA_TYPES",
    "READERS",
    "WRITERS",
    "Document",
    "Form",
    "FormFault",
    "FormReading",
    "FoundFrame",
    "Handoff",
    "HandoffAnswer",
    "Loss",
    "ReadAnswer",
    "ReadOptions",
    "Remark",
    "UnreadableForm",
    "read",
    "write",
]
