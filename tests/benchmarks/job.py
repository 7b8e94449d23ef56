"""The job that is measured: four deliverables on a raster of 12,288 x 8,640."""

from __future__ import annotations

from typing import Any


def document(width: int = 12_288) -> dict[str, Any]:
    """Return the job with a raster of this width; other widths make other jobs, so that no answer is remembered."""
    return {
        "version": 1,
        "id": "measured",
        "capture": {
            "label": "A",
            "raster": {"width": width, "height": 8_640},
            "photosite_pitch_um": 3.9,
            "lens": {"focal_length_mm": 32},
        },
        "deliverables": [
            {"label": "wide", "raster": {"width": 3840, "height": 2160}},
            {"label": "scope", "aspect": "2.39:1", "minimum_oversampling": 1.2},
            {"label": "tall", "raster": {"width": 1080, "height": 1920}, "protection": {"each_side": 0.05}},
            {"label": "feed", "raster": {"width": 1440, "height": 1800}, "align": {"x": 0.5, "y": 0}},
        ],
    }
