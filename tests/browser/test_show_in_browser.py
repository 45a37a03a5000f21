"""The live pages of `show` in a real browser, as wide as a phone's screen."""

import time
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe

from helpers import rig as rigs
from tests.hostile.markup import MARKUP, assert_nothing_ran, marked_rig
from tests.live_client import Server

ROOM = "11_planetary"
PHONE = {"width": 360, "height": 740}
PROJECTOR = {"width": 1366, "height": 768}


@pytest.fixture(scope="module")
def server(browser, tmp_path_factory):
    server = Server(tmp_path_factory.mktemp("rigs"), visitors=2)
    try:
        server.wait()
        yield server
    finally:
        server.stop()


@pytest.fixture
def visit(browser, server):
    """A function that comes in by the front door, with a window of a size; gives the page and what went wrong on it."""
    contexts = []

    def come(size):
        contexts.append(browser.new_context(viewport=size))
        page, faults = contexts[-1].new_page(), []
        page.set_default_timeout(60_000)
        page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: faults.append(str(error)))
        # who leaves a page breaks off what it still loads
        page.on(
            "requestfailed", lambda asked: "ABORTED" in asked.failure or faults.append(f"{asked.url}: {asked.failure}")
        )
        page.on("request", lambda asked: page.asked.append(asked.url))
        page.asked = []
        page.goto(f"{server.address}/?token={server.token}")
        page.get_by_label("What shall we call your rig?").fill("Anna")
        page.get_by_role("button", name="Begin").click()
        page.wait_for_url("**/r/anna-*/")
        return page, faults

    yield come
    for context in contexts:
        context.close()


def wait_for_words(page, words, seconds=300):
    end = time.monotonic() + seconds
    while words not in page.locator("#state").inner_text():
        assert time.monotonic() < end, page.locator("#state").inner_text()
        time.sleep(0.3)


def is_too_wide(page):
    return page.evaluate("document.documentElement.scrollWidth > window.innerWidth")


@pytest.mark.long
def test_front_page_fits_a_phone_and_a_projector(visit):
    for size in (PHONE, PROJECTOR):
        page, faults = visit(size)
        assert not is_too_wide(page)
        assert page.locator(".rooms li").count() == 12
        assert faults == []


@pytest.mark.long
def test_a_workbook_comes_alive_on_a_phone(visit):
    page, faults = visit(PHONE)
    page.locator(f'a[href="{ROOM}"]').first.click()
    assert page.locator(".saved img").count() > 0  # there before anything runs
    wait_for_words(page, "All is alive.")
    assert page.locator(".saved").count() == 0
    assert not is_too_wide(page)

    guess = page.locator(".live .classroom-guess", has=page.get_by_role("radio")).first
    guess.get_by_role("radio").first.check()
    guess.get_by_role("button", name="That is my guess").click()
    guess.get_by_role("button", name="Show the answer").click()
    guess.get_by_text("You said").wait_for()

    page.get_by_role("button", name="Skip", exact=True).first.click()
    panel = page.locator(".live .classroom-panel", has=page.locator('[role="slider"]:not([disabled])')).first
    slider, picture = panel.get_by_role("slider").first, panel.locator("img")
    before = picture.get_attribute("src")
    for key in ("ArrowRight", "ArrowLeft", "ArrowLeft"):
        slider.press(key)
        page.wait_for_timeout(500)
        if picture.get_attribute("src") != before:
            break
    assert picture.get_attribute("src") != before
    assert faults == []
    assert {urlsplit(address).hostname for address in page.asked if address.startswith("http")} == {"127.0.0.1"}


def serious_findings(page):
    """What axe-core (WCAG 2 rules) calls serious or critical on a page."""
    found = Axe().run(page, options={"preload": False}).response
    assert len(found["passes"]) > 10
    serious = [each for each in found["violations"] if each["impact"] in ("serious", "critical")]
    return [(each["id"], [node["html"][:200] for node in each["nodes"][:3]]) for each in serious]


@pytest.mark.long
def test_a_live_workbook_shows_names_as_text_is_accessible_and_its_panels_fit(visit, tmp_path):
    page, faults = visit(PROJECTOR)
    rigs.save_rig(marked_rig(), tmp_path / "my_rig.toml")
    page.get_by_label("A rig file (.toml)").set_input_files(tmp_path / "my_rig.toml")
    page.get_by_role("button", name="Use this rig").click()
    page.get_by_text("Taken:").wait_for()
    assert_nothing_ran(page)
    assert serious_findings(page) == []
    page.locator(f'a[href="{ROOM}"]').first.click()
    wait_for_words(page, "All is alive.")
    assert MARKUP in page.inner_text("main")
    while (skips := page.get_by_role("button", name="Skip", exact=True)).count():
        skips.first.click()
        page.wait_for_timeout(300)
    assert_nothing_ran(page)
    bar = page.locator(".bar").bounding_box()["height"]
    heights = [panel.bounding_box()["height"] for panel in page.locator(".live .classroom-panel").all()]
    assert heights and max(heights) + bar <= PROJECTOR["height"], heights
    assert serious_findings(page) == []
    assert faults == []


@pytest.mark.long
def test_a_page_that_another_one_follows_says_that_it_sleeps(visit):
    page, _ = visit(PROJECTOR)
    home = page.url
    page.goto(home + ROOM)
    second = page.context.new_page()
    second.goto(home + "00_your_rig")
    page.bring_to_front()
    wait_for_words(page, "Wake it up")
