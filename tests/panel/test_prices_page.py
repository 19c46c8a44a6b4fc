"""The price list on the page: a first one, a change, mistakes by name, and what the form does not show."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pages import OTHER_PIN, PIN, opened, page_served, sign_in
from playwright.sync_api import Browser, expect
from processes import ROOT
from test_web import Door

from rig.books.prices import keep_prices
from rig.record.notes import Prices

EXAMPLE = ROOT / "config" / "prices.toml"
FIRST: dict[str, Any] = {
    "name": "List 1", "currency": "EUR", "minimum": "0", "taxes": {"fluid": "19"},
    "fluids": {"beet": {"by": "litre", "price": "1.05"}},
}  # fmt: skip


async def signed_in(folder: Path) -> Door:
    door = Door(folder)
    await door.sign_in(name="Sam", pin=PIN[::-1])
    return door


async def kept(door: Door, prices: dict[str, Any], was: int, number: int = 1) -> Any:  # noqa: ANN401
    return await door.client.post("/api/prices", json={"id": f"prices-{number:04}", "prices": prices, "was": was})


async def test_a_first_list_is_kept_and_shown(tmp_path: Path) -> None:
    door = await signed_in(tmp_path)
    blank = (await door.client.get("/api/prices")).json()
    assert (blank["serial"], blank["prices"]["fluids"]) == (0, {})
    assert "gallon" in blank["by"]
    found = (await kept(door, FIRST, 0)).json()
    assert found["serial"] > 0
    assert found["prices"]["fluids"]["beet"]["price"] == "1.05"
    assert (await door.client.get("/api/prices")).json() == found


async def test_every_mistake_is_named_and_nothing_is_kept(tmp_path: Path) -> None:
    door = await signed_in(tmp_path)
    wrong = FIRST | {"currency": "", "fluids": {"beet": {"by": "bucket", "price": "-1"}}}
    reply = await kept(door, wrong, 0)
    assert reply.status_code == 422
    for word in ("currency", "fluids.beet.by", "fluids.beet.price"):
        assert word in reply.json()["error"]
    assert (await door.client.get("/api/prices")).json()["serial"] == 0


async def test_what_the_form_does_not_show_stays_and_an_old_form_is_refused(tmp_path: Path) -> None:
    """Logo, bank, paper and accounting are of the file; the form sends the list as it got it."""
    door = await signed_in(tmp_path)
    with door.book() as book:
        keep_prices(book, EXAMPLE)
    standing = (await door.client.get("/api/prices")).json()
    dearer = standing["prices"] | {"minimum": "160.00"}
    changed = (await kept(door, dearer, standing["serial"])).json()
    with door.book() as book:
        before, after = (Prices.of(each).prices for each in book.valid("prices"))
    assert after == before | {"minimum": "160.00"}
    assert (await kept(door, dearer, standing["serial"], 2)).status_code == 422
    assert (await kept(door, dearer, changed["serial"], 3)).json()["serial"] == changed["serial"], "the same once more"


@pytest.mark.parametrize("name", ["Jo", ""])
async def test_prices_are_the_supervisors(tmp_path: Path, name: str) -> None:
    door = Door(tmp_path)
    if name:
        await door.sign_in(name=name)
    assert (await door.client.get("/api/prices")).status_code == (403 if name else 401)
    assert (await kept(door, FIRST, 0)).status_code in (401, 403)


@pytest.mark.full
def test_a_first_list_by_touches(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        page = opened(browser, served.url)
        sign_in(page, "Sam", OTHER_PIN)
        page.get_by_role("button", name="Menu").click()
        page.get_by_role("button", name="Settings").click()
        form = page.locator("#price-form")
        form.get_by_label("Name of the list").fill("Winter")
        form.get_by_label("Currency, three letters").fill("EUR")
        page.locator("#shop").get_by_label("Name").fill("Invented Tyres")
        page.locator("#more-fluids").click()
        row = page.locator("#fluids .line")
        row.get_by_label("name").fill("beet")
        page.locator("#keep-prices").click()
        expect(page.locator(".prices .against")).to_contain_text("fluids.beet.price")
        row.get_by_label("price").fill("1,05")
        page.locator("#keep-prices").click()
        expect(page.locator("#said")).to_have_text("The prices are kept.")
        found = page.evaluate("fetch('/api/prices').then((reply) => reply.json())")
    assert found["prices"]["fluids"]["beet"] == {"by": "litre", "price": "1.05", "category": "fluid"}
    assert found["prices"]["shop"]["name"] == "Invented Tyres"
