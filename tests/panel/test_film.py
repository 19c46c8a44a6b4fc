"""The film of a fill: what the page is given of a recording, and what a finger shows of it in a real browser."""

from __future__ import annotations

import gzip
import hashlib
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from near import Near
from pages import opened, people_added, sign_in
from playwright.sync_api import Browser, Page, expect
from shop_books import fill_now, journal_with
from stills import Still
from test_looks import badly_laid_out, violations
from test_web import Door
from virtual_fills import fill_of, rig_settings

from rig.control.safety import guards
from rig.ledger.black_box import FOLDER_NAME
from rig.panel.assets import BundleError, late
from rig.panel.catalogue import STATIC
from rig.panel.film import film_of, film_view
from rig.panel.listening import listening
from rig.panel.people import People
from rig.panel.server import served
from rig.panel.web import Page as Pages
from rig.run.assembly import Question
from rig.run.curves import Curves
from rig.run.refused import Refused
from rig.run.replaying import replay
from rig.shop.posting import software
from sim.taping import FileTape

FILM, OLD = "film-1", "old-1"
UPLOT = "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"
"""SHA-256 of dist/uPlot.iife.min.js in the npm package uplot 1.6.32."""
PSI, GALLON = 6.894757293168361, 3.785411784


def kept(data: Path) -> FileTape:
    """A rig's folder with a fill that an alarm ended, recorded, and one without a recording."""
    fill = fill_of(rig_settings(), Question("11L-15"), ["meter_dead@40"])
    fill.setup = replace(fill.setup, fill_id=FILM)
    tape = FileTape(data / FOLDER_NAME, fill.setup, software())
    fill.tape = tape
    fill.run(600)
    tape.close()
    journal_with(data, fill_now(OLD), fill_now(FILM))
    return tape


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("film")
    kept(folder / "rig-data")
    people_added(folder)
    return folder


def curves_in(folder: Path) -> Curves:
    curves = Curves()
    parts = sorted((folder / "rig-data" / FOLDER_NAME).glob(f"{FILM}.*"))
    assert replay(parts, software(), curves.see).identical
    return curves


async def test_a_signed_in_person_gets_the_film(tmp_path: Path) -> None:
    door = Door(tmp_path)
    kept(tmp_path)
    before = {path: path.read_bytes() for path in sorted((tmp_path / FOLDER_NAME).iterdir())}
    assert (await door.client.get(f"/api/fills/{FILM}/film")).status_code == 401
    await door.sign_in()
    for asked in (FILM, "2"):
        reply = await door.client.get(f"/api/fills/{asked}/film")
        assert reply.status_code == 200, reply.text
        film: dict[str, Any] = reply.json()
        assert (film["fill_id"], film["same"], film["ended"]) == (FILM, True, True)
        assert [each["name"] for each in film["alarms"]] == ["no_flow"]
    assert before == {path: path.read_bytes() for path in sorted((tmp_path / FOLDER_NAME).iterdir())}


async def test_what_has_no_film_is_refused_with_words(tmp_path: Path) -> None:
    door = Door(tmp_path)
    journal_with(tmp_path, fill_now(OLD))
    await door.sign_in()
    unknown = await door.client.get("/api/fills/nothing/film")
    assert unknown.status_code == 404
    unrecorded = await door.client.get(f"/api/fills/{OLD}/film")
    assert unrecorded.status_code == 422
    assert f"nothing was recorded of fill {OLD}" in unrecorded.json()["error"]
    box = tmp_path / FOLDER_NAME / f"{OLD}.1.box.gz"
    box.parent.mkdir()
    box.write_bytes(b"no recording")
    damaged = await door.client.get(f"/api/fills/{OLD}/film")
    assert damaged.status_code == 404
    assert "take the copy from a backup" in damaged.json()["error"]


def test_a_replay_pauses_after_every_few_scans(folder: Path) -> None:
    paused: list[float] = []
    film = film_view(rig_settings(rig__data=str(folder / "rig-data")), FILM, paused.append)
    scans = film["scans"]
    assert isinstance(scans, int)
    assert len(paused) == scans // 3
    assert min(paused) > 0


def test_a_film_says_where_this_program_decides_otherwise(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    left = guards.by_scope(guard for guard in guards.GUARDS if guard.name != "no_flow")
    monkeypatch.setattr(guards, "WATCHED", left)
    film: dict[str, Any] = film_view(rig_settings(rig__data=str(folder / "rig-data")), FILM, lambda _: None)
    assert film["same"] is False
    # What was reported and switched is still what happened.
    assert [each["name"] for each in film["alarms"]] == ["no_flow"]
    assert film["relays"]["pump_run"][-1][1] == film["alarms"][0]["t_s"]


def test_a_film_of_a_recording_that_was_broken_off_says_so(tmp_path: Path) -> None:
    tape = kept(tmp_path)
    (path,) = tape.parts
    whole = gzip.decompress(path.read_bytes()).splitlines(keepends=True)
    path.write_bytes(gzip.compress(b"".join(whole[: len(whole) // 2])))
    settings = rig_settings(rig__data=str(tmp_path))
    film = film_view(settings, FILM, lambda _: None)
    assert (film["same"], film["ended"]) == (True, False)
    path.write_bytes(gzip.compress(whole[0]))
    with pytest.raises(Refused, match="holds no scan yet"):
        film_view(settings, FILM, lambda _: None)


def test_a_film_of_few_points_has_the_same_extremes(folder: Path) -> None:
    curves = curves_in(folder)
    film: dict[str, Any] = film_of(curves, 60)
    assert len(film["t_s"]) < 70 < len(curves.t_s)
    for name in ("line_kpa", "tyre_kpa", "low_kpa", "high_kpa", "flow_lps", "in_tyre_l"):
        every = [value for value in getattr(curves, name) if value is not None]
        few = [value for value in film[name] if value is not None]
        assert len(film[name]) == len(film["t_s"])
        assert (min(few), max(few)) == pytest.approx((min(every), max(every)), abs=0.01)
    alarm = film["alarms"][0]
    assert alarm["t_s"] in film["t_s"]
    assert film["steps"][0][2] == "idle"
    assert film["steps"][-1][1] == film["t_s"][-1]


def test_the_library_is_as_published_and_asks_for_nothing() -> None:
    (path,) = (STATIC / "vendor").glob("uplot-*.js")
    assert hashlib.sha256(path.read_bytes()).hexdigest() == UPLOT
    text = path.read_text(encoding="utf-8")
    assert f"(v{path.name.removeprefix('uplot-').removesuffix('.min.js')})" in text
    assert text.count("http") == 1, "but its own address in the first line"
    # What the page's policy forbids or its rules exclude (tests/panel/test_web.py).
    for word in ("innerHTML", "eval(", "fetch(", "XMLHttpRequest", "Function(", "<style"):
        assert word not in text
    assert "The MIT License" in (STATIC / "vendor" / "uplot-LICENSE.txt").read_text(encoding="utf-8")


def test_a_late_module_knows_the_forms_of_the_bundle(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("rig.panel.assets.STATIC", tmp_path)
    (tmp_path / "one.js").write_text(
        "import { h } from './dom.js';\nimport { two } from './two.js';\nexport const one = two;\n", encoding="utf-8"
    )
    (tmp_path / "two.js").write_text("export const two = 2;\n", encoding="utf-8")
    made = late("one")
    assert made.startswith(
        "export const made = ({ dom: from_dom, net: from_net, units: from_units, words: from_words }) => {\n"
        "const from_two = (() => {\nconst two = 2;\n"
    )
    assert "const { h } = from_dom;\nconst { two } = from_two;\n" in made
    assert made.endswith("return { one };\n})();\nreturn from_one;\n};\n")
    (tmp_path / "one.js").write_text("export default 2;\n", encoding="utf-8")
    with pytest.raises(BundleError, match=r"one\.js: an import or export in a form"):
        late("one")


# --- in the browser -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def url(folder: Path) -> Iterator[str]:
    settings = rig_settings(rig__data=str(folder / "rig-data"))
    page = Pages(Near(Still(settings)), People(folder / "rig-data"), "rig.toml", "")
    bound = listening("127.0.0.1", 0)
    with served(page.app(), settings.panel, bound):
        yield f"http://127.0.0.1:{bound.getsockname()[1]}"
        page.hub.ended = True


def at_the_fill(page: Page, number: int) -> None:
    """Sign in and open a fill in History."""
    sign_in(page)
    if page.locator(".menu").is_visible():
        page.locator(".menu").click()
    page.get_by_role("button", name="History", exact=True).click()
    page.locator(".row", has_text=f"#{number} ").click()
    expect(page.locator("#film")).to_be_visible()


def seconds_of(page: Page) -> float:
    """The time that the words state."""
    minutes, seconds = page.locator("[data-film=when]").inner_text().split(" · ")[0].split(":")
    return 60 * int(minutes) + float(seconds)


def words_agree(page: Page, curves: Curves) -> str:
    """Compare the words for the time under the cursor with the recording; returns the step.

    The time is stated to 0.1 s, and between two scans the words are as the curve is drawn: on the line between them.
    """
    at_s = seconds_of(page)
    near = [at for at, t_s in enumerate(curves.t_s) if at_s - 0.3 <= t_s <= at_s + 0.3]
    assert near
    told = " ".join(page.locator(f"[data-film={name}]").inner_text() for name in ("figures", "pressures"))
    for words, name, unit in (
        (r"(-?[\d.]+) gal in the tyre", "in_tyre_l", GALLON), (r"· (-?[\d.]+) gpm", "flow_lps", GALLON / 60),
        (r"line (-?[\d.]+) psi", "line_kpa", PSI), (r"tyre (-?[\d.]+) \(", "tyre_kpa", PSI),
    ):  # fmt: skip
        found = re.search(words, told)
        assert found is not None, (words, told)
        values = [getattr(curves, name)[at] / unit for at in near]
        assert min(values) - 0.06 <= float(found[1]) <= max(values) + 0.06, (name, told, values)
    on = {"on: pump, fill valve" if "pump_run" in curves.on[at] else "all off" for at in near}
    assert page.locator("[data-film=relays]").inner_text() in on
    return page.locator("[data-film=when]").inner_text().split(" · ")[1]


def dragged(page: Page, share: float) -> None:
    """Drag a finger over the first plot, from its beginning to a share of its width."""
    over = page.locator(".u-over").first.bounding_box()
    assert over is not None
    finger = page.context.new_cdp_session(page)
    for step in range(7):
        x, y = over["x"] + 5 + (over["width"] * share - 5) * min(step, 5) / 5, over["y"] + 40 + step
        kind = "touchStart" if step == 0 else "touchEnd" if step == 6 else "touchMove"
        points = [] if kind == "touchEnd" else [{"x": x, "y": y}]
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


@pytest.mark.full
@pytest.mark.parametrize(("width", "height", "scheme"), [(360, 740, "light"), (1280, 800, "dark")])
def test_a_finger_scrubs_a_film(browser: Browser, folder: Path, url: str, width: int, height: int, scheme: str) -> None:
    curves = curves_in(folder)
    page = opened(browser, url, width=width, height=height)
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    errors: list[str] = []
    asked: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda told: errors.append(told.text) if told.type == "error" else None)
    page.on("request", lambda request: asked.append(request.url))
    at_the_fill(page, 2)
    assert not [each for each in asked if "/static/film" in each or "/static/plots" in each]
    page.locator("#film").click()
    expect(page.locator(".u-over")).to_have_count(4)
    # It begins at the alarm, whose cause is in words and leads to the guide.
    assert seconds_of(page) == pytest.approx(curves.alarms[0].t_s, abs=0.06)
    expect(page.locator("[data-film=alarm]")).to_contain_text("Pump runs, nothing is counted")
    expect(page.locator(".causes")).to_contain_text(curves.alarms[0].text)
    assert page.locator(".causes a").get_attribute("href") == "/guide/alarms/no_flow"
    words_agree(page, curves)
    # A drag over a plot, to a time at which the pump runs.
    pumped = [t_s for t_s, on in zip(curves.t_s, curves.on, strict=True) if "pump_run" in on]
    dragged(page, pumped[len(pumped) // 2] / curves.t_s[-1])
    expect(page.locator("[data-film=relays]")).to_have_text("on: pump, fill valve")
    expect(page.locator("[data-film=alarm]")).to_have_text("")
    assert words_agree(page, curves) == "Fill"
    # Keys move it by half a second, on all four plots alike.
    before = seconds_of(page)
    page.locator("#scrub").press("ArrowLeft")
    assert 0 < before - seconds_of(page) <= 1.1
    words_agree(page, curves)
    places = {
        round(float(each.evaluate("(e) => new DOMMatrix(getComputedStyle(e).transform).m41")))
        for each in page.locator(".u-cursor-x").all()
    }
    assert len(places) == 1
    assert [*badly_laid_out(page), *violations(page)] == []
    if shots := os.environ.get("RIG_SHOTS"):
        page.screenshot(path=Path(shots) / f"{width}_film.png")
    page.locator("[data-alarm=no_flow]").click()
    assert seconds_of(page) == pytest.approx(curves.alarms[0].t_s, abs=0.06)
    page.locator("#film-close").click()
    expect(page.locator("#film")).to_be_focused()
    assert errors == []


@pytest.mark.full
def test_a_fill_without_a_recording_says_why(browser: Browser, url: str) -> None:
    page = opened(browser, url)
    at_the_fill(page, 1)
    page.locator("#film").click()
    expect(page.get_by_role("alert").get_by_text(f"nothing was recorded of fill {OLD}")).to_be_visible()
    expect(page.locator("#film")).to_be_enabled()
