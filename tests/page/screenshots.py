"""`python tests/page/screenshots.py --out FOLDER`: the page's five states on a phone, a laptop and a wall, to look at.

Light on a phone and a wall, dark on a laptop, and each state of a phone as long as it is.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

from tallwide_service import create_app

sys.path.insert(0, str(Path(__file__).parents[1]))
from page_by_hand import STATES, served, settled

SIZES = {"phone": ((390, 844), "light"), "laptop": ((1366, 768), "dark"), "wall": ((3840, 2160), "light")}


def main() -> int:
    """Draw every state in every size."""
    parser = argparse.ArgumentParser(prog="python tests/page/screenshots.py", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder for the pictures")
    parser.add_argument("--state", choices=STATES, action="append", help="one state alone; may be given again")
    parser.add_argument("--size", choices=SIZES, action="append", help="one size alone; may be given again")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
    with served(create_app()) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=arguments)
        for size in options.size or SIZES:
            (width, height), scheme = SIZES[size]
            for state in options.state or STATES:
                page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
                page.goto(address)
                settled(page)
                STATES[state](page)
                page.wait_for_timeout(400)
                path = options.out / f"{state}-{size}.png"
                page.screenshot(path=path)
                if state in ("opened", "unfolded", "beside"):
                    page.screenshot(path=options.out / f"{state}-{size}-whole.png", full_page=True)
                print(path)
                page.close()
        browser.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
