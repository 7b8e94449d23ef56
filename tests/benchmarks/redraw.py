"""How soon the page has redrawn after a change: `python tests/benchmarks/redraw.py`, with Debian's Chromium.

The service runs as `tallwide serve`, the page shows its sample (four frames on a shared point, an image circle, a
subject). Each change is made as a hand makes it; what counts is the time from the event until the browser has painted
the answer. It is held to a tenth of a second, and to a quarter where the service is still at a sweep that was given up.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path
from statistics import median

import claims
from measure import Row, quantile, table
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))
from running import running

# After this the page has asked for the sweep, which takes longer.
REST_MS = 250
CHROMIUM = "/usr/bin/chromium"


def redrawn_ms(page: Page, act: Callable[[], object]) -> float:
    """Return how long after an act the page had painted what came of it."""
    page.evaluate("() => { delete document.body.dataset.redrawMs; }")
    act()
    page.wait_for_selector("body[data-redraw-ms]")
    return float(page.locator("body").get_attribute("data-redraw-ms"))


def key_steps(page: Page, rounds: int) -> list[float]:
    """The shared point by its arrow keys."""
    page.locator('[data-handle="point"]').focus()
    keys = ("ArrowDown", "ArrowUp", "ArrowLeft", "ArrowRight")
    return [redrawn_ms(page, lambda key=keys[at % 4]: page.keyboard.press(key)) for at in range(rounds)]


def dragged(page: Page, rounds: int, handle: str = "point") -> list[float]:
    """A handle drawn along without a rest."""
    box = page.locator(f'[data-handle="{handle}"] .hit').bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    taken = [
        redrawn_ms(page, lambda at=at: page.mouse.move(x + at % 9 - 4, y + (at * 3) % 13 - 6))
        for at in range(1, rounds + 1)
    ]
    page.mouse.up()
    return taken


def dragged_subject(page: Page, rounds: int) -> list[float]:
    """The subject drawn along."""
    return dragged(page, rounds, "subject")


def typed(page: Page, rounds: int) -> list[float]:
    """A field of the capture, written anew."""
    field = page.locator('[data-pointer="/capture/raster/height"]')
    return [redrawn_ms(page, lambda at=at: field.fill(str(3200 - 2 * (at % 7)))) for at in range(1, rounds + 1)]


def turned(page: Page, rounds: int) -> list[float]:
    """The camera turned, a quarter at a time."""
    return [redrawn_ms(page, page.locator(".turn").click) for _ in range(max(4, rounds // 4))]


def turned_after_rests(page: Page, rounds: int) -> list[float]:
    """The camera turned while the service computes the sweep of the turn before."""

    def turn() -> float:
        page.wait_for_timeout(REST_MS)
        return redrawn_ms(page, page.locator(".turn").click)

    return [turn() for _ in range(max(4, rounds // 4))]


def slid(page: Page, rounds: int) -> list[float]:
    """The slider under the strip."""
    page.locator("#strip input").focus()
    return [
        redrawn_ms(page, lambda at=at: page.keyboard.press(f"Arrow{'Left' if at % 2 else 'Right'}"))
        for at in range(rounds)
    ]


CLAIMED = {
    key_steps: claims.REDRAW_KEYS,
    dragged: claims.REDRAW_DRAG,
    dragged_subject: claims.REDRAW_SUBJECT,
    typed: claims.REDRAW_FIELD,
    turned: claims.REDRAW_TURN,
    turned_after_rests: claims.REDRAW_TURN_AFTER_REST,
    slid: claims.REDRAW_SLIDER,
}


def rows(rounds: int) -> list[Row]:
    """Return the time to redraw after each kind of change: the 95th percentile, against its bound."""
    arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
    found = []
    with running() as service, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        for change, claim in CLAIMED.items():
            page = browser.new_page(viewport={"width": 1366, "height": 768})
            page.goto(f"http://127.0.0.1:{service.port}/")
            page.wait_for_selector('body[data-busy="no"]')
            change(page, 3)
            page.wait_for_selector('body[data-busy="no"]')
            taken = change(page, rounds)
            found.append(
                Row(
                    claim=claim,
                    measured=f"median {median(taken):.0f} ms, longest {max(taken):.0f} ms of {len(taken)}",
                    peer="",
                    value=quantile(taken, 0.95),
                )
            )
            page.close()
        browser.close()
    return found


def main() -> int:
    """Measure, print, and return 1 where a bound is missed."""
    parser = argparse.ArgumentParser(prog="python tests/benchmarks/redraw.py", description=__doc__)
    parser.add_argument("--rounds", type=int, default=40, help="changes of each kind (default: 40)")
    measured = rows(parser.parse_args().rounds)
    print(table(measured))
    return 0 if all(row.is_met() for row in measured) else 1


if __name__ == "__main__":
    raise SystemExit(main())
