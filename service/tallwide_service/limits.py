"""Every bound of the service, in one place: schemas, problems, OpenAPI and `/v1/limits` read it here."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from tallwide.handoff.reading import (
    DEEPEST,
    LARGEST_DOCUMENT_BYTES,
    LONGEST_TEXT,
    MOST_ELEMENTS,
    MOST_ENTRIES,
    MOST_FAULTS,
    MOST_FRAMES,
)
from tallwide.job import ASPECT_LENGTH, LARGEST_SIDE_PX
from tallwide.mapping import LONGEST_RATIONAL


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds on what a request may hold; lengths in characters, sizes in bytes or pixels as named."""

    body_bytes: int = 262_144
    body_silence_s: int = 10
    body_s: int = 120
    target_characters: int = 16_384
    head_bytes: int = 65_536
    headers: int = 100
    query_job_characters: int = 8_192
    query_job_bytes: int = 65_536
    nesting: int = 12
    number_characters: int = 4_300
    raster_side_px: int = LARGEST_SIDE_PX
    shared_point_side_px: int = 20_480
    aspect_characters: int = ASPECT_LENGTH
    label_characters: int = 200
    id_characters: int = 200
    deliverables: int = 32
    safe_areas: int = 8
    usable_area_vertices: int = 64
    nest_pairs: int = 64
    position_sets: int = 700
    orientation_work: int = 1_200
    curved_frames_px: int = 12_582_912
    rate_limits: int = 16
    captures: int = 16
    lenses: int = 32
    lens_settings: int = 32
    coverage_rows: int = 1_024
    coverage_rows_together: int = 224
    match_focal_lengths: int = 64
    rig_entries: int = 32
    grid_step_px: int = 256
    sweep_steps: int = 201
    sweep_frames: int = 224
    pointer_characters: int = 200
    alternatives: int = 8
    passes: int = 3
    plans_listed: int = 32
    shots: int = 10_000
    production_minutes: int = 1_000_000
    own_members: int = 32
    own_bytes: int = 16_384
    overlay_png_px: int = 201_326_592
    line_px: int = 1_024
    overlay_safe_areas: int = 64
    title_characters: int = 200
    date_characters: int = 60
    notes_characters: int = 2_000
    chart_width_mm: int = 5_000
    plate_bytes: int = 67_108_864
    plate_px: int = 35_389_440
    plate_turned_px: int = 24_000_000
    plate_deep_px: int = 14_000_000
    plate_decoding_bytes: int = 210_000_000
    plate_frame_px: int = 8_847_360
    plate_still_and_frames_px: int = 44_236_800
    plate_work_px: int = 156_000_000
    plate_side_px: int = 16_384
    jpeg_scans: int = 16  # a progressive JPEG commonly has 10; a guess at what the oddest encoder does
    pull_multiple_px: int = 4_096
    map_places: int = 4_096
    coordinate_characters: int = LONGEST_RATIONAL
    source_characters: int = 1_024
    language_characters: int = 35
    batch_lines: int = 1_000_000
    batch_line_bytes: int = 263_168
    batch_bytes: int = 4_294_967_296
    batch_clips: int = 50_000_000
    batch_schema_bytes: int = 524_288
    batch_message_bytes: int = 8_388_608
    batch_message_rows: int = 65_536
    batch_read_ahead_bytes: int = 1_048_576
    batch_silence_s: int = 30
    batch_s: int = 3_600
    handoff_frames: int = MOST_FRAMES
    handoff_document_bytes: int = LARGEST_DOCUMENT_BYTES
    handoff_document_nesting: int = DEEPEST
    handoff_document_elements: int = MOST_ELEMENTS
    handoff_list_entries: int = MOST_ENTRIES
    handoff_text_characters: int = LONGEST_TEXT
    faults_listed: int = MOST_FAULTS


LIMITS = Limits()


def as_document() -> dict[str, Any]:
    """Return every bound by name."""
    return asdict(LIMITS)
