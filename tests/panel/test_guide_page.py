"""The guide on the page: within the policy, nothing passed through, found by words; an alarm leads to its entry."""

from __future__ import annotations

import os
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from pages import begin_fill, browsing, opened, page_served, sign_in
from playwright.sync_api import Browser, Page, expect
from test_looks import badly_laid_out, violations
from test_web import Door

from rig.control.safety.guards import GUARDS
from rig.guide.topics import topics
from rig.panel.guiding import html_of

LONG = ("reference/wiring", "reference/ready-check", "configuration/points", "records/fill", "examples/rs485-relays")
"""Pages whose lines, lists and drawings are the longest."""


class Markup(HTMLParser):
    """The tags of a page, with their attributes, and what was left open."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link", "input", "br", "hr"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.fixture
def door(tmp_path: Path) -> Door:
    return Door(tmp_path)


async def test_every_topic_is_a_page_within_the_policy(door: Door) -> None:
    """Nothing inline, nothing from elsewhere: what the policy of every answer would keep from working."""
    for topic in topics():
        reply = await door.client.get(f"/guide/{topic.name}")
        assert reply.status_code == 200, topic.name
        assert "default-src 'none'" in reply.headers["content-security-policy"]
        markup = Markup(reply.text)
        assert markup.open == [], topic.name
        for tag, attributes in markup.tags:
            assert tag not in ("style", "iframe", "object", "img", "base"), topic.name
            assert "style" not in attributes, topic.name
            assert not any(name.startswith("on") for name in attributes), topic.name
            where = attributes.get("src") or attributes.get("href") or "/"
            assert where.startswith(("/", "#")), f"{topic.name}: {where}"
        assert [each.get("src") for tag, each in markup.tags if tag == "script"] == [
            f"/static/{door.page.faces.english.assets.names['guide.js']}",
            None,
        ]


async def test_links_within_the_guide_are_pages_of_it(door: Door) -> None:
    text = (await door.client.get("/guide")).text
    leads = {str(each["href"]) for tag, each in Markup(text).tags if tag == "a"} - {"/", "/guide"}
    assert {"/guide/reference/alarms", "/guide/first-day/try-it"} < leads
    for address in leads:
        assert (await door.client.get(address)).status_code == 200, address


def test_markup_in_a_text_is_shown_and_not_obeyed() -> None:
    text = '<script>x</script> <b onclick=x>y</b> [a](javascript:x) ![p](http://a/b.png) `<i>` & "q"'
    made = html_of(f"## {text}\n\n{text}\n\n    {text}\n\n```\n{text}\n```\n\n| {text} |\n| --- |\n| {text} |\n")
    shown = {"h2", "p", "pre", "code", "table", "thead", "tbody", "tr", "th", "td", "img"}
    assert {tag for tag, _ in Markup(made).tags} <= shown
    assert "<script" not in made
    assert "onclick=x&gt;" in made
    assert "javascript:x)" in made, "a link that runs something is no link"


async def test_what_is_asked_comes_back_as_text(door: Door) -> None:
    asked = '"><script>alert(1)</script>'
    for address in ("/guide", f"/guide/{asked}"):
        reply = await door.client.get(address, params={"q": asked})
        assert "<script>alert" not in reply.text
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in reply.text


async def test_the_search_finds_and_suggests(door: Door) -> None:
    found = await door.client.get("/guide", params={"q": "nothing is counted"})
    assert found.status_code == 200
    assert 'href="/guide/alarms/no_flow"' in found.text
    nearly = await door.client.get("/guide", params={"q": "no_flwo"})
    assert nearly.status_code == 404
    assert 'href="/guide?q=no_flow"' in nearly.text
    assert (await door.client.get("/guide/xyzzyq")).status_code == 404


async def test_the_guide_is_read_without_sign_in_where_looking_is_shut_too(tmp_path: Path) -> None:
    door = Door(tmp_path, looking=False)
    assert (await door.client.get("/api/stream")).status_code == 401
    for guard in GUARDS:
        page = await door.client.get(f"/guide/alarms/{guard.name}")
        assert page.status_code == 200
        assert 'id="stop"' in page.text


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with browsing() as found:
        yield found


def pictured(page: Page, name: str) -> None:
    """A picture for whoever asks for pictures."""
    if folder := os.environ.get("RIG_SHOTS"):
        page.screenshot(path=Path(folder) / f"guide_{name}.png")


@pytest.mark.release
def test_a_held_fill_s_alarm_leads_to_its_entry_and_back(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path, "--fault", "pump_no_start@150", size='"16.9-28"', scale="10") as served:
        page = opened(browser, served.url)
        sign_in(page)
        begin_fill(page)
        card = page.locator(".tell .alarm")
        expect(card).to_contain_text("Pump runs, nothing is counted")
        assert badly_laid_out(page) == []
        pictured(page, "alarm")
        page.locator("#details").click()
        with page.context.expect_page() as opening:
            page.locator(".sheet").get_by_role("link", name="Causes", exact=True).click()
        entry = opening.value
        complaints: list[str] = []
        entry.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
        expect(entry.locator("h1")).to_have_text("The pump runs and nothing is counted.")
        expect(entry.locator("article")).to_contain_text("The core or insert is still in")
        pictured(entry, "entry")
        # It is a page beside the fill's, which stands as it was left, with the buttons of the held fill.
        expect(page.locator("#resume")).to_be_visible()
        assert [*badly_laid_out(entry), *violations(entry)] == []
        entry.locator("#q").fill("strainer")
        entry.get_by_role("button", name="Find", exact=True).click()
        expect(entry.locator("article li a").first).to_be_visible()
        pictured(entry, "found")
        entry.get_by_role("link", name="The strainer is nearly blocked.").click()
        expect(entry.locator("h1")).to_have_text("The strainer is nearly blocked.")
        for name in ("", *LONG):
            entry.goto(f"{served.url}guide/{name}")
            faults = [*badly_laid_out(entry), *violations(entry)]
            assert faults == [], f"{name}: {faults}"
            pictured(entry, name.replace("/", "_") or "contents")
        # STOP from there, by nobody in particular, ends the fill.
        entry.locator("#stop").click()
        expect(entry.locator("#stop-said")).to_have_text("The pump is seen off.")
        expect(page.locator("#outcome")).to_be_visible()
        assert complaints == []
        # Back closes it; a press that closes its own page is awaited by that alone.
        with entry.expect_event("close"):
            entry.evaluate("setTimeout(() => document.getElementById('back').click(), 50)")
        expect(page.locator("#outcome")).to_be_visible()
