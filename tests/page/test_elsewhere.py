"""Settings of the service in a browser: pages of other origins, access tokens, a busy service."""

from __future__ import annotations

import html
import urllib.parse

import pytest
from playwright.sync_api import Error

from page_by_hand import JOB, fragment, job_on, served, settled
from tallwide_service import create_app
from tallwide_service.settings import Settings


@pytest.fixture(scope="module")
def elsewhere():
    """Another origin on this machine: a page of somebody else, with what it is to show in its address."""

    def page(environ, start_response):
        start_response("200 OK", [("Content-Type", "text/html")])
        picture = html.escape(urllib.parse.unquote(environ["QUERY_STRING"]))
        return [f'<!doctype html><title>elsewhere</title><img id="picture" src="{picture}">'.encode()]

    with served(page) as address:
        yield address


@pytest.fixture(scope="module")
def open_to(elsewhere):
    """A service whose setting names that origin."""
    with served(create_app(Settings(allowed_origins=(elsewhere.rstrip("/"),)))) as address:
        yield address


@pytest.fixture
def page_elsewhere(browser, elsewhere):
    context = browser.new_context()
    page = context.new_page()
    page.goto(elsewhere)
    yield page
    context.close()


def test_a_picture_stands_on_a_page_of_another_origin(page_elsewhere, origin, elsewhere):
    job = fragment(JOB).removeprefix("#job=")
    page_elsewhere.goto(f"{elsewhere}?{urllib.parse.quote(f'{origin}v1/overlay?job={job}')}")
    width = page_elsewhere.locator("#picture").evaluate("each => each.decode().then(() => each.naturalWidth)")
    assert width == 4800


ASK = """async ([address, body, more]) => {
    const answer = await fetch(address, {
        method: "POST", headers: {"Content-Type": "application/json", ...more}, body: JSON.stringify(body),
    });
    return [answer.status, await answer.json(), answer.headers.get("ETag"), answer.headers.get("X-Request-ID")];
}"""


def test_a_page_that_the_setting_names_reads_answers_and_problems(page_elsewhere, open_to):
    """A job as JSON is asked for in advance (preflight), the table view and its ETag too; so is what is wrong."""
    table = f"{open_to}v1/margins?view=table"
    status, rows, tag, request_id = page_elsewhere.evaluate(ASK, [table, JOB, {"X-Request-ID": "panel-7"}])
    assert (status, [row["verdict"] for row in rows], request_id) == (200, ["enough", "short"], "panel-7")
    assert tag
    status, problem, _, _ = page_elsewhere.evaluate(ASK, [table, JOB | {"capture": {}}, {}])
    assert (status, problem["errors"][0]["pointer"]) == (422, "/capture/raster")
    status, problem, _, _ = page_elsewhere.evaluate(ASK, [f"{open_to}v1/nothing", JOB, {}])
    assert (status, problem["status"]) == (404, 404)


def test_what_a_form_cannot_carry_is_told_to_a_page_of_another_origin_too(page_elsewhere, open_to):
    protected = [each | {"protection": {"each_side": 0.02}} for each in JOB["deliverables"]]
    lost = page_elsewhere.evaluate(
        """async ([address, body]) => {
            const headers = {"Content-Type": "application/json", Accept: "text/uri-list"};
            const answer = await fetch(address, {method: "POST", headers, body: JSON.stringify(body)});
            return answer.headers.get("Tallwide-Lost");
        }""",
        [f"{open_to}v1/handoff/media-fragments", JOB | {"deliverables": protected}],
    )
    assert "protection" in lost


def test_a_page_that_no_setting_names_reads_nothing(page_elsewhere, origin):
    with pytest.raises(Error, match="Failed to fetch"):
        page_elsewhere.evaluate(ASK, [f"{origin}v1/margins", JOB, {}])


def test_rows_come_by_get_without_being_asked_for_in_advance(page_elsewhere, open_to):
    asked = []
    page_elsewhere.on("request", lambda request: asked.append(request.method))
    job = fragment(JOB).removeprefix("#job=")
    rows = page_elsewhere.evaluate(
        "address => fetch(address).then(answer => answer.json())", f"{open_to}v1/margins?view=table&job={job}"
    )
    assert len(rows) == 2
    assert asked == ["GET"]


TOKEN = "lighthouse-at-the-point"  # noqa: S105 - of a service that this test starts


def test_a_service_that_asks_for_a_token_is_given_it_by_the_page_and_by_no_address(browser):
    context = browser.new_context()
    page = context.new_page()
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    with served(create_app(Settings(tokens=(TOKEN,)))) as address:
        page.goto(address)
        page.wait_for_selector("#access:not([hidden])")
        assert page.locator(".card").count() == 0
        page.locator("#token").fill(TOKEN)
        page.keyboard.press("Enter")
        page.wait_for_selector(".card")
        settled(page)
        assert page.locator("#access").is_hidden()
        assert page.locator("#advice .plan").count() == 1
        with page.expect_download():
            page.get_by_role("button", name="Margins as CSV").click()
    context.close()
    assert not any(TOKEN in url for url in asked)


def test_a_busy_service_is_asked_again_when_it_says(open_page):
    page = open_page(fragment(JOB)).page
    turned_away = []

    def busy_twice(route):
        if len(turned_away) < 2:
            turned_away.append(route.request.url)
            route.fulfill(status=429, headers={"Retry-After": "0"}, json={"title": "busy", "status": 429})
        else:
            route.continue_()

    page.route("**/v1/margins", busy_twice)
    page.locator(".turn").click()
    settled(page)
    assert len(turned_away) == 2
    assert page.locator("#problems").inner_text() == ""
    assert job_on(page)["capture"]["roll"] == 90
