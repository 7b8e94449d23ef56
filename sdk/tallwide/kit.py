"""Kits: captures, lenses and rigs by label, kept in one file and merged into jobs before they are sent.

A kit is a JSON object with `captures`, `lenses` and `rigs`, each an object of labels. In a job, a
label in place of a capture, a lens or a rig stands for what the kit has under it: in `capture`,
`alternatives`, `captures`, `match.capture`, `lenses`, `rig`, and in the `lens` of any capture,
those of the kit too, and in the job that it is compared with. The service sees whole jobs only and keeps nothing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Document = Mapping[str, Any]
SHELVES = ("captures", "lenses", "rigs")
# Members of a lens to choose from that belong to the capture, or to other lenses of a zoom.
_OF_THE_CAPTURE = ("squeeze", "squeeze_axis")
_AT = " @ "


class KitError(ValueError):
    """A kit is not one, or lacks a label that a job uses."""


@dataclass(frozen=True, slots=True)
class Kit:
    """Captures, lenses and rigs by label, as JSON objects.

    Examples
    --------
    >>> kit = Kit(captures={"A": {"raster": {"width": 4800, "height": 3200}}}, lenses={"32": {"focal_length_mm": 32}})
    >>> kit.merged({"capture": "A"})["capture"]
    {'label': 'A', 'raster': {'width': 4800, 'height': 3200}}
    """

    captures: Mapping[str, Document] = field(default_factory=dict)
    lenses: Mapping[str, Document] = field(default_factory=dict)
    rigs: Mapping[str, Document] = field(default_factory=dict)

    @classmethod
    def read(cls, path: str | Path) -> Kit:
        """Return the kit in a file.

        Raises
        ------
        KitError
            If it is not the JSON of a kit; an OSError if it cannot be read.
        """
        try:
            document = json.loads(Path(path).read_bytes())
        except ValueError as error:
            raise KitError(f"{path} is not JSON: {error}") from error
        return cls.of(document)

    @classmethod
    def of(cls, document: Any) -> Kit:
        """Return the kit that a JSON value describes.

        Raises
        ------
        KitError
            If it is not one; the message names the member.
        """
        if not isinstance(document, Mapping):
            raise KitError("a kit is a JSON object with captures, lenses and rigs")
        unknown = [name for name in document if name not in SHELVES and not name.startswith("_")]
        if unknown:
            raise KitError(f"a kit has captures, lenses and rigs, not {unknown[0]!r}")
        shelves = {name: document.get(name, {}) for name in SHELVES}
        for name, shelf in shelves.items():
            if not isinstance(shelf, Mapping) or not all(isinstance(each, Mapping) for each in shelf.values()):
                raise KitError(f"{name} of a kit is a JSON object of objects by label")
        return cls(**shelves)

    def merged(self, job: Document) -> dict[str, Any]:
        """Return a job with the kit's captures, lenses and rigs in place of their labels.

        Raises
        ------
        KitError
            If the kit lacks a label.
        """
        whole = dict(job)
        if "capture" in whole:
            whole["capture"] = self._capture(whole["capture"])
        for name in ("alternatives", "captures"):
            if isinstance(whole.get(name), list):
                whole[name] = [self._capture(each) for each in whole[name]]
        if isinstance(whole.get("match"), Mapping) and "capture" in whole["match"]:
            whole["match"] = {**whole["match"], "capture": self._capture(whole["match"]["capture"])}
        if isinstance(whole.get("lenses"), list):
            whole["lenses"] = [self._lens_to_choose(each) for each in whole["lenses"]]
        other = whole.get("compare")
        if isinstance(other, Mapping) and isinstance(other.get("job"), Mapping):
            whole["compare"] = {**other, "job": self.merged(other["job"])}
        if isinstance(whole.get("rig"), str):
            whole["rig"] = dict(self._found("rigs", whole["rig"]))
        return whole

    def _capture(self, given: Any) -> Any:
        capture = given
        if isinstance(given, str):
            capture = {"label": given, **self._found("captures", given)}
        if not isinstance(capture, Mapping) or not isinstance(capture.get("lens"), str):
            return capture
        lens = self._mounted(capture["lens"])
        of_the_lens = {name: lens.pop(name) for name in _OF_THE_CAPTURE if name in lens}
        return {**capture, **of_the_lens, "lens": lens}

    def _lens_to_choose(self, given: Any) -> Any:
        return {"label": given, **self._found("lenses", given)} if isinstance(given, str) else given

    def _mounted(self, label: str) -> dict[str, Any]:
        """Return a lens as it is set; `zoom @ 50` is the setting of a zoom at 50 mm."""
        name, at, focal = label.rpartition(_AT)
        if not at or label in self.lenses:
            lens = {"label": label, **self._found("lenses", label)}
            if lens.get("settings"):
                known = ", ".join(f"{label}{_AT}{setting.get('focal_length_mm')}" for setting in lens["settings"])
                raise KitError(f"the lens {label!r} is a zoom: say at which focal length ({known})")
            lens.pop("settings", None)
            return lens
        zoom = {"label": label, **self._found("lenses", name)}
        for setting in zoom.pop("settings", ()):
            if f"{setting.get('focal_length_mm')}" == focal:
                return {**zoom, **setting}
        raise KitError(f"the lens {name!r} has no setting at {focal} mm")

    def _found(self, shelf: str, label: str) -> Document:
        things: Mapping[str, Document] = getattr(self, shelf)
        if label not in things:
            known = ", ".join(sorted(things)) or "none"
            raise KitError(f"{shelf} of the kit have no {label!r}; there is {known}")
        return things[label]
