"""Pictures and paper: the overlay, plates, the framing chart and the framing sheet."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from flask import Response
from flask_smorest import Blueprint

from tallwide.answers import Extraction
from tallwide.job import Job, Plate
from tallwide.version import VERSION
from tallwide.wire import to_wire
from tallwide_service.api.computing import tagged
from tallwide_service.api.drawing import PDF, PNG, SVG, Drawn, draw_posted, serve_drawn, wanted_type
from tallwide_service.api.stills import Posted, has_still, job_or_still_body, posted_job_and_still
from tallwide_service.core import orientation, solve
from tallwide_service.core.allowance import Allowance
from tallwide_service.core.positions import Searches
from tallwide_service.core.safe_areas import named_insets
from tallwide_service.core.view import view_of
from tallwide_service.errors import CannotBeMet, Fault
from tallwide_service.identity import answer_id, decision_id
from tallwide_service.limits import LIMITS

if TYPE_CHECKING:
    from tallwide_service.render.still import Still

blueprint = Blueprint("pictures", __name__, description="What the crew sees, and what is printed.")


def overlay(job: Job, media_type: str) -> bytes:
    """Return the overlay of a job in one media type."""
    from tallwide_service.render import overlay_scene, png, svg  # noqa: PLC0415 - drawing loads with the first picture

    refuse_many_safe_areas(job)
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
        at = "/picture" if job.picture else "/capture/raster"
        raise CannotBeMet(detail, (Fault(at, detail, LIMITS.overlay_png_px, got),))
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


def sheet(job: Job, media_type: str) -> bytes:
    """Return the framing sheet of a job."""
    del media_type  # there is one
    return _sheet(job, None)


def _sheet(job: Job, still: Still | None) -> bytes:
    from tallwide_service.render.pdf import pages_pdf  # noqa: PLC0415 - printing needs a library of its own
    from tallwide_service.render.plate import upright_still  # noqa: PLC0415
    from tallwide_service.render.sheet import sheet_pages  # noqa: PLC0415

    allowance = Allowance.of(job)
    solution = solve(job, allowance)
    searches = Searches(job, solution, allowance.beside())
    pages = sheet_pages(
        job,
        solution,
        orientation(job, searches),
        decision_id=decision_id(job.capture, solution.extractions),
        engine_version=VERSION,
        plate=None if still is None else upright_still(job, still),
    )
    return pages_pdf(pages)


def plate(job: Job, still: Still, media_type: str) -> bytes:
    """Return what the job asks of a still, in one media type."""
    from tallwide_service.render import plate as making  # noqa: PLC0415 - decoders load when a still comes

    options = job.plate or Plate()
    extractions = solve(job).extractions
    refuse_large_answer(job, extractions, options)
    refuse_many_safe_areas(job)
    if options.output == "frames":
        pictures = making.frames(job, extractions, still, longest_px=options.longest_side_px)
        return making.zipped(pictures, options.media_type)
    draw = making.burned_in if options.output == "burned_in" else making.contact_sheet
    return making.encoded(draw(job, extractions, still), media_type, longest_px=options.longest_side_px)


def refuse_many_safe_areas(job: Job) -> None:
    """Refuse more safe areas in one picture than are drawn."""
    only = None if job.picture is None else job.picture.deliverable
    got = sum(
        len({area.insets for area in named_insets(deliverable, "")})
        for deliverable in job.deliverables
        if only in (None, deliverable.label)
    )
    if got > LIMITS.overlay_safe_areas and (job.overlay is None or job.overlay.safe_areas):
        detail = (
            f"at most {LIMITS.overlay_safe_areas} safe areas are drawn in one picture, not {got}; "
            "overlay.safe_areas false leaves them out, picture.deliverable draws those of one"
        )
        raise CannotBeMet(detail, (Fault("/overlay/safe_areas", detail, LIMITS.overlay_safe_areas, got),))


def refuse_large_answer(job: Job, extractions: tuple[Extraction, ...], options: Plate) -> None:
    """Refuse pictures that are larger than is made of a still."""
    if options.output == "frames":
        sizes = _sizes_of_frames(job, extractions, options)
    elif options.output == "burned_in":
        sizes = _sizes_of_a_picture(job, extractions)
    else:
        return
    faults = tuple(
        Fault(size.pointer, f"{size.what} at most {size.most} px, not {size.got}{size.remedy}", size.most, size.got)
        for size in sizes
        if size.got > size.most
    )
    if faults:
        raise CannotBeMet(faults[0].detail, faults)


class _Size(NamedTuple):
    """A size in pixels: where in the job it comes from, what has it, the most and what it is, what would reduce it."""

    pointer: str
    what: str
    most: int
    got: int
    remedy: str = ""


def _sizes_of_frames(job: Job, extractions: tuple[Extraction, ...], options: Plate) -> Iterator[_Size]:
    """Yield what bounds a ZIP: each frame, all of them with the still, which stays beside them, and the work."""
    from tallwide_service.render.plate import frame_size, reduction  # noqa: PLC0415 - decoders load when a still comes

    still = job.capture.raster.width * job.capture.raster.height
    together = cut = 0
    for index, (deliverable, extraction) in enumerate(zip(job.deliverables, extractions, strict=True)):
        size = frame_size(deliverable, extraction, longest_px=options.longest_side_px)
        got, rect = size[0] * size[1], extraction.rect
        remedy = "; plate.longest_side_px makes it smaller"
        yield _Size(f"/deliverables/{index}/raster", "a frame of a ZIP has", LIMITS.plate_frame_px, got, remedy)
        together += got
        cut += rect.width * rect.height // reduction(rect, job.capture.roll, size) ** 2
    remedy = "; fewer deliverables at a time, or smaller frames by plate.longest_side_px, take less"
    held = "the still and the frames of a ZIP have together"
    yield _Size("/deliverables", held, LIMITS.plate_still_and_frames_px, still + together, remedy)
    # Decoding a pixel takes as long as cutting from three, where a format is slow to read; writing one as from two.
    taken = "three times the still's pixels, those that frames are cut from and twice those of the frames are"
    yield _Size("/deliverables", taken, LIMITS.plate_work_px, 3 * still + cut + 2 * together, remedy)


def _sizes_of_a_picture(job: Job, extractions: tuple[Extraction, ...]) -> Iterator[_Size]:
    """Yield what bounds a picture that is burned in: its size, and that of the still where both are held."""
    view = view_of(job, extractions)
    is_whole = job.picture is None or job.picture.view is not None
    most = (LIMITS.plate_turned_px if view.roll else LIMITS.plate_px) if is_whole else LIMITS.plate_frame_px
    yield _Size("/picture", "a picture that is burned in has here", most, view.width * view.height)
    if view.roll and not is_whole:
        raster = job.capture.raster
        got = raster.width * raster.height
        yield _Size("/capture/raster", "a still that is turned has", LIMITS.plate_turned_px, got)


def post_overlay() -> Response:
    """Draw the job in the body, or burn it into the still that comes with it."""
    if not has_still():
        return draw_posted(OVERLAY)
    posted = posted_job_and_still()
    options = posted.job.plate or Plate()
    if options.output == "frames":
        media_type = wanted_type((ZIP,))
    else:
        others = (other for other in STILLS if other != options.media_type)
        media_type = wanted_type((options.media_type, *others))
    body = plate(posted.job, posted.still, media_type)
    return _with_still(Response(body, mimetype=media_type), OVERLAY, posted, media_type)


def post_sheet() -> Response:
    """Print the job in the body, its drawing on the still that comes with it."""
    if not has_still():
        return draw_posted(SHEET)
    media_type = wanted_type(SHEET.media_types)
    posted = posted_job_and_still()
    body = _sheet(posted.job, posted.still)
    return _with_still(Response(body, mimetype=media_type), SHEET, posted, media_type)


def _with_still(response: Response, drawn: Drawn, posted: Posted, media_type: str) -> Response:
    """Return a response with its identifier, and with the orientation that the still was found to have."""
    response.headers["Tallwide-Still-Orientation"] = str(posted.still.orientation)
    identity = answer_id(drawn.path, to_wire(posted.job), media_type=media_type, upload=posted.upload)
    return tagged(response, identity)


ZIP, STILLS = "application/zip", ("image/png", "image/jpeg", "image/tiff")
OVERLAY = Drawn(
    "/v1/overlay",
    (SVG, PNG, PDF),
    overlay,
    "Draw every frame on the recorded raster, on another picture of it, or on a still",
    "The overlay in the size of its picture, transparent. With a still: the overlay burned into it, a contact sheet "
    "of all frames, or a ZIP of them; the header Tallwide-Still-Orientation says which EXIF orientation was honoured.",
)
CHART = Drawn(
    "/v1/chart",
    (PDF, SVG),
    chart,
    "Print a chart on which every department lines up",
    "The framing chart, one page at true size.",
)
SHEET = Drawn(
    "/v1/sheet",
    (PDF,),
    sheet,
    "Print the decision for everybody's folder",
    "The framing sheet: one page for up to six frames.",
)
serve_drawn(blueprint, OVERLAY, post=post_overlay, body=job_or_still_body(), more_types=(*STILLS[1:], ZIP))
serve_drawn(blueprint, CHART)
serve_drawn(blueprint, SHEET, post=post_sheet, body=job_or_still_body())
