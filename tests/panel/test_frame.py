"""One fixed frame: what is visible in every state at every size; nothing scrolls or moves, and all can be read.

Every state is a prepared moment (tests/panel/stills.py). Visible means in the viewport and not covered where it stands.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from pages import opened, sign_in
from playwright.sync_api import Browser, Page, expect
from stills import STATES, Stills, stills
from test_looks import violations

from rig.control.safety.guards import GUARDS
from rig.panel.catalogue import STATIC

SIZES = [(360, 640), (360, 740), (740, 360), (800, 480), (1024, 600), (1280, 800), (1920, 1080)]
LARGE_TEXT = [(360, 740), (1280, 800)]
PARTS = ("state", "litres", "pressure", "next", "cause", "first-action", "act", "hold", "stop")
EVIDENCE = {"state", "litres", "pressure", "stop"}
WANTED = {
    "ready check": EVIDENCE | {"next", "act"},
    **dict.fromkeys(
        ("filling", "settling", "air out", "emptying", "rinse", "proving run"), EVIDENCE | {"next", "hold"}
    ),
    **dict.fromkeys(("prompt", "held", "by hand"), EVIDENCE | {"next", "act"}),
    **dict.fromkeys(("alarm", "tripped", "pressure trip"), EVIDENCE | {"cause", "first-action", "act"}),
    "done": EVIDENCE | {"next", "act"},
    "stale": {"state", "first-action", "stop"},
}
LARGE_PX = 100
"""Height of the litres' characters, where the viewport allows it: 16 to 20 minutes of arc at two metres."""

LOOK = """(parts) => {
  const seen = {};
  for (const part of parts) {
    const all = [...document.querySelectorAll(`[data-part="${part}"]`)].filter((e) => e.getClientRects().length);
    if (!all.length) continue;
    const box = all[0].getBoundingClientRect();
    const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
    const at = document.elementFromPoint(x, y);
    const inside = box.left >= -1 && box.top >= -1 && box.right <= innerWidth + 1 && box.bottom <= innerHeight + 1;
    // Cut off by a parent that hides what runs over counts as not seen.
    let cut = false;
    for (let e = all[0].parentElement; e; e = e.parentElement) {
      const own = e.getBoundingClientRect();
      const hides = getComputedStyle(e).overflowY !== 'visible';
      cut ||= hides && (box.bottom > own.bottom + 2 || box.top < own.top - 2 || box.right > own.right + 2);
    }
    const free = at !== null && (all[0].contains(at) || at.contains(all[0]));
    const why = [inside ? '' : 'outside', free ? '' : 'covered', cut ? 'cut' : ''].join(' ').trim();
    seen[part] = { visible: !why, why, box: [box.left, box.top, box.width, box.height].map(Math.round) };
  }
  const figure = document.querySelector('.big .figure');
  const runs = (e) => e.scrollHeight > e.clientHeight + 2 || e.scrollWidth > e.clientWidth + 2;
  const over = [...document.querySelectorAll('html, body, .word, #work, .frame, .press, .tell, .second, #foot')]
    .filter(runs).map((e) => e.className || e.id || e.tagName);
  // The large digits have air above and below them, which is no part of what is seen.
  const big = document.querySelector('.big')?.getBoundingClientRect();
  const below = (e) => e.getBoundingClientRect().bottom > big.bottom + 2;
  if ([...document.querySelectorAll('.big .figure, .big p')].some(below)) over.push('big');
  return { seen, over, px: figure ? parseFloat(getComputedStyle(figure).fontSize) : 0,
           wide: [...document.querySelectorAll('#foot button')].filter(runs).map((e) => e.id) };
}"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stills]:
    with stills(tmp_path_factory.mktemp("stills")) as found:
        yield found


def looking_at(browser: Browser, served: Stills) -> Page:
    """A page of its own, signed in and with the controls, whoever looked before."""
    served.show("ready check")
    served.sessions.driver = None
    page = opened(browser, served.url)
    sign_in(page)
    return page


def gone_to(page: Page, served: Stills, name: str) -> None:
    """Show a state and wait until the page has it."""
    served.show(name)
    if name == "ready check":
        expect(page.locator(".frame.filling")).to_have_count(0)
        if not page.locator("#sentence").count():
            page.get_by_role("button", name="loader-rear 16.9-28").click()
        expect(page.locator("#check-shift")).to_be_visible()
        return
    if name == "stale":
        expect(page.locator("#stale")).to_be_visible()
    elif name == "done":
        expect(page.locator("#outcome")).to_be_visible()
        expect(page.locator(".soon li").first).to_be_visible()
    else:
        expect(page.locator(f".filling[data-fill='{name}']")).to_be_visible()


def row(name: str, size: str, look: dict[str, Any]) -> str:
    seen = look["seen"]
    signs = [("yes" if seen[part]["visible"] else seen[part]["why"]) if part in seen else "-" for part in PARTS]
    return f"{name:14} {size:15} {look['px']:4.0f} " + " ".join(f"{sign:12}" for sign in signs)


def faults_of(name: str, size: str, look: dict[str, Any], *, large: bool) -> list[str]:
    seen = look["seen"]
    found = [f"{part} not visible" for part in sorted(WANTED[name]) if not seen.get(part, {}).get("visible")]
    found += [f"{part} stands there" for part in {"act", "hold"} - WANTED[name] if part in seen]
    found += [f"runs over: {each}" for each in look["over"] if not large or each not in ("tell", "tell now")]
    found += [f"too wide for its key: {each}" for each in look["wide"]]
    if name != "stale" and not large and look["px"] < LARGE_PX:
        found.append(f"figure of {look['px']:.0f} px")
    return [f"{name} {size}: {each}" for each in found]


@pytest.mark.full
def test_every_state_is_whole_at_every_size(browser: Browser, served: Stills) -> None:
    page = looking_at(browser, served)
    sizes = [(size, False) for size in SIZES] + [(size, True) for size in LARGE_TEXT]
    places: dict[str, dict[str, set[tuple[int, ...]]]] = {}
    faults, table = [], [f"{'state':14} {'size':15}   px " + " ".join(f"{part:12}" for part in PARTS)]
    for name in STATES:
        gone_to(page, served, name)
        for (width, height), large in sizes:
            page.set_viewport_size({"width": width, "height": height})
            page.evaluate(f"document.documentElement.style.fontSize = {json.dumps('225%' if large else '')}")
            look = page.evaluate(LOOK, list(PARTS))
            size = f"{width}x{height}{' 200 %' if large else ''}"
            table.append(row(name, size, look))
            faults += faults_of(name, size, look, large=large)
            for part in ("state", "act", "hold", "stop"):
                if part in look["seen"]:
                    key = "act" if part == "hold" else part
                    places.setdefault(size, {}).setdefault(key, set()).add(tuple(look["seen"][part]["box"]))
    print("\n" + "\n".join(table))
    moved = [
        f"{size}: {part} at {boxes}"
        for size, parts in places.items()
        for part, boxes in parts.items()
        if len(boxes) > 1
    ]
    assert not faults + moved, "\n".join(faults + moved)


@pytest.mark.full
@pytest.mark.parametrize("locale", ["en-US", "de-DE"])
def test_cause_and_first_action_of_every_alarm_fit_a_phone(browser: Browser, served: Stills, locale: str) -> None:
    served.show("filling")
    page = browser.new_context(locale=locale, has_touch=True).new_page()
    page.goto(served.url)
    faults = []
    for guard in GUARDS:
        gone_to(page, served, guard.name)
        for width, height in SIZES[:3]:
            page.set_viewport_size({"width": width, "height": height})
            look = page.evaluate(LOOK, list(PARTS))
            missing = {part for part in ("cause", "first-action") if not look["seen"].get(part, {}).get("visible")}
            faults += [
                f"{guard.name} {width}x{height}: {part} {look['seen'].get(part, {}).get('why')}"
                for part in sorted(missing)
            ]
    assert not faults, "\n".join(faults)


def test_every_alarm_has_a_cause_of_at_most_six_words() -> None:
    texts = json.loads((STATIC / "texts.json").read_text(encoding="utf-8"))
    causes = {key.removeprefix("cause."): text for key, text in texts.items() if key.startswith("cause.")}
    assert set(causes) == {guard.name for guard in GUARDS}
    assert {name: text for name, text in causes.items() if len(text.split()) > 6} == {}


@pytest.mark.full
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_state_can_be_read_by_day_and_by_night(browser: Browser, served: Stills, scheme: str) -> None:
    page = looking_at(browser, served)
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    faults = []
    for name in STATES:
        gone_to(page, served, name)
        faults += [f"{name}: {each}" for each in violations(page)]
    assert faults == []
