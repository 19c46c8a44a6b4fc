"""The office's page in a browser: read on a phone and at a desk, by day and by night, within WCAG's rules."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from pages import browsing
from playwright.sync_api import Page, expect
from processes import PATIENCE_S, ROOT
from shops import HILL, PIN, Shop, shop
from test_looks import violations

from rig.panel.office.access import ACCESS
from rig.panel.people import OFFICE_FILE, People

pytestmark = pytest.mark.full
LEAST_PX = 44
"""Target size of WCAG 2.2, success criterion 2.5.5 (AAA)."""
SIZES = {"phone": (360, 740), "desk": (1280, 800)}


@contextmanager
def served(made: Shop) -> Iterator[str]:
    """The page's address, as `rig office serve --page` prints it."""
    command = [sys.executable, "-m", "rig.cli", "office", "serve", "--page", "--url", made.url,
               "--host", "127.0.0.1", "--port", "0", "--page-port", "0"]  # fmt: skip
    process = subprocess.Popen(
        command, cwd=made.folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        match = re.search(r"page: (https\S+)", process.stdout.readline())
        assert match is not None
        yield match[1]
    finally:
        process.terminate()
        process.wait(PATIENCE_S)
        process.stdout.close()


def faults_of(page: Page) -> list[str]:
    """What sticks out sideways, and what a finger would miss."""
    faults: list[str] = page.evaluate(
        """(least) => {
          const wide = document.scrollingElement.scrollWidth - innerWidth;
          const work = document.getElementById('work');
          const faults = wide > 0 || work.scrollWidth > work.clientWidth ? [`scrolls sideways by ${wide}`] : [];
          for (const e of document.querySelectorAll('button, select, input')) {
            const box = e.getBoundingClientRect();
            const named = e.outerHTML.slice(0, 120);
            if (box.width && (box.height < least || box.width < least)) faults.push(`small: ${named}`);
            if (box.width && box.right > innerWidth + 1) faults.push(`cut off: ${named}`);
          }
          return faults;
        }""",
        LEAST_PX,
    )
    return faults


def signed_in(page: Page, url: str) -> None:
    page.goto(url)
    page.locator("#field-name").fill("owner")
    page.locator("#field-pin").fill(PIN)
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator('[data-part="trucks"] table')).to_be_visible()


def test_every_part_can_be_read_by_day_and_by_night(tmp_path: Path) -> None:
    pictures = Path(os.environ.get("RIG_PICTURES", str(tmp_path)))
    faults: list[str] = []
    with served(shop(tmp_path)) as url, browsing() as browser:
        for size, (width, height) in SIZES.items():
            page = browser.new_context(viewport={"width": width, "height": height}, ignore_https_errors=True).new_page()
            errors: list[str] = []
            page.on("pageerror", lambda error, errors=errors: errors.append(str(error)))
            page.goto(url)
            expect(page.locator("#field-name")).to_be_visible()
            page.screenshot(path=pictures / f"{size}-sign.png")
            faults += [f"{size} sign: {each}" for each in (*faults_of(page), *violations(page))]
            page.locator("#language").select_option("de")
            expect(page.locator("html")).to_have_attribute("lang", "de")
            expect(page.get_by_role("button", name="Anmelden")).to_be_visible()
            page.locator("#language").select_option("en")
            expect(page.locator("html")).to_have_attribute("lang", "en")
            signed_in(page, url)
            for area in ACCESS:
                page.locator(f'#parts [data-part="{area}"]').click()
                expect(page.locator(f'#work > [data-part="{area}"]')).to_be_visible()
                if area == "wheels":
                    page.locator("#field-customer").fill(HILL)
                    page.get_by_role("button", name="Show").click()
                    expect(page.get_by_text("Loader 1")).to_be_visible()
                    expect(page.locator("svg.machine .tyre")).to_have_count(2)
                page.screenshot(path=pictures / f"{size}-{area}.png")
                for scheme in ("light", "dark"):
                    page.emulate_media(color_scheme=scheme)
                    faults += [f"{size} {area} {scheme}: {each}" for each in (*faults_of(page), *violations(page))]
                page.screenshot(path=pictures / f"{size}-{area}-night.png")
                page.emulate_media(color_scheme="light")
            assert errors == []
            page.get_by_role("button", name="Sign out").click()
            expect(page.locator("#field-name")).to_be_visible()
            assert HILL not in page.content()
    assert faults == []


def test_people_are_entered_at_the_office_alone(tmp_path: Path) -> None:
    made = shop(tmp_path)
    words = [sys.executable, "-m", "rig.cli", "office", "people", "Kim", "--json", "--url", made.url]

    def run(*more: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*words, *more], cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, input="4711\n",
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    assert '{"name": "Kim", "role": "bookkeeper"}' in run("--role", "bookkeeper").stdout
    assert People(tmp_path, OFFICE_FILE).known("kim", "4711") is not None
    assert "--role owner|bookkeeper" in run().stderr
    assert "Kim" not in run("--remove").stdout
