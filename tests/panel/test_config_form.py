"""The configuration key by key: what the form is made of, and that a change leaves all else in the file as it was."""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pages import OTHER_PIN, PIN, opened, page_served, sign_in
from playwright.sync_api import Browser, Page, expect
from pydantic import ValidationError
from test_configuring import shop
from test_web import Door

from rig.guide.topics import find
from rig.panel.config_form import Change, changed, tables, written
from rig.panel.configuring import ConfigForm, config_view, write_config
from rig.run.refused import Refused
from rig.run.settings import Settings, SettingsError, load_settings

__all__ = ["shop"]
ROOT = Path(__file__).resolve().parents[2]
SHIPPED = sorted((ROOT / "config").glob("demo*.toml"))
DEMO = (ROOT / "config" / "demo.toml").read_text(encoding="utf-8")


def change(path: str, text: str | None) -> Change:
    return Change(path=tuple(path.split(".")), text=text)


def differing(text: str, *changes: Change) -> list[str]:
    new = changed(text, changes)
    # The standard library's reader is TOML 1.0 and shares no code with the writer.
    tomllib.loads(new)
    lines = difflib.unified_diff(text.splitlines(), new.splitlines(), n=0)
    return [line for line in lines if line[:1] in "+-" and line[:3] not in ("+++", "---") and line.strip("+-")]


def test_every_key_of_every_table_is_in_the_form_with_what_the_guide_says() -> None:
    shown: dict[str, Any] = {str(each["table"]): each for each in tables()}
    assert shown.keys() == Settings.model_fields.keys() - {"sim"}
    for name, table in shown.items():
        page = find(f"configuration/{name}").make()
        for keys in table["kinds"].values():
            assert all(f"{key['name']}`: {key['about']}" in page for key in keys)
    assert set(shown["links"]["kinds"]) == {"tcp", "rtu", "line"}
    (limits,) = shown["limits"]["kinds"].values()
    ceiling = next(key for key in limits if key["name"] == "ceiling")
    assert (ceiling["default"], ceiling["required"]) == ("20.0 psi (138 kPa)", False)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_each_value_typed_as_it_is_shown_is_the_same_value(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    document, shown = tomllib.loads(text), written(text)
    assert shown is not None
    known = {str(each["table"]) for each in tables()}
    typed = [
        Change(path=(table, key, inner), text=each) if inner else Change(path=(table, key), text=each)
        for table, keys in shown.items()
        for key, value in (keys.items() if isinstance(keys, dict) else ())
        for inner, each in (value.items() if isinstance(value, dict) else [("", value)])
        if table in known
    ]
    assert len(typed) > 60
    assert tomllib.loads(changed(text, typed)) == document


@pytest.mark.parametrize(
    ("changes", "lines"),
    [
        ([change("limits.ceiling", "18 psi")], ['-ceiling = "20 psi"', '+ceiling = "18 psi"']),
        (
            [change("clock.scale", "20")],
            [f"{sign}scale = {value}            # a simulated rig may run faster than the wall"
             for sign, value in (("-", 30), ("+", 20))],
        ),
        ([change("meter.proven_on", "2026-11-03")], ["-proven_on = 2026-11-02", "+proven_on = 2026-11-03"]),
        ([change("limits.trip", None)], ['-trip = "25 psi"']),
        ([change("wheels.loader-rear.took", None)], [
            '-loader-rear = { size = "16.9-28", took = "258.4 L" }', '+loader-rear = { size = "16.9-28"}']),
        ([change("flush.seconds", "3 s")], ["+[flush]", '+seconds = "3 s"']),
        ([change("limits.strainer", None), change("office.address", None)], []),
        (
            [change("points.tyre_pressure.link", "io"), change("points.tyre_pressure.address", "7")],
            ['+tyre_pressure = {link = "io", address = 7}'],
        ),
        (
            [change("panel.names", '["rig.example"]'), change("panel.port", "8081")],
            ["+[panel]", '+names = ["rig.example"]', "+port = 8081"],
        ),
    ],
)  # fmt: skip
def test_a_change_leaves_the_rest_of_the_file_as_it_was(changes: list[Change], lines: list[str]) -> None:
    # Blanks within a line are the library's.
    assert sorted("".join(line.split()) for line in differing(DEMO, *changes)) == sorted(
        "".join(line.split()) for line in lines
    )


def test_characters_that_no_field_shows_are_typed_as_in_toml() -> None:
    text = '[links.scale]\nkind = "line"\nterminator = "\\r\\n"\npattern = \'(?P<kg>.+) "kg"\'\n'
    shown: Any = written(text)
    assert shown["links"]["scale"]["terminator"] == '"\\r\\n"'
    assert shown["links"]["scale"]["pattern"] == '(?P<kg>.+) "kg"'
    new = changed(text, [change("links.scale.terminator", '"\\r"'), change("links.scale.poll", "SI")])
    assert tomllib.loads(new)["links"]["scale"] == {
        **tomllib.loads(text)["links"]["scale"],
        "terminator": "\r",
        "poll": "SI",
    }


def test_what_is_no_toml_has_no_form_and_a_table_is_no_value() -> None:
    assert written("[limits") is None
    with pytest.raises(SettingsError, match="limits: must be a table of keys"):
        changed("limits = 3\n", [change("limits.trip", "25 psi")])
    with pytest.raises(SettingsError, match="change it in the text"):
        changed("[limits", [change("limits.trip", "25 psi")])


def form_of(settings: Settings, path: Path, *changes: Change) -> ConfigForm:
    return ConfigForm(changes=changes, was=str(config_view(settings, path)["was"]))


def test_keys_are_written_like_a_text_and_faults_begin_with_their_key(shop: tuple[Settings, Path]) -> None:
    settings, path = shop
    before = path.read_text(encoding="utf-8")
    wrong = [change("limits.ceiling", "18"), change("limits.trip", "45 psi"), change("clock.scale", "x")]
    with pytest.raises(SettingsError) as error:
        write_config(settings, path, form_of(settings, path, *wrong), "Sam")
    assert [line.partition(":")[0] for line in error.value.faults] == ["clock.scale", "limits.ceiling", "limits.trip"]
    assert path.read_text(encoding="utf-8") == before
    stale = form_of(settings, path, change("limits.ceiling", "18 psi"))
    kept = write_config(settings, path, stale, "Sam")
    assert kept["changed"] == {"limits.ceiling": ["20 psi", "18 psi"]}
    assert path.read_text(encoding="utf-8") == before.replace('ceiling = "20 psi"', 'ceiling = "18 psi"')
    with pytest.raises(Refused, match="changed since"):
        write_config(settings, path, stale, "Sam")


def test_a_form_has_a_text_or_changes() -> None:
    for given in ({}, {"text": "", "changes": [{"path": ["limits", "trip"], "text": None}]}):
        with pytest.raises(ValidationError):
            ConfigForm.model_validate({**given, "was": ""})


async def test_faults_come_with_the_refusal(tmp_path: Path) -> None:
    door = Door(tmp_path)
    path = tmp_path / "rig.toml"
    path.write_text(DEMO, encoding="utf-8")
    door.page._config = str(path)
    await door.sign_in(name="Sam", pin=PIN[::-1])
    was = (await door.client.get("/api/settings")).json()["was"]
    changes = [{"path": ["limits", "floor"], "text": "40"}, {"path": ["limits", "trip"], "text": "45 psi"}]
    reply = await door.client.post("/api/settings", json={"changes": changes, "was": was})
    assert reply.status_code == 422
    fault, between = reply.json()["faults"]
    assert (between["key"], between["values"]) == ("config.above_beads", {"name": "trip"})
    assert (fault["key"], fault["values"]["key"]) == ("config.fault", "limits.floor")
    assert fault["values"]["what"]["key"] == "quantity.no_unit"
    assert "limits.floor: '40' has no unit" in reply.json()["error"]


def opened_settings(browser: Browser, url: str) -> Page:
    page = opened(browser, url)
    sign_in(page, "Sam", OTHER_PIN)
    page.get_by_role("button", name="Menu").click()
    page.get_by_role("button", name="Settings", exact=True).click()
    return page


def open_group(page: Page, path: str) -> None:
    page.locator(f'details[data-path="{path}"] > summary').click()


@pytest.mark.full
def test_the_supervisor_changes_keys_on_the_page(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        page = opened_settings(browser, served.url)
        key = "[data-key='limits.{}']".format
        open_group(page, "limits")
        expect(page.locator(key("ceiling"))).to_have_value("20 psi")
        expect(page.locator(key("arrival"))).to_have_attribute("placeholder", re.compile("^15.0 psi"))
        page.locator(key("trip")).fill("45 psi")
        open_group(page, "tote")
        expect(page.locator(key("trip"))).to_be_hidden()
        page.locator("#write-keys").click()
        fault = page.locator(".entry", has=page.locator(key("trip"))).locator(".against")
        expect(fault).to_contain_text("above 35 psi")
        expect(page.locator(key("trip"))).to_be_focused()
        page.locator(key("trip")).fill("24 psi")
        open_group(page, "points")
        page.locator("#new-points").fill("tyre_pressure")
        page.locator("#add-points").click()
        point = "[data-key='points.tyre_pressure.{}']".format
        page.locator(point("link")).fill("io")
        page.locator(point("address")).fill("9")
        open_group(page, "points.beacon")
        page.get_by_role("button", name="Remove beacon").click()
        expect(page.get_by_role("button", name="Keep beacon")).to_be_visible()
        page.locator("#write-keys").click()
        expect(page.locator(point("table"))).to_be_focused()
        page.locator(point("table")).select_option("input")
        page.locator("details[data-path='points.tyre_pressure'] .others > summary").click()
        page.locator(point("type")).select_option("i16")
        page.locator(point("scale")).fill("0.01")
        page.locator(point("quantity")).fill("psi")
        page.locator("#write-keys").click()
        expect(page.locator("#checked")).to_contain_text("It counts from the next start")
        expect(page.locator("#write-keys")).to_have_count(0)
        found = load_settings(served.rig.config)
        assert found.limits.trip == pytest.approx(24 * 6.894757, abs=0.01)
        assert (found.points["tyre_pressure"].scale, "beacon" in found.points) == (0.01, False)
