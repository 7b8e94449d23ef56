"""Pictures and paper: the overlay and the framing chart."""

from __future__ import annotations

from flask_smorest import Blueprint

from tallwide.job import Job
from tallwide_service.api.drawing import PDF, PNG, SVG, Drawn, serve_drawn
from tallwide_service.core import solve
from tallwide_service.errors import CannotBeMet, Fault
from tallwide_service.identity import decision_id
from tallwide_service.limits import LIMITS
from tallwide_service.render import overlay_scene, png, svg

blueprint = Blueprint("pictures", __name__, description="What the crew sees, and what is printed.")


def overlay(job: Job, media_type: str) -> bytes:
    """Return the overlay of a job in one media type."""
    scene = overlay_scene(job, solve(job).extractions)
    if media_type == SVG:
        return svg(scene).encode("utf-8")
    if media_type == PDF:
        from tallwide_service.render.pdf import pages_pdf  # noqa: PLC0415 - printing needs a library of its own
        from tallwide_service.render.scene_page import scene_page  # noqa: PLC0415

        return pages_pdf([scene_page(scene)])
    if scene.width * scene.height > LIMITS.overlay_png_px:
        got = scene.width * scene.height
        detail = f"a PNG has at most {LIMITS.overlay_png_px} px, not {got}; SVG and PDF have no such bound"
        raise CannotBeMet(detail, (Fault("/picture" if job.picture else "/capture/raster", detail),))
    return png(scene)


def chart(job: Job, media_type: str) -> bytes:
    """Return the framing chart of a job in one media type."""
    # Printing needs libraries that no other answer does.
    from tallwide_service.render.chart import chart_page  # noqa: PLC0415
    from tallwide_service.render.page_svg import page_svg  # noqa: PLC0415
    from tallwide_service.render.pdf import pages_pdf  # noqa: PLC0415

    extractions = solve(job).extractions
    page = chart_page(job, extractions, decision_id=decision_id(job.capture, extractions))
    return pages_pdf([page]) if media_type == PDF else page_svg(page).encode("utf-8")


serve_drawn(
    blueprint,
    Drawn(
        "/v1/overlay",
        (SVG, PNG, PDF),
        overlay,
        "Draw every frame on the recorded raster, or on another picture of it",
        "The overlay in the size of its picture, transparent.",
    ),
)
serve_drawn(
    blueprint,
    Drawn(
        "/v1/chart",
        (PDF, SVG),
        chart,
        "Print a chart on which every department lines up",
        "The framing chart, one page at true size.",
    ),
)
