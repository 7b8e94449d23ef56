"""The framing chart's geometry: where each frame lies on paper, and how far away the chart fills the raster.

The chart shows the scene: upright and desqueezed. Lengths are mm on paper, origin the sheet's top
left; distances are mm along the lens's axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from tallwide.answers import Extraction, RealRect, Rect
from tallwide.geometry import pixel_shape
from tallwide.job import Capture, Chart, exact
from tallwide_service.core.optics import pixel_mm
from tallwide_service.errors import CannotBeMet, Fault

# ISO 216: A3 and A2, mm, the shorter side first.
PAPERS_MM = {"A3": (297, 420), "A2": (420, 594)}
# White round the picture: what office and plan printers leave out, and room for the ruler below.
BORDER_MM, FOOT_MM = 10, 26
# Ten rows of marks at tenths of a percent can be told apart, 0.2 mm from mark to mark in a row.
LEAST_SIDE_MM = 20


@dataclass(frozen=True, slots=True)
class ChartDistance:
    """How far away the chart fills the recorded raster exactly, mm.

    From the lens's front principal plane, and from the sensor for a lens whose principal planes
    coincide; both follow the lens formula, focused on the chart.
    """

    from_lens_mm: float
    from_sensor_mm: float


@dataclass(frozen=True, slots=True)
class ChartLayout:
    """A sheet of paper, the recorded picture on it, each frame, and the distance for the job's lens."""

    page_width_mm: Fraction
    page_height_mm: Fraction
    picture: tuple[Fraction, Fraction, Fraction, Fraction]
    upright_width: int
    upright_height: int
    distance: ChartDistance | None

    def place(self, upright: Rect) -> RealRect:
        """Return where an upright rectangle lies on the sheet, mm."""
        left, top, width, height = self.picture
        across, down = width / self.upright_width, height / self.upright_height
        return RealRect(
            float(left + upright.x * across),
            float(top + upright.y * down),
            float(upright.width * across),
            float(upright.height * down),
        )


def scene_ratio(capture: Capture) -> Fraction:
    """Return width over height of the whole recorded raster as shown."""
    shape = capture.raster.width * pixel_shape(capture) / capture.raster.height
    return 1 / shape if capture.is_on_its_side else shape


def chart_layout(capture: Capture, chart: Chart) -> ChartLayout:
    """Return the chart's sheet: as large as the paper takes it, or with the picture as wide as is stated.

    Raises
    ------
    CannotBeMet
        If the picture is so narrow or so low that its edges have no room for their scales.
    """
    ratio = scene_ratio(capture)
    if chart.width_mm is not None:
        width = exact(chart.width_mm)
        page = width + 2 * BORDER_MM, width / ratio + BORDER_MM + FOOT_MM
    else:
        short, long = PAPERS_MM[chart.paper]
        page = max(
            ((Fraction(long), Fraction(short)), (Fraction(short), Fraction(long))),
            key=lambda sides: largest_width(sides, ratio),
        )
        width = largest_width(page, ratio)
    height = width / ratio
    if min(width, height) < LEAST_SIDE_MM:
        detail = (
            f"the chart's picture would be {float(width):.4g} x {float(height):.4g} mm; scales in tenths of a percent "
            f"take {LEAST_SIDE_MM} mm each way"
        )
        raise CannotBeMet(detail, (Fault("/chart", detail),))
    left = (page[0] - width) / 2
    top = (page[1] - FOOT_MM - BORDER_MM - height) / 2 + BORDER_MM
    upright = capture.upright_raster
    return ChartLayout(
        page[0],
        page[1],
        (left, top, width, height),
        upright.width,
        upright.height,
        chart_distance(capture, height_mm=height),
    )


def largest_width(page: tuple[Fraction, Fraction], ratio: Fraction) -> Fraction:
    """Return the width of the largest picture of a ratio on a page, mm."""
    return min(page[0] - 2 * BORDER_MM, (page[1] - BORDER_MM - FOOT_MM) * ratio)


def chart_distance(capture: Capture, *, height_mm: Fraction) -> ChartDistance | None:
    """Return the distance at which a chart of this height fills the raster; `None` without pitch or lens.

    By the lens formula with magnification m = image / chart: f (1 + 1/m) from the front principal
    plane, f (2 + m + 1/m) from the sensor. Counted along the sensor's axis that is not squeezed,
    on which the lens has the focal length that is engraved.
    """
    pixel = pixel_mm(capture)
    focal = capture.lens.focal_length_mm if capture.lens else None
    if pixel is None or focal is None:
        return None
    raster = capture.raster
    width_mm = height_mm * scene_ratio(capture)
    chart_w, chart_h = (height_mm, width_mm) if capture.is_on_its_side else (width_mm, height_mm)
    along_width = capture.squeeze_axis == "sensor_height" and capture.squeeze != 1
    image, shown = (raster.width * pixel[0], chart_w) if along_width else (raster.height * pixel[1], chart_h)
    m = float(image / shown)
    return ChartDistance(focal * (1 + 1 / m), focal * (2 + m + 1 / m))


def frames_on_chart(layout: ChartLayout, extractions: tuple[Extraction, ...]) -> tuple[RealRect, ...]:
    """Return each frame's place on the sheet, mm."""
    return tuple(layout.place(extraction.upright_rect) for extraction in extractions)
