"""How much the page weighs on the wire: its first view, a reload, the stream of a fill; and how little it jumps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from near import Near
from playwright.sync_api import Browser, CDPSession, Page, expect
from stills import QUESTION, Stills, stills
from streams import Picture, merged
from virtual_fills import fill_of, rig_settings

from rig.control.moves.decide import Decision
from rig.control.words.procedure import Phase
from rig.panel.assets import BundleError, bundle
from rig.panel.hub import PERIOD_S, Hub
from rig.panel.sessions import Sessions
from rig.run.facade import Facade, Shown

FIRST_VIEW = 60_500, 6
RELOAD = 3_000
STREAM_BYTES_S = 1500
SHIFT = 0.05
"""Bytes on the wire and requests; bytes; bytes a second; layout shift, of which 0.1 is "good" (web.dev, CLS)."""

SHIFTS = """() => new Promise((done) => {
  let sum = 0;
  const add = (list) => list.getEntries().forEach((each) => { sum += each.value; });
  new PerformanceObserver(add).observe({ type: 'layout-shift', buffered: true });
  requestAnimationFrame(() => requestAnimationFrame(() => done(sum)));
})"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stills]:
    with stills(tmp_path_factory.mktemp("light")) as found:
        yield found


@dataclass
class Wire:
    """What has been asked for and what came, by the browser's own count, headers included; no stream."""

    session: CDPSession
    asked: dict[str, str] = field(default_factory=dict)
    came: dict[str, float] = field(default_factory=dict)

    def begin(self) -> None:
        self.session.send("Network.enable")
        self.session.on("Network.requestWillBeSent", self._sent)
        self.session.on("Network.loadingFinished", self._finished)

    def _sent(self, event: dict[str, Any]) -> None:
        self.asked[event["requestId"]] = event["request"]["url"]

    def _finished(self, event: dict[str, Any]) -> None:
        self.came[event["requestId"]] = event["encodedDataLength"]

    def anew(self) -> None:
        self.asked.clear()
        self.came.clear()

    def told(self) -> str:
        rows = [f"{self.came.get(each, 0):7.0f} {url}" for each, url in self.asked.items()]
        return "\n".join([*rows, f"{sum(self.came.values()):7.0f} in {len(rows)} requests"])


def looked_at(page: Page) -> None:
    expect(page.locator("#act button")).to_be_visible()
    page.wait_for_load_state("load")


@pytest.mark.full
@pytest.mark.parametrize("name", ["ready check", "filling"])
def test_first_view_and_reload(browser: Browser, served: Stills, name: str) -> None:
    served.show(name)
    page = browser.new_context(viewport={"width": 360, "height": 740}).new_page()
    wire = Wire(page.context.new_cdp_session(page))
    wire.begin()
    page.goto(served.url)
    looked_at(page)
    print(f"\n{name}\n{wire.told()}")
    most, requests = FIRST_VIEW
    assert sum(wire.came.values()) <= most
    # A fill's trace is one more.
    assert len(wire.asked) <= requests + (name == "filling")
    assert page.evaluate(SHIFTS) < SHIFT
    wire.anew()
    page.reload()
    looked_at(page)
    print(wire.told())
    assert sum(wire.came.values()) <= RELOAD
    assert page.evaluate(SHIFTS) < SHIFT


def test_the_stream_of_a_fill_is_thin_and_merges_to_the_whole() -> None:
    fill = fill_of(rig_settings(), QUESTION)
    facade = Facade(fill.rig.settings)
    facade.begins(Shown(QUESTION.size), QUESTION)
    hub = Hub(Near(facade), Sessions())
    sent, pictures, seen = 0, 0, Picture()

    def watch(decision: Decision) -> None:
        nonlocal sent, pictures, seen
        if decision.state.phase is not Phase.FILL:
            return
        facade(fill.setup, decision)
        hub.draw()
        line = hub.line(whole=not pictures)
        sent += len(line) if pictures else 0
        pictures += 1
        seen = merged(seen, line.rstrip())
        assert seen == merged({}, hub.line(whole=True).rstrip())

    fill.watch = watch
    fill.run(most_s=120.0)
    assert pictures > 100
    rate = sent / (pictures - 1) / PERIOD_S
    print(f"\n{rate:.0f} bytes a second over {pictures} pictures; a whole one has {len(hub.line(whole=True))}")
    assert rate <= STREAM_BYTES_S


def test_modules_in_a_circle_are_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("rig.panel.assets.STATIC", tmp_path)
    (tmp_path / "one.js").write_text("import { two } from './two.js';\nexport const one = two;\n", encoding="utf-8")
    (tmp_path / "two.js").write_text("export const two = 2;\n", encoding="utf-8")
    assert "return { one };" in bundle("one", {})
    (tmp_path / "two.js").write_text("import { one } from './one.js';\nexport const two = one;\n", encoding="utf-8")
    with pytest.raises(BundleError, match="one imports two imports one"):
        bundle("one", {})
    (tmp_path / "two.js").write_text("export default 2;\n", encoding="utf-8")
    with pytest.raises(BundleError, match=r"two\.js: an import or export in a form"):
        bundle("one", {})
