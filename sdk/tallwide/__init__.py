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
        DialInAnswer,
        Extraction,
        ExtractionsAnswer,
        Margin,
        MarginsAnswer,
        OrientationAnswer,
        Plan,
        Rect,
        SafeAreasAnswer,
    )
    from tallwide.client import Client
    from tallwide.errors import (
        AddressError,
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
        Capture,
        Chart,
        ChartReading,
        Comparand,
        ContainerCrop,
        Deliverable,
        DialIn,
        Display,
        FileFacts,
        Framing,
        Grid,
        Handoff,
        Job,
        Lens,
        Media,
        MonitorFeed,
        Offset,
        Overlay,
        Picture,
        Places,
        Plate,
        Point,
        Protection,
        Pull,
        Raster,
        ReadFrame,
        SafeArea,
        Sheet,
        Space,
        Subject,
        exact,
    )
    from tallwide.rows import to_rows
    from tallwide.wire import from_wire, to_wire

_HOME = {
    "tallwide.job": (
        "Align",
        "Area",
        "Aspect",
        "Capture",
        "Chart",
        "ChartReading",
        "Comparand",
        "ContainerCrop",
        "Deliverable",
        "DialIn",
        "Display",
        "FileFacts",
        "Framing",
        "Grid",
        "Handoff",
        "Job",
        "Lens",
        "Media",
        "MonitorFeed",
        "Offset",
        "Overlay",
        "Picture",
        "Places",
        "Plate",
        "Point",
        "Protection",
        "Pull",
        "Raster",
        "ReadFrame",
        "SafeArea",
        "Sheet",
        "Space",
        "Subject",
        "exact",
    ),
    "tallwide.answers": (
        "ChartReadingAnswer",
        "DialInAnswer",
        "Extraction",
        "ExtractionsAnswer",
        "Margin",
        "MarginsAnswer",
        "OrientationAnswer",
        "Plan",
        "Rect",
        "SafeAreasAnswer",
    ),
    "tallwide.client": ("Client",),
    "tallwide.errors": (
        "AddressError",
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
