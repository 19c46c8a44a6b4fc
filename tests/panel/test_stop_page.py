"""STOP tells what is known of it, step by step, and where nothing is known; the record names who and where."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest
from pages import opened, sign_in
from playwright.sync_api import Browser, Page, expect
from stills import Stills, stills
from test_web import OWN


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stills]:
    with stills(tmp_path_factory.mktemp("stop")) as found:
        yield found


def says(page: Page, text: str) -> None:
    expect(page.locator("#stop-said")).to_have_text(text)


@pytest.mark.full
def test_from_pressed_to_seen_off(browser: Browser, served: Stills) -> None:
    served.show("filling")
    page = opened(browser, served.url)
    expect(page.locator("#step")).to_be_visible()
    page.locator("#stop").click()
    # The pump runs on, on this picture: after a second there are words for it.
    says(page, "NOT OFF YET: press the emergency stop at the rig!")
    served.show("stale")
    says(page, "NOT KNOWN whether STOP has arrived: press the emergency stop at the rig!")
    served.show("held")
    says(page, "The pump is seen off.")
    says(page, "")


@pytest.mark.full
def test_a_server_that_does_not_answer_is_not_taken_for_a_stop(browser: Browser, served: Stills) -> None:
    served.show("filling")
    page = opened(browser, served.url)
    page.route("**/api/stop", lambda route: None)
    page.locator("#stop").click()
    says(page, "NOT KNOWN whether STOP has arrived: press the emergency stop at the rig!")
    page.unroute("**/api/stop")
    served.show("held")
    # The loud words are about a state, and go with it.
    says(page, "The pump is seen off.")


@pytest.mark.full
def test_stop_at_rest_says_that_nothing_ran(browser: Browser, served: Stills) -> None:
    served.show("ready check")
    page = opened(browser, served.url)
    page.locator("#stop").click()
    says(page, "Nothing ran.")


@pytest.mark.full
def test_stop_is_there_before_anything_else(browser: Browser, served: Stills) -> None:
    """With neither script nor style but the page's own text."""
    served.show("filling")
    page = browser.new_page()
    page.route("**/static/**", lambda route: route.abort())
    page.goto(served.url)
    page.locator("#stop").click()
    says(page, "NOT OFF YET: press the emergency stop at the rig!")


@pytest.mark.full
def test_escape_stops_nothing_where_a_list_has_the_focus(browser: Browser, served: Stills) -> None:
    served.show("filling")
    served.sessions.driver = None
    page = opened(browser, served.url, width=1280, height=800, touch=False)
    sign_in(page)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.method) if request.url.endswith("/api/stop") else None)
    page.locator(".menu").click()
    page.get_by_label("Units").focus()
    page.keyboard.press("Escape")
    page.locator(".menu").click()
    assert asked == []
    page.keyboard.press("Escape")
    says(page, "NOT OFF YET: press the emergency stop at the rig!")


def test_an_address_is_not_taken_from_a_header(served: Stills) -> None:
    served.show("filling")
    with httpx.Client(base_url=served.url, headers={**OWN, "X-Forwarded-For": "10.9.8.7"}) as client:
        assert client.post("/api/stop", json={"id": "touch-0003"}).json()["ran"]
    assert served.facade._inbox[-1].by == "STOP on a page, 127.0.0.1"
