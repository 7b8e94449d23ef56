"""Hand-off: a decision in every open form, and the way back.

`write(decision, form)` and `read(document, form)` are all that callers need; each form has a module
of its own, standard library only, so that a farm can write documents from a saved answer offline.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from tallwide.decision import Decision
from tallwide.forms import FORMS, MEDIA_TYPES
from tallwide.handoff import (
    csv_table,
    ffmpeg,
    framing_decision_list,
    framing_decision_list_reader,
    iiif,
    image_regions,
    media_fragments,
    openexr,
    timeline_transform,
)
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

WRITERS: Mapping[str, Callable[[Decision, Handoff], Document]] = {
    "framing-decision-list": framing_decision_list.write,
    "image-regions": image_regions.write,
    "iiif": iiif.write,
    "media-fragments": media_fragments.write,
    "ffmpeg": ffmpeg.write,
    "openexr": openexr.write,
    "timeline-transform": timeline_transform.write,
    "csv": csv_table.write,
}
READERS: Mapping[str, Callable[[Any, ReadOptions], FormReading]] = {
    "framing-decision-list": framing_decision_list_reader.read,
    "image-regions": image_regions.read,
    "iiif": iiif.read,
    "media-fragments": media_fragments.read,
    "csv": csv_table.read,
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
