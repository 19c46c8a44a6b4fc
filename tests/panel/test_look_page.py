"""The look with air on the page: offered at the ready check, and a question where it contradicts the wheel."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from air_tanks import GAS, GAUGE, RIG, TANK, VALVE
from pages import opened, page_served, press_and_hold, sign_in, start_work
from playwright.sync_api import Browser, expect
from processes import command
from shop import settings
from test_looks import badly_laid_out, violations
from test_web import Door

from rig.control.belief.creep import Rest
from rig.control.moves.air_look import AirLook, Pair
from rig.panel.asking import WheelForm, asked, errand_of
from rig.panel.faces import COOKIE
from rig.panel.looking import look_view, room_view
from rig.run.air_look import AirWanted, Looked, air_setup, room_by
from rig.run.assembly import answer
from rig.run.facade import Live
from rig.run.messages import Message, Ordered, frame_of, message_in
from rig.run.settings import Settings
from rig.units import KPA_PER_PSI
from rig.wheel import cavity_of, read_size
from rig.wheel.room import Growth, Room, growth_by_width

FORM = {"size": "16.9-28", "position": "rear left"}
CAVITY_L = cavity_of(read_size("16.9-28")).volume_l


def with_tank(folder: Path) -> Settings:
    point = {"link": "io", "table": "input", "address": 9, "type": "u16", "scale": 0.01, "quantity": "psi"}
    point |= {"low": 0, "high": 150, "accuracy": "0.5 %"}
    return settings(
        rig__data=str(folder), air_tank={"volume": "60 L", "rating": "145 psi"}, points__tank_pressure=point
    )


def looked_at(door: Door, of: Settings, room_l: float) -> None:
    """The controller has looked at the wheel and found this room."""
    door.facade.settings = of
    wheel = asked(of, WheelForm(**FORM))
    room = Room(room_l, 3.0, 101.3, 18 * KPA_PER_PSI, Growth(0.0, 0.0))
    looked = Looked(AirWanted(wheel, "rear left", "", "Jo"), air_setup(of), AirLook("read"), room)
    door.facade.beat(Live(None, looked=looked))


async def test_it_is_ordered_by_the_driver_where_there_is_a_tank(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    await door.told("/api/drive", id="drive-0001")
    order = {"id": "order-0001", "kind": "look", "wheel": FORM, "start": False}
    reply = await door.client.post("/api/order", json=order)
    assert (reply.status_code, "no tank of air is configured" in reply.text) == (422, True)
    door.facade.settings = with_tank(tmp_path)
    await door.told("/api/order", **{**order, "id": "order-0002"})
    given = door.facade.take_order()
    assert given is not None
    assert isinstance(given.work, AirWanted)
    assert (given.work.wheel.size, given.work.position, given.work.by) == ("16.9-28", "rear left", "Jo")
    # The same on the wire to the controller, and no other work is taken for it.
    message: Message = message_in(frame_of(Ordered(order=given))[4:])
    assert isinstance(message, Ordered)
    assert message.order == given


@pytest.mark.parametrize(
    ("share", "agrees", "key"), [(1.0, True, ""), (0.75, False, "check.look_less"), (1.25, False, "check.look_more")]
)
async def test_a_look_that_contradicts_the_wheel_is_a_question_before_the_start(
    tmp_path: Path, share: float, agrees: bool, key: str
) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    looked_at(door, with_tank(tmp_path), share * CAVITY_L)
    told = await door.told("/api/answer", **FORM)
    assert told["look"]["agrees"] is agrees
    assert told["look"]["found"][0]["values"]["room"] == pytest.approx(share * CAVITY_L, abs=0.1)
    assert "16.9-28" in [each["values"]["size"] for each in told["look"]["found"][1:]]
    asks = [each["text"]["key"] for each in told["checks"] if each["name"] == "look_doubts"]
    assert asks == ([key] if key else [])
    # Another place is another wheel.
    other = await door.told("/api/answer", **{**FORM, "position": "rear right"})
    assert other["look"] is None


def test_the_question_counts_what_is_said_to_be_inside(tmp_path: Path) -> None:
    cavity = cavity_of(read_size("16.9-28"))
    room = Room(cavity.volume_l - 100.0, 3.0, 101.3, 18 * KPA_PER_PSI, Growth(0.0, 0.0))
    agrees = [(room_view(room, cavity, inside_l) or {})["agrees"] for inside_l in (0.0, 100.0)]
    assert agrees == [False, True]


async def test_the_section_width_makes_the_room_better_known(tmp_path: Path) -> None:
    """By the growth that it shows: `rig look --width` says the same of the same readings."""
    door, of = Door(tmp_path), with_tank(tmp_path)
    await door.sign_in()
    door.facade.settings = of
    setup, look = air_setup(of), AirLook("read", before=pair(827.0, 0.0), after=pair(365.0, 138.0))
    wheel = asked(of, WheelForm(**FORM))
    door.facade.beat(Live(None, looked=Looked(AirWanted(wheel, "rear left"), setup, look, room_by(of, setup, look))))
    bare = (await door.told("/api/answer", **FORM))["look"]["says"]["values"]
    told = await door.told("/api/answer", **FORM, width="430 mm -> 434 mm")
    known = told["look"]["says"]["values"]
    # The caliper's own 0.5 mm, and half of what the width grew: less than not knowing the growth at all.
    assert known["band"] / known["room"] < 0.9 * bare["band"] / bare["room"]
    errand = errand_of(door.page._rig, WheelForm(**FORM, width="430 mm -> 434 mm"), "Jo", "rig.toml")
    assert errand.question.room is not None
    assert errand.question.room.litres == pytest.approx(known["room"])
    assert errand.question.room.growth == growth_by_width(0.430, 0.434, 138.0)
    both = await door.told("/api/answer", **FORM, width="430 mm -> 434 mm", girth="4300 mm -> 4303 mm")
    sharper = both["look"]["says"]["values"]
    assert sharper["band"] / sharper["room"] < 0.995 * known["band"] / known["room"]
    for wrong, words in (("434 mm -> 430 mm", "never shrinks"), ("430 mm", "before and after"), ("a -> b", "a")):
        reply = await door.client.post("/api/answer", json={**FORM, "width": wrong})
        assert (reply.status_code, words in reply.text) == (422, True)


def pair(tank_kpa: float, tyre_kpa: float) -> Pair:
    return Pair(Rest(tank_kpa, 0.2), Rest(tyre_kpa, 0.1))


async def test_the_order_to_fill_carries_the_room(tmp_path: Path) -> None:
    door = Door(tmp_path)
    looked_at(door, with_tank(tmp_path), 0.7 * CAVITY_L)
    errand = errand_of(door.page._rig, WheelForm(**FORM), "Jo", "rig.toml")
    assert errand.question.room is not None
    assert answer(door.facade.settings, errand.question).target_l > 0


def test_what_is_shown_of_a_step(tmp_path: Path) -> None:
    of = with_tank(tmp_path)
    wanted = AirWanted(asked(of, WheelForm(**FORM)), "rear left")
    look = AirLook("equalise", valve=True, last=(3.0, 400.04, 60.006))
    shown: dict[str, Any] = look_view(Looked(wanted, air_setup(of), look)) or {}
    assert (shown["text"].key, shown["valve"], shown["tank_kpa"]) == ("air_look.equalise", True, 400.0)
    assert json.dumps(shown)
    assert look_view(Looked(wanted, air_setup(of), replace(look, phase="read"))) is None


@pytest.mark.full
@pytest.mark.parametrize(("width", "height"), [(360, 740), (1280, 800)])
def test_a_loaded_wheel_shows_before_the_first_drop(tmp_path: Path, browser: Browser, width: int, height: int) -> None:
    """Somebody's 90 L are inside: the look says so, and the fill begins all the same, asked once more."""
    extra = GAS + 'existing = "90 L"\ntank_pressure = "110 psi"\n' + TANK + VALVE + GAUGE
    with page_served(tmp_path, extra=extra, **{**RIG, "scale": "40"}) as served:
        page = opened(browser, served.url, width=width, height=height, touch=width < 1000)
        sign_in(page)
        page.get_by_role("button", name="loader-rear 16.9-28").click()
        page.locator("#look").click()
        expect(page.locator("#todo")).to_contain_text("Compressor off;")
        assert violations(page) == []
        press_and_hold(page, "#prompt-done")
        expect(page.locator("#todo")).to_contain_text("Air goes over into the tyre")
        assert badly_laid_out(page) == []
        expect(page.locator("#look-says")).to_contain_text("contradicts")
        expect(page.locator(".against")).to_contain_text("less room than a 16.9-28 has")
        assert violations(page) == []
        assert badly_laid_out(page) == []
        page.locator("#read").click()
        start_work(page)
        expect(page.locator("[data-part=hold]")).to_be_visible()
        page.locator("#stop").click()
        expect(page.locator("#outcome")).to_be_visible()
        record = page.evaluate("fetch('/api/fills').then((reply) => reply.json())")[0]
        shown = command(tmp_path, "ledger", "show", record["fill_id"], "--config", "rig.toml", "--json")
    assert "look_doubts" in shown.stdout


@pytest.mark.full
@pytest.mark.parametrize(
    ("language", "units", "widths", "unit"),
    [("en", "us", ("16.92", "17.08"), "After the look (in)"), ("de", "kpa", ("430", "434"), "Nach der Messung (mm)")],
)
def test_a_width_is_typed_by_the_pad_in_the_reader_s_units(
    tmp_path: Path, browser: Browser, language: str, units: str, widths: tuple[str, str], unit: str
) -> None:
    with page_served(tmp_path, extra=GAS + TANK + VALVE + GAUGE, **{**RIG, "scale": "60"}) as served:
        page = opened(browser, served.url)
        sign_in(page)
        page.context.add_cookies([{"name": COOKIE, "value": language, "url": served.url}])
        page.evaluate(f"localStorage.setItem('rig-units', '{units}')")
        page.reload()
        page.get_by_role("button", name="loader-rear 16.9-28").click()
        page.locator("#look").click()
        expect(page.locator("#width-now")).to_be_visible()
        assert violations(page) == []
        assert badly_laid_out(page) == []
        press_and_hold(page, "#prompt-done")
        expect(page.locator("#look-says")).to_be_visible()
        before = page.locator("#look-says").inner_text()
        page.locator("#details").click()
        for place, typed in zip(("before", "after"), widths, strict=True):
            page.locator(f"#width-{place}").click()
            for digit in typed:
                page.locator("#width").get_by_role("button", name=digit, exact=True).click()
        expect(page.locator("#width")).to_contain_text(unit)
        assert violations(page) == []
        assert badly_laid_out(page) == []
        page.locator("#width-take").click()
        expect(page.locator("#look-says")).not_to_have_text(before)
        page.locator("#details").click()
        expect(page.locator("#width-before")).to_have_value(widths[0])
        # A tyre does not shrink; the room stays as it was said.
        page.locator("#width-after").fill("10")
        page.locator("#width-take").click()
        expect(page.locator("#said")).to_contain_text("->")
        # Another look is another measurement.
        page.locator("#details").click()
        with page.expect_request("**/api/order") as ordered:
            page.locator("#look").click()
        assert ordered.value.post_data_json["wheel"]["width"] == ""


@pytest.mark.full
def test_stop_ends_a_look(tmp_path: Path, browser: Browser) -> None:
    with page_served(tmp_path, extra=GAS + TANK + VALVE + GAUGE, **{**RIG, "scale": "20"}) as served:
        page = opened(browser, served.url)
        sign_in(page)
        page.get_by_role("button", name="loader-rear 16.9-28").click()
        page.locator("#look").click()
        press_and_hold(page, "#prompt-done")
        expect(page.locator("#todo")).to_contain_text("Air goes over into the tyre")
        page.locator("#stop").click()
        expect(page.locator(".against")).to_contain_text("the look was stopped")
        page.locator("#read").click()
        expect(page.locator("#look")).to_be_visible()
        assert served.end() == 0
