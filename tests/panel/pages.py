"""The page in a real browser: the simulated rig and `rig serve` in processes of their own, people who can sign in."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, TimeoutError, expect, sync_playwright
from processes import PATIENCE_S, ROOT, Rig, serving

from rig.panel.people import People, Role

PIN = "270418"
OTHER_PIN = "918273"
PEOPLE: dict[str, tuple[str, Role]] = {"Jo": (PIN, "technician"), "Sam": (OTHER_PIN, "supervisor")}
_PATIENCE_MS = 1000 * PATIENCE_S
_LOOK_MS = 50.0
_GLANCE_MS = 2000.0
_WAITING = """async () => {
    const fill = (await import(document.querySelector('script[type=module]').src)).app.picture?.fill;
    return fill?.state === 'idle' ? fill.id : '';
}"""
_TOUCHES = "async () => (await import(document.querySelector('script[type=module]').src)).app.sent"
expect.set_options(timeout=_PATIENCE_MS)


def chromium() -> str:
    """The system's own browser; a test is left out where there is none, but never on the machine that judges."""
    found = os.environ.get("RIG_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        if os.environ.get("RIG_NO_SKIPS"):
            pytest.fail("no chromium: these tests must not be left out here")
        pytest.skip("no chromium on this machine: apt install chromium, or name one in RIG_CHROMIUM")
    return found


@contextmanager
def browsing() -> Iterator[Browser]:
    """A browser without a window."""
    path = chromium()
    with sync_playwright() as playwright:
        options = ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
        browser = playwright.chromium.launch(executable_path=path, args=options)
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Served:
    """A rig with its page."""

    rig: Rig
    process: subprocess.Popen[str]
    url: str

    def end(self) -> int:
        """Stop signal; returns the exit status."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(60)


def people_added(folder: Path) -> None:
    """The people, as `rig people add` keeps them (tests/panel/test_buttons.py does it by the command)."""
    people = People(folder / "rig-data")
    for name, (pin, role) in PEOPLE.items():
        people.add(name, role, pin)


@contextmanager
def page_served(
    folder: Path, *options: str, layout: str = "vent", without: str = "", **changes: str
) -> Iterator[Served]:
    """The simulated rig, people, and the page; ``without`` is a key that the configuration loses."""
    with serving(folder, layout, *options, **changes) as rig:
        if without:
            text, times = re.subn(rf"(?m)^{without} *= .*\n", "", rig.config.read_text(encoding="utf-8"))
            assert times == 1, without
            rig.config.write_text(text, encoding="utf-8")
        people_added(folder)
        with page_process(rig) as served:
            yield served


@contextmanager
def next_wheel(rig: Rig) -> Iterator[Rig]:
    """The gun is carried to another wheel: a simulated rig with a tyre of the same kind, at the same place."""
    rig.stop()
    match = re.search(r"(?m)^port = (\d+)", rig.config.read_text(encoding="utf-8"))
    assert match is not None
    arguments = ["-m", "sim", "serve", "--config", "rig.toml", "--port", match[1], "--truth", "truth.json"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        [sys.executable, *arguments], cwd=rig.folder, env=environment, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline()
        yield Rig(rig.folder, process)
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


@contextmanager
def page_process(rig: Rig, *options: str, **environment: str) -> Iterator[Served]:
    """``rig serve`` for a simulated rig that runs already."""
    arguments = [sys.executable, "-m", "rig.cli", "serve", "--config", "rig.toml", "--port", "0", *options]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    process = subprocess.Popen(arguments, cwd=rig.folder, env=environment, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        match = re.search(r"(https?://\S+)", line)
        assert match is not None, f"the page did not start: {line}"
        yield Served(rig, process, match[1])
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


def opened(browser: Browser, url: str, *, width: int = 360, height: int = 740, touch: bool = True) -> Page:
    """A browser of its own at the page."""
    context = browser.new_context(viewport={"width": width, "height": height}, has_touch=touch)
    context.set_default_timeout(_PATIENCE_MS)
    page = context.new_page()
    page.goto(url)
    expect(page.locator("#stop")).to_be_visible()
    return page


def signed_in_abroad(browser: Browser, url: str, locale: str, name: str) -> Page:
    """A phone whose browser asks for a language, signed in by keys that do without words."""
    context = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True, locale=locale)
    page = context.new_page()
    page.goto(url)
    page.locator("#act button").click()
    page.locator(".face", has_text=name).click()
    page.locator("#pin").fill(PEOPLE[name][0])
    page.locator("#pin").press("Enter")
    expect(page.locator(".who")).to_contain_text(name)
    return page


def sign_in(page: Page, name: str = "Jo", pin: str | None = None) -> None:
    """Name and PIN by the page's own keys."""
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.get_by_role("button", name=name, exact=True).click()
    for digit in PEOPLE[name][0] if pin is None else pin:
        page.get_by_role("button", name=digit, exact=True).click()
    page.get_by_role("button", name="OK", exact=True).click()
    if pin is None:
        expect(page.locator(".who")).to_contain_text(name)


def begin_fill(page: Page, name: str = "loader-rear 16.9-28") -> None:
    """A wheel of the shop, both words of the ready check, and start."""
    page.get_by_role("button", name=name).click()
    start_work(page)


def start_work(page: Page) -> int:
    """Answer the ready check, one group of questions at a time, and start; returns the touches."""
    asked = page.locator("#check-shift, #check-machine, #start")
    touches = 1
    expect(asked.first).to_be_visible()
    while (group := asked.first.get_attribute("id")) != "start":
        page.locator(f"#{group}").click()
        expect(page.locator(f"#{group}")).to_have_count(0)
        expect(asked.first).to_be_visible()
        touches += 1
    press_and_hold(page, "#start")
    return touches


def begin_conversion(page: Page, to: str = "beet") -> None:
    """A new job with one 11L-15 that is to hold another liquid."""
    page.locator("#new-job").click()
    page.locator("#job-size").fill("11L-15")
    page.get_by_label("left", exact=True).check()
    page.locator("#add").click()
    page.locator("#keep-job").click()
    page.get_by_text("All wheels: 0 of 1 done").click()
    page.get_by_role("button", name="Another liquid in these wheels").click()
    page.locator("#convert-to").fill(to)
    page.locator("#convert-keep").click()


def press_and_hold(page: Page, selector: str) -> None:
    """One touch that lasts, where the key wants that, until the page has taken it.

    A person whom a late picture let down presses again.

    A button that goes away before it was pressed has nothing left to do: what it asked for has been done.
    """
    face = page.locator(selector)
    expect(face).to_be_enabled()
    sent = page.evaluate(_TOUCHES)
    for _ in range(int(_PATIENCE_MS / _GLANCE_MS)):
        with contextlib.suppress(TimeoutError, AssertionError):
            if not re.search(r"\bhold\b", face.get_attribute("class", timeout=_GLANCE_MS) or ""):
                face.click(timeout=_GLANCE_MS)
                return
            face.hover(timeout=_GLANCE_MS)
            page.mouse.down()
            expect(face).to_have_class(re.compile(r"\bheld\b"), timeout=_GLANCE_MS)
            expect(page.locator(".held")).to_have_count(0)
        page.mouse.up()
        if page.evaluate(_TOUCHES) != sent or not face.count():
            return
    pytest.fail(f"{selector} could not be pressed:\n{page.locator('body').inner_text()}")


def start_run(page: Page) -> None:
    """Start the run that waits. A whole run of a can may pass between two looks: its number tells, not a button."""
    page.locator("#check-shift, #check-machine, #start").first.wait_for()
    waits = page.evaluate(_WAITING)
    start_work(page)
    for _ in range(int(_PATIENCE_MS / _LOOK_MS)):
        if page.evaluate(_WAITING) != waits:
            return
        page.wait_for_timeout(_LOOK_MS)
    pytest.fail(f"the run was not started:\n{page.locator('body').inner_text()}")


def at_step(page: Page, step: str | re.Pattern[str]) -> None:
    """Wait for a step; where a busy computer held the work for being late, go on as a person does."""
    wanted, held = page.locator("#step", has_text=step), page.locator("#resume")
    while True:
        expect(wanted.or_(held).first).to_be_visible()
        if wanted.count():
            return
        if held.count():
            press_and_hold(page, "#resume")


def to_the_end(page: Page) -> list[str]:
    """Do what each prompt says until the work has ended; returns the prompts."""
    prompts = []
    while True:
        expect(page.locator("#prompt-done, #resume, #outcome").first).to_be_visible()
        if page.locator("#outcome").count():
            return prompts
        # A busy computer may have held it for being late: a person goes on.
        button = "#resume" if page.locator("#resume").count() else "#prompt-done"
        if button == "#prompt-done":
            prompts.append(page.locator("#prompt").inner_text())
        face = page.locator(button).element_handle()
        press_and_hold(page, button)
        # The next prompt may read the same; this one is done with when its button is gone.
        face.wait_for_element_state("hidden")
