"""A browser (Debian's Chromium) on the running service; every page that a test opens must stay quiet and at home."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from playwright.sync_api import Page, sync_playwright

from page_by_hand import SIZES, served, settled
from tallwide_service import create_app

CHROMIUM = Path("/usr/bin/chromium")


@pytest.fixture(scope="session")
def app():
    return create_app()


@pytest.fixture(scope="session")
def origin(app):
    with served(app) as address:
        yield address


@pytest.fixture(scope="session")
def browser():
    # As root, as in a container, Chromium starts without its sandbox alone.
    arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield browser
        browser.close()


class Watched:
    """A page, with what it said on the console and whom it asked."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.asked: list[str] = []
        page.on(
            "console", lambda message: message.type in ("error", "warning") and self.complaints.append(message.text)
        )
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))


@pytest.fixture
def open_page(browser, origin):
    """A function that opens the page in a size and a look, ready for work."""
    contexts = []

    def opened(fragment="", size="laptop", scheme="light", **options) -> Watched:
        width, height = SIZES[size]
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme, accept_downloads=True, **options
        )
        context.set_default_timeout(15_000)
        contexts.append(context)
        watched = Watched(context.new_page())
        watched.page.goto(origin + fragment)
        settled(watched.page)
        return watched

    yield opened
    for context in contexts:
        context.close()
