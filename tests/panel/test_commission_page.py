"""`rig commission --page` in a browser: the code, questions as buttons, STOP, a whole commissioning by touches."""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import pytest
from commissioned import hidden_rig
from hidden import Hands
from pages import browsing
from playwright.sync_api import Browser, Page, expect
from processes import PATIENCE_S, ROOT

from rig.choice import Choice
from rig.commission.found import STEPS, Finding, Progress
from rig.ledger.keeping import book_read
from rig.run.commissioning.session import save

T = TypeVar("T")
SPEED = 2.0
"""Speed at which a plant that waits for nobody is followed while liquid is delivered."""


@contextmanager
def commissioning(folder: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], str, str]]:
    """The process, the page's address, and the code."""
    command = [sys.executable, "-m", "rig.cli", "commission", "--config", "rig.toml", "--page", "--port", "0", *options]
    process = subprocess.Popen(
        command, cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    assert process.stdout is not None
    try:
        match = re.search(r"(http\S+)  code (\d+)", process.stderr.readline())
        assert match is not None
        # What the console shows must not fill its pipe.
        reading = threading.Thread(target=process.stderr.read, daemon=True)
        reading.start()
        yield process, match[1], match[2]
    finally:
        process.kill()
        process.wait()
        reading.join()
        process.stdout.close()
        process.stderr.close()


def entered(browser: Browser, url: str, code: str) -> Page:
    page = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True).new_page()
    page.goto(url)
    page.locator("#digits").fill(code)
    page.locator("#code button").click()
    return page


def test_nothing_is_shown_before_the_code_and_tries_are_limited(tmp_path: Path) -> None:
    with commissioning(tmp_path) as (_, url, code), browsing() as browser:
        page = entered(browser, url, "12345678" if code != "12345678" else "87654321")
        expect(page.locator("#said")).to_have_text("This is not the code.")
        assert page.locator("#said-so-far").inner_text() == ""
        for _ in range(4):
            page.locator("#code button").click()
            page.wait_for_timeout(100)
        page.locator("#digits").fill(code)
        page.locator("#code button").click()
        expect(page.locator("#said")).to_contain_text("too many tries: wait")
        expect(page.locator("#question")).to_be_hidden()


def test_a_link_with_the_code_opens_it_and_stop_ends_it_from_any_page(tmp_path: Path) -> None:
    """STOP is for anyone: another browser that has no code presses it."""
    with commissioning(tmp_path) as (process, url, code), browsing() as browser:
        page = browser.new_context(viewport={"width": 360, "height": 740}).new_page()
        page.goto(f"{url}#{code}")
        expect(page.locator("#asked")).to_contain_text("Serial ports" if Path("/dev/ttyS0").exists() else "serial port")
        assert "#" not in page.url, "the code stays in the address"
        page.locator("#choices button, #act button").last.click()
        expect(page.locator("#asked")).to_contain_text("Modbus TCP devices")
        other = browser.new_context().new_page()
        other.goto(url)
        other.locator("#stop").click()
        expect(page.locator("#ended")).to_contain_text("what was finished is kept")
        expect(other.locator("#stop-said")).to_have_text("The pump is seen off.")
        assert process.wait(PATIENCE_S) == 3


@pytest.mark.full
def test_a_page_whose_program_has_gone_says_so_in_words(tmp_path: Path) -> None:
    with commissioning(tmp_path) as (process, url, code), browsing() as browser:
        page = browser.new_context(viewport={"width": 360, "height": 740}).new_page()
        page.goto(f"{url}#{code}")
        expect(page.locator("#asked")).to_be_visible()
        process.kill()
        expect(page.locator("#said")).to_contain_text("NO CONTACT: nothing is known of the rig", timeout=20_000)


class Touches:
    """The questions of the page, and answers by its buttons and field, in a thread of its own."""

    def __init__(self, url: str, code: str) -> None:
        self._pool = ThreadPoolExecutor(1)
        self._where = url, code
        self._last = ""

    async def __aenter__(self) -> Touches:
        def open_page() -> Page:
            self._browsing = browsing()
            return entered(self._browsing.__enter__(), *self._where)

        self._page = await self._run(open_page)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._run(lambda: self._browsing.__exit__(None, None, None))
        self._pool.shutdown()

    async def _run(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._pool, work)

    async def question(self) -> tuple[str, list[Choice]] | None:
        """The next one, None at the end."""
        return await self._run(self._question)

    def _question(self) -> tuple[str, list[Choice]] | None:
        # A running delivery offers its keys without asking anything.
        self._page.wait_for_function(
            """last => document.getElementById('ended') || (document.getElementById('asked').textContent
               && !document.getElementById('question').hidden
               && document.getElementById('question').dataset.number !== last)""",
            arg=self._last, timeout=1000 * PATIENCE_S,
        )  # fmt: skip
        if self._page.locator("#ended").count():
            return None
        self._last = self._page.locator("#question").get_attribute("data-number") or ""
        keys = self._page.locator("#choices button, #act button").all()
        offered = [((key.get_attribute("data-key") or "").replace("Enter", ""), key.inner_text()) for key in keys]
        return self._page.locator("#asked").inner_text(), [Choice(*each) for each in offered]

    async def answer(self, text: str) -> None:
        """By the button that means it, else typed."""
        await self._run(lambda: self._answer(text))

    def _answer(self, text: str) -> None:
        key = self._page.locator(f'[data-key="{text or "Enter"}"]')
        if key.count():
            key.click()
        else:
            self._page.locator("#text").fill(text)
            self._page.locator("#typed button").click()

    async def ended(self) -> str:
        return await self._run(lambda: self._page.locator("#ended").inner_text())


async def _acted(hands: Hands, text: str, offered: list[Choice]) -> str:
    """What the person does and answers."""
    if offered and offered[0].words == "leave":
        # The checks and the start of a delivery.
        if text.startswith("Vessel empty"):
            hands.empty()
        return ""
    answer = await hands.ask(text, offered)
    assert answer is not None
    return answer


@pytest.mark.release
@pytest.mark.timeout(900)
async def test_from_an_empty_folder_to_a_proven_rig_by_touches(tmp_path: Path) -> None:
    """Nobody writes a line of TOML; a first fill follows in tests/commission/test_commission_command.py."""
    options = ("--by", "Jo", "--simulated", str(SPEED), "--patience", "0.3 s", "--each", "1.5 s", "--units", "1-7")
    async with hidden_rig("three units, words swapped", tmp_path, SPEED) as (_, hands):
        del hands.said["A known can"]
        with commissioning(tmp_path, *options) as (process, url, code):
            async with Touches(url, code) as page:
                while (asked := await page.question()) is not None:
                    await page.answer(await _acted(hands, *asked))
                assert "COMMISSIONING SHEET" in await page.ended()
            status = await asyncio.to_thread(process.wait, PATIENCE_S)
    with book_read(tmp_path) as book:
        (record,) = book.valid("commissioning")
    bad = [test for test in record.document["tests"] if not test["good"]]  # type: ignore[attr-defined]
    assert not bad, hands.typed[-6:]
    assert status == 0


def test_questions_that_have_german_words_are_asked_in_german(tmp_path: Path) -> None:
    """The tank's; those of the steps before it are English."""
    done = {step: Finding() for step in STEPS if step != "air"}
    save(tmp_path / "rig.toml", Progress(done=done))
    with commissioning(tmp_path) as (_, url, code), browsing() as browser:
        page = browser.new_context(viewport={"width": 360, "height": 740}, locale="de-DE").new_page()
        page.goto(f"{url}#{code}")
        expect(page.locator("#asked")).to_have_text(
            "Gibt es einen Luftbehälter, um vor einer Füllung mit Luft zu messen?"
        )
        page.get_by_role("button", name="ja, mit einem Kugelhahn für die Hand").click()
        expect(page.locator("#asked")).to_contain_text("Ein Behälter ist gespeicherte Energie.")
        page.get_by_role("button", name="ja", exact=True).click()
        page.locator("#text").fill("145 psi")
        page.locator("#typed button").click()
        expect(page.locator("#said-so-far")).to_contain_text("Zulässiger Druck auf dem Schild des Behälters")
