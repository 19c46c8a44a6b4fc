"""A device says when hands are needed and the page is out of sight: asked for by a touch, shown once, taken away.

What is shown is read back by the browser's own list (Notifications API, WHATWG: getNotifications()).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from stills import Stills, stills

OUT_OF_SIGHT = """(hidden) => {
    Object.defineProperty(document, 'hidden', { value: hidden, configurable: true });
    document.dispatchEvent(new Event('visibilitychange'));
}"""
SHOWN = """async (many) => {
    for (;;) {
        const workers = await navigator.serviceWorker.getRegistrations();
        const lists = await Promise.all(workers.map((each) => each.getNotifications()));
        const found = lists.flat().map(({ title, body, tag, lang }) => ({ title, body, tag, lang }));
        if (found.length === many) return found;
        await new Promise(requestAnimationFrame);
    }
}"""
"""The notifications, once there are so many."""
UNANSWERED = """
Object.defineProperty(Notification, 'permission', { get: () => 'default' });
Notification.requestPermission = async () => { window.asked = true; return 'default'; };
"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stills]:
    with stills(tmp_path_factory.mktemp("notify")) as found:
        yield found


def opened(browser: Browser, served: Stills, *granted: str) -> Page:
    context = browser.new_context(viewport={"width": 360, "height": 740}, permissions=list(granted), locale="de-DE")
    page = context.new_page()
    page.goto(served.url)
    expect(page.locator("#stop")).to_be_visible()
    return page


def shown(page: Page, many: int) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = page.evaluate(SHOWN, many)
    return found


def at(page: Page, served: Stills, name: str) -> None:
    served.show(name)
    expect(page.locator("#prompt")).to_have_count(int(name == "prompt"))


@pytest.mark.full
def test_out_of_sight_the_prompt_is_shown_and_gone_when_the_page_is_looked_at(browser: Browser, served: Stills) -> None:
    served.show("filling")
    page = opened(browser, served, "notifications")
    expect(page.locator("#step")).to_be_visible()
    at(page, served, "prompt")
    assert shown(page, 0) == []
    at(page, served, "filling")
    page.evaluate(OUT_OF_SIGHT, True)
    at(page, served, "prompt")
    (note,) = shown(page, 1)
    assert (note["tag"], note["lang"]) == ("rig", "de")
    assert note["title"].startswith(page.locator(".band .word").inner_text())
    assert note["body"] == page.locator("#prompt").inner_text()
    at(page, served, "filling")
    assert shown(page, 0) == []
    at(page, served, "prompt")
    shown(page, 1)
    page.evaluate(OUT_OF_SIGHT, False)
    shown(page, 0)


@pytest.mark.full
def test_it_is_asked_for_by_a_touch_in_the_menu_and_only_while_there_is_no_answer(
    browser: Browser, served: Stills
) -> None:
    served.show("ready check")
    page = opened(browser, served)
    page.add_init_script(UNANSWERED)
    page.reload()
    page.locator(".menu").click()
    page.locator("#notify").click()
    assert page.evaluate("() => window.asked") is True
    granted = opened(browser, served, "notifications")
    granted.locator(".menu").click()
    expect(granted.locator("#notify")).to_have_count(0)
