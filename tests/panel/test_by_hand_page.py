"""A fill by hand as the page shows it: the person throws the lever, the page counts, shows the level and warns."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from pages import opened, page_process, people_added, press_and_hold, sign_in, start_work
from playwright.sync_api import Browser, expect
from processes import ROOT, Rig, configuration
from pymodbus.client import ModbusTcpClient

GAL = 3.785411784
LEVER, BACK = 20, 21
HANDS = "\n".join(
    f'[points.{name}]\nlink = "io"\ntable = "coil"\naddress = {address}\n'
    for name, address in (("hand_lever_forward", LEVER), ("hand_lever_back", BACK), ("hand_vent_open", 22))
)


@contextmanager
def lever_rig(folder: Path) -> Iterator[tuple[Rig, ModbusTcpClient]]:
    """A simulated rig whose pump has a lever, and a hand on it."""
    path = configuration(folder, scale="20", size='"11L-15"', extra=HANDS)
    text = re.sub(r"(?m)^(pump_reverse|vent_valve) *=.*\n", "", path.read_text(encoding="utf-8"))
    path.write_text(text.replace("simulated = true", "simulated = true\nby_hand = true"), encoding="utf-8")
    words = [sys.executable, "-m", "sim", "serve", "--config", "rig.toml", "--port", "0", "--truth", "truth.json"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(words, cwd=folder, env=environment, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        match = re.search(r":(\d+)\s*$", process.stdout.readline())
        assert match is not None
        path.write_text(re.sub(r"(?m)^port = .*$", f"port = {match[1]}", path.read_text("utf-8")), encoding="utf-8")
        with ModbusTcpClient("127.0.0.1", port=int(match[1])) as hand:
            yield Rig(folder, process), hand
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


@pytest.mark.full
def test_the_page_counts_and_warns_while_a_person_has_the_lever(browser: Browser, tmp_path: Path) -> None:
    with lever_rig(tmp_path) as (rig, hand):
        people_added(tmp_path)
        with page_process(rig) as served:
            page = opened(browser, served.url)
            sign_in(page)
            page.locator("#field-size").fill("11L-15")
            page.get_by_text("Target, fluid, job").click()
            page.locator("#field-target").fill("20 L")
            page.locator("#ask").click()
            start_work(page)
            expect(page.locator("#step")).to_have_text("By hand")
            expect(page.locator("#prompt")).to_contain_text("Fill by the lever")
            hand.write_coil(LEVER, True)
            # The level rises while the lever is over, and the page says when to stop.
            expect(page.locator(".wheel title")).to_contain_text("% of it is liquid")
            expect(page.locator("#prompt")).to_contain_text("STOP the pump: the target is in")
            hand.write_coil(LEVER, False)
            press_and_hold(page, "#prompt-done")
            expect(page.locator("#step")).to_have_text("Gun off")
            # Reversed off for as long as the last touch takes.
            hand.write_coil(BACK, True)
            press_and_hold(page, "#prompt-done")
            hand.write_coil(BACK, False)
            expect(page.locator("#outcome")).to_contain_text("Done")
            shown = re.match(r"([\d.]+) gal", page.locator("#net").inner_text())
            assert shown is not None
            assert float(shown[1]) == pytest.approx(rig.truth()["delivered_l"] / GAL, abs=0.15)
