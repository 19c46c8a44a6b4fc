"""Whether the page can be read, reached and hit: axe-core's rules, contrast, sizes, no sideways scrolling.

axe-core is not ours and knows the rules of WCAG 2.2; contrast of 7:1 is its rule for AAA. Sizes: a phone of 360 CSS
pixels is about 68 mm wide, so 64 pixels are 12 mm and 106 are 20 mm.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pages import Served, at_step, opened, page_served, press_and_hold, sign_in, start_run, start_work
from playwright.sync_api import Browser, Page, expect
from processes import ROOT, command
from shop_books import fill_of, journal_with

AXE = Path(__file__).resolve().parents[2] / ".node" / "node_modules" / "axe-core" / "axe.min.js"
TOUCH_PX, STOP_PX = 64, 106
MANY_WHEELS = "".join(f'\n[wheels."Mill {number}"]\nsize = "11L-15"\ntook = "47 L"\n' for number in range(1, 9))
"""More wheels of the shop than the first screen shows without a touch; invented."""
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    "rules": {"color-contrast-enhanced": {"enabled": True}, "target-size": {"enabled": True}},
}


def axe() -> str:
    """The source of axe-core."""
    if not AXE.exists():
        text = "npm package missing: npm install --prefix .node axe-core@4.11.0"
        if os.environ.get("RIG_NO_SKIPS"):
            pytest.fail(text)
        pytest.skip(text)
    return AXE.read_text(encoding="utf-8")


def violations(page: Page) -> list[str]:
    """What axe-core finds on the page as it stands."""
    page.evaluate(axe())
    found: dict[str, Any] = page.evaluate("async (rules) => await axe.run(document, rules)", RULES)
    return [f"{each['id']}: {node['html'][:200]}" for each in found["violations"] for node in each["nodes"]]


def badly_laid_out(page: Page) -> list[str]:
    """What sticks out sideways, and what a glove would miss."""
    faults: list[str] = page.evaluate(
        """([touch, stop]) => {
          const wide = document.scrollingElement.scrollWidth - innerWidth;
          const faults = wide > 0 ? [`scrolls sideways by ${wide}`] : [];
          for (const e of document.querySelectorAll('button, select, input, summary')) {
            const box = (e.type === 'radio' ? e.parentElement : e).getBoundingClientRect();
            const named = e.outerHTML.slice(0, 120);
            if (box.width && (box.height < touch || box.width < touch)) faults.push(`small: ${named}`);
            if (box.width && box.right > innerWidth + 1) faults.push(`cut off: ${named}`);
          }
          const box = document.getElementById('stop').getBoundingClientRect();
          const hidden = box.bottom > innerHeight || box.top < 0;
          if (hidden || box.height < stop) faults.push(`STOP: ${box.top} ${box.height}`);
          return faults;
        }""",
        [TOUCH_PX, STOP_PX],
    )
    return faults


def signed_out(page: Page) -> None:
    """Leave the controls to who comes next."""
    if page.locator(".menu").is_visible():
        page.locator(".menu").click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("button", name="Sign in", exact=True)).to_be_visible()
    page.context.close()


def looked_at_by_the_supervisor(browser: Browser, url: str, width: int, look: Callable[[Page, str], None]) -> None:
    """The screens around a fill: other work, the meter with its proving, the configuration."""
    page = opened(browser, url, width=width, height=900)
    sign_in(page, "Sam")
    page.get_by_text("Take liquid out of a wheel").click()
    page.get_by_text("How much, which wheel").click()
    page.get_by_text("Rinse the line").click()
    look(page, "other-work")
    shows = {"Stock": ".tote", "Customers": "#customer-new", "Settings": ".config .groups", "Meter": "#prove-can"}
    for tab, shown in shows.items():
        if page.locator(".menu").is_visible():
            page.locator(".menu").click()
        page.get_by_role("button", name=tab, exact=True).click()
        expect(page.locator(shown)).to_be_visible()
        if tab == "Customers":
            page.locator("#customer-new").click()
        if tab == "Settings":
            look(page, "settings")
            page.locator('details[data-path="limits"] > summary').click()
            page.locator('[data-key="limits.trip"]').fill("24 psi")
            page.get_by_text("The whole file as text").click()
        if tab == "Stock":
            page.locator("#stock-amount").fill("240 gal")
            page.get_by_text("Which tote, reorder mark").click()
            page.locator("#stock-capacity").fill("275 gal")
            page.locator("#stock-reorder").fill("300 gal")
            page.locator("#tell-stock").click()
            expect(page.get_by_text("ORDER AGAIN")).to_be_visible()
        look(page, tab.lower())
    page.get_by_text("By weight instead").click()
    page.locator("#prove-can").fill("20 L")
    page.locator("#prove-runs").fill("1")
    page.locator("#prove-order").click()
    expect(page.locator("#check-shift")).to_be_visible()
    look(page, "at-the-can")
    for _ in range(2):
        start_run(page)
    expect(page.locator("#reading")).to_be_visible()
    look(page, "reading")
    page.locator("#reading").fill("20.01 L")
    page.locator("#keep-reading").click()
    expect(page.locator("#leave-factor")).to_be_visible()
    look(page, "verdict")
    page.locator("#leave-factor").click()
    page.locator("summary").filter(has_text="#1").click()
    look(page, "provings")
    signed_out(page)


def looked_at_another_liquid(page: Page, look: Callable[[Page, str], None]) -> None:
    """The steps of a change of liquid, each as it is the next one; and the job put away and taken up again."""
    page.get_by_role("button", name="Another liquid in these wheels").click()
    expect(page.locator("#convert-to")).to_be_visible()
    look(page, "convert-begin")
    page.locator("#convert-to").fill("beet")
    page.locator("#convert-keep").click()
    page.get_by_text("Which wheels change").click()
    page.get_by_text("It is out already").click()
    page.get_by_text("Note another step").click()
    look(page, "convert-out")
    page.get_by_role("button", name="Note it").click()
    for word in ("rinse", "inspect rim", "new valve"):
        expect(page.locator(f"[data-note='{word}']")).to_be_visible()
        look(page, f"convert-{word.replace(' ', '-')}")
        page.locator(f"[data-note='{word}']").click()
    page.locator("#charge-item").fill("core")
    page.locator("#charge-keep").click()
    expect(page.locator("#charges")).to_be_visible()
    expect(page.locator("[data-act='refill']")).to_be_visible()
    look(page, "convert-refill")
    page.locator("#leave-convert").click()
    expect(page.locator(".next")).to_contain_text("next: Refill (to beet)")
    look(page, "jobs-converting")
    page.get_by_text("All wheels: 0 of 2 done").click()
    page.get_by_role("button", name="Change this job").click()
    page.get_by_text("This job is not to be done").click()
    look(page, "put-away")
    page.locator("#why-away").fill("entered twice")
    press_and_hold(page, "#put-away")
    page.get_by_text("Finished jobs").click()
    page.get_by_text("All wheels: 0 of 2 done").click()
    look(page, "jobs-away")


def looked_at_a_quote(browser: Browser, served: Served, width: int, look: Callable[[Page, str], None]) -> None:
    """A job's quote before and after the work, and how alike its wheels came out; then those of the whole book."""
    folder, config = served.rig.folder, ("--config", "rig.toml")
    assert command(folder, "prices", str(ROOT / "config" / "prices.toml"), *config).returncode == 0
    page = opened(browser, served.url, width=width, height=900)
    sign_in(page)
    page.locator("#new-job").click()
    page.locator("#job-size").fill("16.9-28")
    page.locator("#add").click()
    page.locator("#keep-job").click()
    job = page.locator(".job h3").inner_text()
    assert command(folder, "quote", job, "16.9-28", "16.9-28", "--item", "core", *config).returncode == 0
    page.reload()
    page.locator(".quote summary").click()
    look(page, "quote")
    press_and_hold(page, ".quote button.hold")
    expect(page.locator(".quote summary")).to_contain_text("accepted by Jo")
    nets = {"rear left": 261.2, "rear right": 258.0}
    journal_with(
        folder / "rig-data",
        *(fill_of(f"quoted-{net_l:.0f}", job=job, position=at, net_l=net_l) for at, net_l in nets.items()),
    )
    page.reload()
    page.get_by_text("Finished jobs (1)").click()
    page.get_by_text("All wheels: 2 of 2 done").click()
    page.locator(".quote summary").click()
    expect(page.locator("figure.fleet")).to_be_visible()
    look(page, "fleet")
    if page.locator(".menu").is_visible():
        page.locator(".menu").click()
    page.get_by_role("button", name="History", exact=True).click()
    page.locator("#alike summary").click()
    expect(page.locator("figure.fleet")).to_be_visible()
    look(page, "fleet-of-the-book")
    signed_out(page)


def looked_at(browser: Browser, url: str, width: int, height: int, look: Callable[[Page, str], None]) -> None:
    """Walk through every screen of one fill, which a page of this size looks at and drives."""
    page = opened(browser, url, width=width, height=height)
    look(page, "looking")
    page.get_by_role("button", name="Sign in", exact=True).click()
    expect(page.locator("#pin")).to_be_visible()
    look(page, "sign-in")
    page.reload()
    sign_in(page)
    page.get_by_text("More wheels of the shop (3)").click()
    look(page, "wheels")
    page.locator("#new-job").click()
    page.get_by_text("Fluid, target, valve").click()
    page.locator("#job-size").fill("16.9-28")
    page.locator("#job-customer").fill("A. Miller, Upper Mill Farm")
    page.locator("#add").click()
    look(page, "job")
    page.locator("#keep-job").click()
    page.get_by_text("All wheels: 0 of 2 done").click()
    look(page, "jobs")
    looked_at_another_liquid(page, look)
    page.get_by_role("button", name="loader-rear 16.9-28").click()
    expect(page.locator("#sentence")).to_be_visible()
    look(page, "answer")
    page.locator("#details").click()
    look(page, "answer-details")
    page.locator("#details").click()
    start_work(page)
    at_step(page, "Fill")
    look(page, "fill")
    page.get_by_role("button", name="HOLD", exact=True).click()
    expect(page.locator("#resume")).to_be_visible()
    look(page, "held")
    press_and_hold(page, "#resume")
    expect(page.locator("#prompt-done")).to_be_visible()
    look(page, "prompt")
    page.locator("#stop").click()
    expect(page.locator("#outcome")).to_be_visible()
    look(page, "done")
    page.locator("#details").click()
    expect(page.locator("summary").first).to_be_visible()
    look(page, "done-details")
    if page.locator(".menu").is_visible():
        page.locator(".menu").click()
        look(page, "menu")
    page.get_by_role("button", name="History", exact=True).click()
    page.locator(".row").first.click()
    page.get_by_text("Ticket", exact=True).click()
    expect(page.locator("pre")).to_be_visible()
    look(page, "history")
    page.context.close()


@pytest.mark.release
@pytest.mark.parametrize(("width", "height"), [(360, 740), (1280, 900)])
def test_every_screen_can_be_read_and_hit(browser: Browser, tmp_path: Path, width: int, height: int) -> None:
    folder = os.environ.get("RIG_SHOTS")
    faults: list[str] = []

    def look(page: Page, name: str) -> None:
        faults.extend(f"{name}: {each}" for each in [*badly_laid_out(page), *violations(page)])
        if folder:
            page.screenshot(path=Path(folder) / f"{width}_{name}.png", full_page=True)

    with page_served(tmp_path, size='"16.9-28"', scale="60", extra=MANY_WHEELS) as served:
        looked_at_by_the_supervisor(browser, served.url, width, look)
        looked_at_a_quote(browser, served, width, look)
        looked_at(browser, served.url, width, height, look)
    assert faults == []


def test_the_checks_can_fail(browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 360, "height": 740})
    page.set_content("<p style='color:#767676'>pale</p><button id='stop'>x</button><div style='width:900px'>wide</div>")
    # 4.54:1, enough for AA (4.5) and too little for sunlight (7).
    assert any(each.startswith("color-contrast-enhanced") for each in violations(page))
    faults = badly_laid_out(page)
    assert any("sideways" in each for each in faults)
    assert any("small" in each for each in faults)
    assert any("STOP" in each for each in faults)
    page.close()
