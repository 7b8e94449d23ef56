"""What a person does with the page: open fields, drag handles, drop a plate; and the states that it is looked at in."""

from __future__ import annotations

import base64
import io
import json
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from PIL import Image, ImageDraw
from playwright.sync_api import Page
from werkzeug.serving import make_server

SIZES = {"phone": (360, 800), "laptop": (1366, 768), "wall": (3840, 2160)}
JOB: dict[str, Any] = {
    "id": "two-shapes",
    "capture": {"label": "full height", "raster": {"width": 4800, "height": 3200}},
    "deliverables": [
        {"label": "wide", "raster": {"width": 3840, "height": 2160}},
        {"label": "tall", "raster": {"width": 2160, "height": 3840}},
    ],
}
SHARED = JOB | {
    "framing": {
        "arrangement": "shared_point",
        "point": {"x": 0.5, "y": 0.5},
        "subject": {"x": 2300, "y": 1400, "width": 200, "height": 400},
    }
}


@contextmanager
def served(app: Any) -> Iterator[str]:
    """Serve a WSGI application on this machine, and give its address."""
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        thread.join(10)
        server.server_close()


def fragment(job: dict, other: dict | None = None) -> str:
    """Return the part of the page's address that carries one job or two."""
    packed = [
        base64.urlsafe_b64encode(zlib.compress(json.dumps(each).encode())).decode().rstrip("=")
        for each in (job, other)
        if each
    ]
    return "#job=" + "&with=".join(packed)


def settled(page: Page) -> None:
    """Wait until the page has drawn the answers to all that it asked."""
    # A change is asked for at once; the mark of its being asked is set before the event returns.
    page.wait_for_selector('body[data-busy="no"]')


def job_on(page: Page) -> dict:
    return json.loads(page.locator("#json").input_value())


def open_drawer(page: Page) -> None:
    """Open the job where it is folded away, as on a phone."""
    toggle = page.locator("#drawer-toggle")
    if toggle.is_visible() and toggle.get_attribute("aria-expanded") == "false":
        toggle.click()


def field(page: Page, pointer: str):
    """Return the field of a member of the job, its part of the drawer open."""
    open_drawer(page)
    control = page.locator(f'[data-pointer="{pointer}"]').first
    control.evaluate("each => { each.closest('details').open = true; }")
    return control


def verdicts(page: Page, lane: int = 0) -> dict[str, str]:
    cards = page.locator(".lane").nth(lane).locator(".card").all()
    return {card.locator("b").inner_text(): card.locator(".verdict").inner_text() for card in cards}


def middle_of(page: Page, handle: str) -> tuple[float, float]:
    box = page.locator(f'[data-handle="{handle}"] .hit').bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page: Page, handle: str, dx: float, dy: float) -> None:
    x, y = middle_of(page, handle)
    page.mouse.move(x, y)
    page.mouse.down()
    for part in range(1, 6):
        page.mouse.move(x + dx * part / 5, y + dy * part / 5)
    page.mouse.up()
    settled(page)


def still(width: int, height: int) -> bytes:
    """Return a picture of a harbour, as far as rectangles can be one."""
    picture = Image.new("RGB", (width, height), (122, 142, 158))
    draw = ImageDraw.Draw(picture)
    draw.rectangle((0, height * 0.55, width, height), fill=(52, 74, 88))
    for at, tall in ((0.1, 0.3), (0.32, 0.42), (0.44, 0.2), (0.62, 0.36), (0.8, 0.25)):
        draw.rectangle((width * at, height * (0.58 - tall), width * (at + 0.11), height * 0.58), fill=(96, 84, 76))
    draw.ellipse((width * 0.46, height * 0.3, width * 0.54, height * 0.42), fill=(205, 170, 140))
    draw.rectangle((width * 0.455, height * 0.42, width * 0.545, height * 0.7), fill=(150, 60, 50))
    file = io.BytesIO()
    picture.save(file, "PNG")
    return file.getvalue()


def drop_plate(page: Page, width: int, height: int) -> None:
    page.locator("input.plate").first.set_input_files(
        {"name": "plate.png", "mimeType": "image/png", "buffer": still(width, height)}
    )
    page.wait_for_selector("svg#picture-a image[href^='blob:']")


# ---- states: a page that has just opened, and what was done to it


def as_opened(page: Page) -> None:
    del page


def with_a_fault(page: Page) -> None:
    control = field(page, "/capture/lens/image_circle_mm")
    control.fill("wide")
    page.wait_for_selector('[aria-invalid="true"]')
    settled(page)
    control.focus()


def beside(page: Page) -> None:
    page.locator("#advice .pass button").last.click()
    settled(page)


def on_a_plate(page: Page) -> None:
    drop_plate(page, 1200, 800)
    page.locator(".pixels").first.click()
    for _ in range(4):
        page.locator(".out").first.click()


def with_all_unfolded(page: Page) -> None:
    open_drawer(page)
    page.evaluate("() => document.querySelectorAll('details').forEach(each => { each.open = true; })")


STATES = {
    "opened": as_opened,
    "fault": with_a_fault,
    "beside": beside,
    "plate": on_a_plate,
    "unfolded": with_all_unfolded,
}
