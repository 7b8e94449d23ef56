"""Names of the hand-off forms, their media types, and which can be read back: a table, light to import."""

from __future__ import annotations

from collections.abc import Mapping

# Forms whose standard registers no media type have one of the unregistered tree (RFC 6838, 3.4).
MEDIA_TYPES: Mapping[str, str] = {
    "framing-decision-list": "application/x.framing-decision-list+json",
    "image-regions": "application/rdf+xml",
    "iiif": "text/uri-list",
    "media-fragments": "text/uri-list",
    "ffmpeg": "text/x-shellscript",
    "openexr": "application/x.openexr-header+json",
    "timeline-transform": "application/x.timeline-transform+json",
    "csv": "text/csv",
}
FORMS = tuple(MEDIA_TYPES)
READABLE_FORMS = ("framing-decision-list", "image-regions", "iiif", "media-fragments", "csv")
