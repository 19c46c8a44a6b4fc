"""The label of a wheel, photographed at the page: who may, how large, and the question that it becomes."""

from __future__ import annotations

from pathlib import Path

import pytest
from pages import opened, page_served, sign_in
from photographs import photograph
from playwright.sync_api import Browser, FilePayload, expect
from shop_books import TRUCK, fill_of, journal_with
from test_looks import badly_laid_out, violations
from test_web import Door

FILLED = ("LIQUID BALLAST INSIDE", "11L-15, rear left", "beet, 30.0 L (7.9 gal)", "filled 2026-11-20")
OWN, FOREIGN = (*FILLED, f"{TRUCK} No. 1"), (*FILLED, "Truck 7 No. 12")
JPEG = {"Content-Type": "image/jpeg"}


async def test_a_photograph_becomes_the_wheel_and_its_content(tmp_path: Path) -> None:
    door = Door(tmp_path)
    picture = photograph(FOREIGN, "large")
    assert (await door.client.post("/api/tag", content=picture, headers=JPEG)).status_code == 403
    await door.sign_in()
    read = (await door.client.post("/api/tag", content=picture, headers=JPEG)).json()
    says = read.pop("says")
    assert read == {"size": "11L-15", "position": "rear left", "holds": "30.00 L", "holds_fluid": "beet"}
    assert says["key"] == "tag.by_label"
    # What is read is a form of the question about a wheel.
    asked = await door.told("/api/answer", **read)
    assert asked["holds"]


async def test_what_is_no_label_or_too_large_is_refused(tmp_path: Path) -> None:
    door = Door(tmp_path)
    await door.sign_in()
    for picture, status in ((b"no picture", 422), (bytes(1_000_001), 413)):
        assert (await door.client.post("/api/tag", content=picture, headers=JPEG)).status_code == status
    # No other address takes so much.
    assert (await door.client.post("/api/answer", content=bytes(70_000))).status_code == 413


@pytest.mark.parametrize("width", [360, pytest.param(1280, marks=pytest.mark.full)])
def test_the_camera_s_photograph_is_made_small_and_leads_to_the_ready_check(
    browser: Browser, tmp_path: Path, width: int
) -> None:
    with page_served(tmp_path, scale="100", name=f'"{TRUCK}"') as served:
        journal_with(tmp_path / "rig-data", fill_of("f1", size="11L-15", net_l=30.0, mass_kg=38.5, job="J1"))
        page = opened(browser, served.url, width=width)
        sign_in(page)
        # As large as a phone's camera makes them: twelve megapixels.
        photo: FilePayload = {
            "name": "photo.jpg", "mimeType": "image/jpeg", "buffer": photograph(OWN, "small", width=4000, height=3000),
        }  # fmt: skip
        with page.expect_response("**/api/tag") as reply:
            page.locator("#tag").set_input_files(photo)
        assert reply.value.status == 200
        assert len(reply.value.request.post_data_buffer or b"") < 1_000_000
        expect(page.locator(".answer h2")).to_contain_text("11L-15, rear left")
        expect(page.locator("#said")).to_contain_text("by the book")
        assert badly_laid_out(page) == []
        assert violations(page) == []
        # Not the label: the words of the refusal.
        page.locator("#another").click()
        page.locator("#tag").set_input_files(
            {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": photograph(("x",), "large")}
        )
        expect(page.locator("#said")).to_contain_text("not that of a wheel's label")
