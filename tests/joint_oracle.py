"""An exhaustive solver for frames on one scene point, written from the rules' words alone.

It walks every place and every size of every frame on a small raster and knows nothing of the
solver's methods. Only for rasters of some twenty pixels.
"""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import product
from math import ceil

from tallwide.answers import Rect
from tallwide.geometry import turn_rect
from tallwide.job import Capture, Job, exact


def shown(width: int, height: int, capture: Capture) -> Fraction:
    """Return the shape as shown, straight from the definition of squeeze and photosites."""
    squeeze = exact(capture.squeeze)
    sx, sy = (squeeze, 1) if capture.squeeze_axis == "sensor_width" else (1, squeeze)
    photosites = capture.photosites or capture.raster
    across = width * sx * Fraction(photosites.width, capture.raster.width)
    down = height * sy * Fraction(photosites.height, capture.raster.height)
    return down / across if capture.roll in (90, 270) else across / down


def shape_error(width: int, height: int, capture: Capture, ratio: Fraction) -> Fraction:
    achieved = shown(width, height, capture) / ratio
    return max(achieved, 1 / achieved) - 1


def nearest(value: Fraction, step: int) -> list[int]:
    below = max(int(value // step), 1) * step
    options = [below, below + step]
    least = min(abs(option - value) for option in options)
    return [option for option in options if abs(option - value) == least]


def candidate_sizes(capture: Capture, ratio: Fraction, tolerance: Fraction) -> list[tuple[int, int]]:
    """Walk all sizes; keep those that are nearest along one axis, both of two equally near."""
    grid, raster = capture.grid, capture.raster
    unit = shown(1, 1, capture)
    per_height = ratio / unit if capture.roll not in (90, 270) else unit / ratio
    sizes = set()
    for height in range(grid.height, raster.height + 1, grid.height):
        sizes |= {(width, height) for width in nearest(height * per_height, grid.width)}
    for width in range(grid.width, raster.width + 1, grid.width):
        sizes |= {(width, height) for height in nearest(width / per_height, grid.height)}
    return [
        (width, height)
        for width, height in sizes
        if width <= raster.width and height <= raster.height and shape_error(width, height, capture, ratio) <= tolerance
    ]


def is_inside(x: int, y: int, capture: Capture) -> bool:
    """Whether a corner lies on the raster, in the image circle and in the usable area."""
    raster, lens = capture.raster, capture.lens
    if not (0 <= x <= raster.width and 0 <= y <= raster.height):
        return False
    if lens is not None:
        photosites = capture.photosites or raster
        pitch_mm = exact(capture.photosite_pitch_um) / 1000
        across_mm = (x - Fraction(raster.width, 2)) * photosites.width / raster.width * pitch_mm
        down_mm = (y - Fraction(raster.height, 2)) * photosites.height / raster.height * pitch_mm
        across_mm, down_mm = across_mm - exact(lens.offset_mm.x), down_mm - exact(lens.offset_mm.y)
        circle, covered = lens.image_circle_mm, lens.covered_mm
        if circle is not None and across_mm**2 + down_mm**2 > (exact(circle) / 2) ** 2:
            return False
        if covered is not None and (
            abs(across_mm) > exact(covered.width) / 2 or abs(down_mm) > exact(covered.height) / 2
        ):
            return False
    if capture.usable_area is not None:
        corners = [(exact(a), exact(b)) for a, b in capture.usable_area]
        signs = set()
        for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1], strict=True):
            cross = (bx - ax) * (y - ay) - (by - ay) * (x - ax)
            signs.add((cross > 0) - (cross < 0))
        if {1, -1} <= signs:
            return False
    return True


def allowed_rects(job: Job, index: int) -> list[Rect]:
    """Return every rectangle that a frame may take on its own."""
    capture, frame = job.capture, job.deliverables[index]
    grid, raster, roll = capture.grid, capture.raster, capture.roll
    left, top, right, bottom = frame.protection.shares()
    subject = job.framing.subject
    found = []
    for width, height in candidate_sizes(capture, frame.ratio, exact(job.framing.aspect_tolerance)):
        for y in range(0, raster.height - height + 1, grid.y):
            for x in range(0, raster.width - width + 1, grid.x):
                rect = Rect(x, y, width, height)
                up = turn_rect(rect, raster, roll)
                grow = (ceil(left * up.width), ceil(top * up.height), ceil(right * up.width), ceil(bottom * up.height))
                grown = Rect(
                    up.x - grow[0], up.y - grow[1], up.width + grow[0] + grow[2], up.height + grow[1] + grow[3]
                )
                if grown.x < 0 or grown.y < 0:
                    continue
                back = {0: 0, 90: 270, 180: 180, 270: 90}[roll]
                up_raster = type(raster)(
                    *((raster.height, raster.width) if roll in (90, 270) else (raster.width, raster.height))
                )
                recorded = turn_rect(grown, up_raster, back)
                corners = product((recorded.x, recorded.right), (recorded.y, recorded.bottom))
                if not all(is_inside(cx, cy, capture) for cx, cy in corners):
                    continue
                if subject is not None and not up.holds(Rect(subject.x, subject.y, subject.width, subject.height)):
                    continue
                found.append(rect)
    return found


def box_of(capture: Capture) -> tuple[Fraction, Fraction, Fraction, Fraction]:
    """Return the intersection of the bounding boxes of raster, circle and usable area."""
    raster, lens = capture.raster, capture.lens
    box = [Fraction(0), Fraction(0), Fraction(raster.width), Fraction(raster.height)]
    others = []
    if lens is not None:
        photosites = capture.photosites or raster
        pitch_mm = exact(capture.photosite_pitch_um) / 1000
        px_w, px_h = pitch_mm * photosites.width / raster.width, pitch_mm * photosites.height / raster.height
        cx = Fraction(raster.width, 2) + exact(lens.offset_mm.x) / px_w
        cy = Fraction(raster.height, 2) + exact(lens.offset_mm.y) / px_h
        reaches = []
        if lens.image_circle_mm is not None:
            reaches.append((exact(lens.image_circle_mm) / 2, exact(lens.image_circle_mm) / 2))
        if lens.covered_mm is not None:
            reaches.append((exact(lens.covered_mm.width) / 2, exact(lens.covered_mm.height) / 2))
        others.extend((cx - a / px_w, cy - b / px_h, cx + a / px_w, cy + b / px_h) for a, b in reaches)
    if capture.usable_area is not None:
        xs, ys = [exact(a) for a, _ in capture.usable_area], [exact(b) for _, b in capture.usable_area]
        others.append((min(xs), min(ys), max(xs), max(ys)))
    for left, top, right, bottom in others:
        box = [max(box[0], left), max(box[1], top), min(box[2], right), min(box[3], bottom)]
    return tuple(box)


def recorded_align(job: Job, index: int) -> tuple[Fraction, Fraction]:
    align = job.deliverables[index].align
    x, y = exact(align.x), exact(align.y)
    return {0: (x, y), 90: (y, 1 - x), 180: (1 - x, 1 - y), 270: (1 - y, x)}[job.capture.roll]


def alone(job: Job, index: int, rects: list[Rect]) -> Rect | None:
    """Return where a frame would lie alone."""
    left, top, right, bottom = box_of(job.capture)
    ax, ay = recorded_align(job, index)
    ratio = job.deliverables[index].ratio

    def key(rect: Rect):
        off = (rect.x - left - ax * (right - left - rect.width)) ** 2
        off += (rect.y - top - ay * (bottom - top - rect.height)) ** 2
        upright_width = rect.height if job.capture.roll in (90, 270) else rect.width
        return (
            -rect.area,
            shape_error(rect.width, rect.height, job.capture, ratio),
            -upright_width,
            off,
            rect.y,
            rect.x,
        )

    return min(rects, key=key, default=None)


def has_enough(rect: Rect, job: Job, index: int) -> bool:
    """Whether a frame has its minimum oversampling on both axes."""
    frame = job.deliverables[index]
    width, height = (rect.height, rect.width) if job.capture.roll in (90, 270) else (rect.width, rect.height)
    asked = exact(frame.minimum_oversampling)
    return frame.raster is None or (width >= asked * frame.raster.width and height >= asked * frame.raster.height)


def together(job: Job) -> list[Rect] | None:  # noqa: PLR0915 - the rules in one place, in their order
    """Return the joint optimum by trying every combination; `None` where there is none."""
    capture, framing = job.capture, job.framing
    count = len(job.deliverables)
    options = [allowed_rects(job, index) for index in range(count)]
    wanted = [alone(job, index, rects) for index, rects in enumerate(options)]
    if any(rect is None for rect in wanted):
        return None
    if framing.minimums == "held":
        options = [[rect for rect in rects if has_enough(rect, job, index)] for index, rects in enumerate(options)]
    aligns = [recorded_align(job, index) for index in range(count)]
    steps = (capture.grid.x, capture.grid.y)
    given = given_point(job)
    labels = [frame.label for frame in job.deliverables]
    pairs = [(labels.index(inner), labels.index(outer)) for inner, outer in framing.nest]
    best_key, best = None, None

    def align_point(index: int, rect: Rect):
        return rect.x + aligns[index][0] * rect.width, rect.y + aligns[index][1] * rect.height

    def agree(chosen: list[Rect]) -> bool:
        points = [align_point(index, rect) for index, rect in enumerate(chosen)]
        for axis in (0, 1):
            values = [point[axis] for point in points]
            if given[axis] is not None:
                if any(abs(value - given[axis]) * 2 > steps[axis] for value in values):
                    return False
            elif max(values) - min(values) >= steps[axis]:
                return False
        if framing.match != "none":
            side_is_width = (framing.match == "width") != (capture.roll in (90, 270))
            sides = {rect.width if side_is_width else rect.height for rect in chosen}
            full = len(chosen) == count
            if len(sides) > 1 and (full or len(sides) > 1):
                return False
        return all(chosen[outer].holds(chosen[inner]) for inner, outer in pairs if max(inner, outer) < len(chosen))

    def key(chosen: list[Rect]):
        areas = [rect.area for rect in chosen]
        ratios = [frame.ratio for frame in job.deliverables]
        error = sum(shape_error(r.width, r.height, capture, q) for r, q in zip(chosen, ratios, strict=True))
        distance = sum(
            (here - there) ** 2
            for index, (rect, alone_rect) in enumerate(zip(chosen, wanted, strict=True))
            for here, there in zip(align_point(index, rect), align_point(index, alone_rect), strict=True)
        )
        by_label = sorted(range(count), key=lambda index: labels[index])
        places = tuple(value for index in by_label for value in (-chosen[index].y, -chosen[index].x))
        if framing.objective == "in_order":
            first = tuple(areas)
        elif framing.objective == "largest":
            weights = [int(exact(frame.weight) * 100) for frame in job.deliverables]
            first = math.prod(area**weight for area, weight in zip(areas, weights, strict=True))
        else:
            over = []
            for rect, frame in zip(chosen, job.deliverables, strict=True):
                w, h = (rect.height, rect.width) if capture.roll in (90, 270) else (rect.width, rect.height)
                needed = (frame.raster.width, frame.raster.height) if frame.raster else (1, 1)
                over.append(min(Fraction(w, needed[0]), Fraction(h, needed[1])))
            first = tuple(sorted(over))
        return first, math.prod(areas), -error, -distance, places

    def extend(chosen: list[Rect]):
        nonlocal best_key, best
        if len(chosen) == count:
            found = key(chosen)
            if best_key is None or found > best_key:
                best_key, best = found, list(chosen)
            return
        for rect in options[len(chosen)]:
            chosen.append(rect)
            if agree(chosen):
                extend(chosen)
            chosen.pop()

    extend([])
    return best


def given_point(job: Job) -> list[Fraction | None]:
    """Return the given point on the recorded raster, px, `None` where an axis is free."""
    raster, roll, point = job.capture.raster, job.capture.roll, job.framing.point
    if point is None:
        return [None, None]
    x = None if point.x is None else exact(point.x)
    y = None if point.y is None else exact(point.y)

    def flip(value):
        return None if value is None else 1 - value

    across, down = {0: (x, y), 90: (y, flip(x)), 180: (flip(x), flip(y)), 270: (flip(y), x)}[roll]
    return [
        None if across is None else across * raster.width,
        None if down is None else down * raster.height,
    ]
