"""tallwide: framing for pictures that leave one camera in several shapes.

The names below load when they are first used, so that `import tallwide` stays light.
"""

from __future__ import annotations

from tallwide.version import VERSION as __version__  # noqa: N811 - Python's own name for it

TYPE_CHECKING = False  # as type checkers know it; importing typing takes as long as the rest of this module together
if TYPE_CHECKING:
    from typing import Any

    from tallwide.answers import (
        ChartReadingAnswer,
        CoverageAnswer,
        DialInAnswer,
        Extraction,
        ExtractionsAnswer,
        Margin,
        MarginsAnswer,
        MatchAnswer,
        OpticsAnswer,
        OrientationAnswer,
        Plan,
        Rect,
        SafeAreasAnswer,
    )
    from tallwide.batch import Answered
    from tallwide.client import Client
    from tallwide.errors import (
        AddressError,
        BatchCut,
        ConnectionFailed,
        ProblemError,
        ProtocolError,
        RateLimited,
        RefusedInput,
        ServiceMissing,
        TallwideError,
        TimedOut,
        TlsFailed,
        TooLarge,
        Unavailable,
        UnwritableJob,
    )
    from tallwide.job import (
        Align,
        Area,
        Aspect,
        AxisPlace,
        CameraMatch,
        Capture,
        Chart,
        ChartReading,
        Comparand,
        ContainerCrop,
        Deliverable,
        DialIn,
        Display,
        Extent,
        FileFacts,
        Framing,
        Grid,
        Handoff,
        Job,
        Lens,
        LensChoice,
        Media,
        MonitorFeed,
        Movement,
        Offset,
        Overlay,
        Picture,
        Places,
        Plate,
        Point,
        Production,
        Protection,
        Pull,
        Raster,
        RateLimit,
        Rating,
        ReadFrame,
        Rig,
        RoomNeed,
        SafeArea,
        Sheet,
        Space,
        Span,
        Subject,
        ZoomSetting,
        exact,
    )
    from tallwide.kit import Kit, KitError
    from tallwide.rows import to_rows
    from tallwide.wire import from_wire, to_wire

_HOME = {
    "tallwide.job": (
        "Align",
        "Area",
        "Aspect",
        "AxisPlace",
        "CameraMatch",
        "Capture",
        "Chart",
        "ChartReading",
        "Comparand",
        "ContainerCrop",
        "Deliverable",
        "DialIn",
        "Display",
        "Extent",
        "FileFacts",
        "Framing",
        "Grid",
        "Handoff",
        "Job",
        "Lens",
        "LensChoice",
        "Media",
        "MonitorFeed",
        "Movement",
        "Offset",
        "Overlay",
        "Picture",
        "Places",
        "Plate",
        "Point",
        "Production",
        "Protection",
        "Pull",
        "Raster",
        "RateLimit",
        "Rating",
        "ReadFrame",
        "Rig",
        "RoomNeed",
        "SafeArea",
        "Sheet",
        "Space",
        "Span",
        "Subject",
        "ZoomSetting",
        "exact",
    ),
    "tallwide.answers": (
        "ChartReadingAnswer",
        "CoverageAnswer",
        "DialInAnswer",
        "Extraction",
        "ExtractionsAnswer",
        "Margin",
        "MarginsAnswer",
        "MatchAnswer",
        "OpticsAnswer",
        "OrientationAnswer",
        "Plan",
        "Rect",
        "SafeAreasAnswer",
    ),
    "tallwide.batch": ("Answered",),
    "tallwide.client": ("Client",),
    "tallwide.errors": (
        "AddressError",
        "BatchCut",
        "ConnectionFailed",
        "ProblemError",
        "ProtocolError",
        "RateLimited",
        "RefusedInput",
        "ServiceMissing",
        "TallwideError",
        "TimedOut",
        "TlsFailed",
        "TooLarge",
        "Unavailable",
        "UnwritableJob",
    ),
    "tallwide.kit": ("Kit", "KitError"),
    "tallwide.rows": ("to_rows",),
    "tallwide.wire": ("from_wire", "to_wire"),
}
_MODULE_OF = {name: module for module, names in _HOME.items() for name in names}

__all__ = ["__version__", *sorted(_MODULE_OF)]  # noqa: PLE0604 - built from the table above


def __getattr__(name: str) -> Any:
    module = _MODULE_OF.get(name)
    if module is None:
        raise AttributeError(f"module 'tallwide' has no attribute {name!r}")
    import importlib  # noqa: PLC0415 - not needed until a name is

    value = getattr(importlib.import_module(module), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
