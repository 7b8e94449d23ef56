"""For everybody: WCAG 2.2 AA as far as a machine can tell, from a phone to a wall, in light and in dark."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from page_by_hand import SHARED, STATES, fragment, settled

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
LOOKS = [("phone", "light"), ("laptop", "dark"), ("laptop", "light"), ("phone", "dark")]


@pytest.mark.parametrize(("size", "scheme"), LOOKS)
def test_every_state_is_without_violations_by_axe(open_page, size, scheme):
    """The states follow each other on one page: a fault, two alternatives, a plate, everything unfolded."""
    page = open_page(size=size, scheme=scheme, bypass_csp=True).page
    for name, reach in STATES.items():
        if name == "beside":
            page.locator("#undo").click()
            settled(page)
        reach(page)
        found = Axe().run(page, options=RULES)
        assert found.violations_count == 0, f"{name}: {found.generate_report()}"


def test_the_example_page_is_without_violations_by_axe(open_page):
    found = Axe().run(open_page("page/embedded.html", bypass_csp=True).page, options=RULES)
    assert found.violations_count == 0, found.generate_report()


@pytest.mark.parametrize("size", ["phone", "laptop", "wall"])
def test_nothing_is_wider_than_the_screen_and_every_control_is_large_enough(open_page, size):
    page = open_page(fragment(SHARED), size=size).page
    STATES["beside"](page)
    STATES["unfolded"](page)
    width, inner = page.evaluate("() => [document.documentElement.scrollWidth, innerWidth]")
    assert width <= inner
    # WCAG 2.2, 2.5.8 Target Size (Minimum): 24 by 24 CSS px.
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, select, summary, input:not(.hidden-file), .hit")]
        .map(each => [each.outerHTML.slice(0, 60), each.getBoundingClientRect()])
        .filter(([, box]) => box.width && box.height && (box.width < 24 || box.height < 24)).map(([name]) => name)"""
    )
    assert small == []


def test_what_can_be_worked_with_has_a_name_for_a_screen_reader(open_page):
    page = open_page(fragment(SHARED)).page
    tree = page.locator("main").aria_snapshot()
    for line in (
        "- status: 1 of 2 frames do",
        '- list "Deliverables, the tightest first"',
        '- slider "Shared point"',
        '- slider "Align point of wide"',
        '- slider "Subject, place"',
        '- slider "Shared point, down"',
        '- button "Turn the camera"',
        '- button "Zoom in"',
        '- combobox "Roll of A"',
        '- region "What binds, table"',
        '- heading "With care"',
    ):
        assert line in tree, line
    assert '- button "tall' in tree


def test_the_look_can_be_chosen_against_the_systems(open_page):
    page = open_page(fragment(SHARED), scheme="light").page
    ground = "() => getComputedStyle(document.body).backgroundColor"
    light = page.evaluate(ground)
    page.locator("#theme").select_option(label="dark")
    dark = page.evaluate(ground)
    assert light != dark
    assert sum(int(part) for part in dark[4:-1].split(",")) < 200
