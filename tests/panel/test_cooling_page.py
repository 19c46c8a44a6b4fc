"""A pump that has run dry for as long as it may rests: the picture tells it, and the page its minutes."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from near import Near
from pages import browsing, opened, page_served, sign_in, start_work
from playwright.sync_api import expect
from virtual_fills import fill_of, rig_settings, run_fill

from rig.control.moves.decide import Decision
from rig.panel.view import Picture, picture
from rig.run.assembly import Question
from rig.run.facade import Facade, Shown

REST_S = 300.0


@pytest.mark.release
def test_the_picture_tells_how_long_the_pump_still_rests() -> None:
    hot = {"pump__dry_run": "30 s", "pump__dry_rest": f"{REST_S:g} s"}
    settings = rig_settings("draw-down", **hot)
    facade, question = Facade(settings), Question("16.9-28")
    setup = fill_of(settings, question).setup
    facade.begins(Shown(question.size), question)
    seen: list[Picture] = []

    def see(decision: Decision) -> None:
        facade(setup, decision)
        fill = picture(Near(facade), time.monotonic(), None, None)["fill"]
        assert isinstance(fill, dict)
        seen.append(fill)

    ran = run_fill(question=question, layout="draw-down", watch=see, **hot)
    assert ran.record["outcome"] == "complete", ran.alarms
    left = [fill["cooling_s"] for fill in seen if fill["cooling_s"] is not None]
    # From the whole rest down to nothing, with the pump off and the page on "running": the wait is part of the fill.
    assert REST_S - 5 <= max(left) <= REST_S
    assert min(left) < 15
    assert {(fill["state"], *fill["outputs"]) for fill in seen if fill["cooling_s"] is not None} == {("running",)}
    assert [seen[0]["cooling_s"], seen[-1]["cooling_s"]] == [None, None]


@pytest.mark.release
def test_the_page_says_that_the_pump_cools_and_for_how_many_minutes(tmp_path: Path) -> None:
    hot = f'"30 s"\ndry_rest = "{REST_S:g} s"'
    with (
        browsing() as browser,
        page_served(tmp_path, layout="draw-down", size='"16.9-28"', scale="60", dry_run=hot) as served,
    ):
        page = opened(browser, served.url)
        sign_in(page)
        page.locator("#field-size").fill("16.9-28")
        page.locator("#ask").click()
        start_work(page)
        expect(page.locator("#step")).to_have_text("Let the pump cool")
        expect(page.locator("#todo")).to_contain_text(re.compile(r"It goes on by itself in [1-5] min; nothing to do"))
        expect(page.locator("#prompt-done")).to_have_count(0)
        expect(page.locator("#step")).not_to_have_text("Let the pump cool")
        page.locator("#stop").click()
        expect(page.locator("#outcome")).to_contain_text("Stopped")
