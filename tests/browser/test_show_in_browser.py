"""The live pages of `show` in a real browser, as wide as a phone's screen."""

import time
from urllib.parse import urlsplit

import pytest

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
        page.on("requestfailed", lambda asked: faults.append(f"{asked.url}: {asked.failure}"))
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


def test_front_page_fits_a_phone_and_a_projector(visit):
    for size in (PHONE, PROJECTOR):
        page, faults = visit(size)
        assert not is_too_wide(page)
        assert page.locator(".rooms li").count() == 12
        assert faults == []


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


def test_a_page_that_another_one_follows_says_that_it_sleeps(visit):
    page, _ = visit(PROJECTOR)
    home = page.url
    page.goto(home + ROOM)
    second = page.context.new_page()
    second.goto(home + "00_your_rig")
    page.bring_to_front()
    page.get_by_role("link", name="Wake it up").wait_for(timeout=40_000)
