"""What the page's addresses let through: who may look, stop and act, from where, and with which headers."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, get_args

import httpx
import pytest
from near import Near
from shop import settings

from rig.control.safety.guards import GUARDS
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Into, Request
from rig.ledger.writing import WritableBook
from rig.panel.catalogue import STATIC, texts_of
from rig.panel.guard import HEADERS
from rig.panel.jobs import book_to_keep
from rig.panel.people import People
from rig.panel.shell import index_page
from rig.panel.web import Page
from rig.run.facade import Facade
from rig.shop.wheels import BY_HAND, STEPS

PIN = "270418"
OWN = {"X-Rig": "page"}
CODE = "12345678"
ACT: dict[str, Any] = {"id": "touch-0001"}


class Door:
    """The application, called without a wire."""

    def __init__(self, folder: Path, **panel: object) -> None:
        changes = {f"panel__{name}": value for name, value in panel.items()}
        self.facade = Facade(settings(rig__data=str(folder), wheels__rear={"size": "16.9-28"}, **changes))
        people = People(folder)
        people.add("Jo", "technician", PIN)
        people.add("Sam", "supervisor", PIN[::-1])
        self.page = Page(Near(self.facade), people, "rig.toml", CODE)
        self.client = self.another()

    def another(self) -> httpx.AsyncClient:
        """One more browser."""
        transport = httpx.ASGITransport(app=self.page.app())
        return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8080")

    def book(self) -> AbstractContextManager[WritableBook]:
        """The rig's book."""
        return book_to_keep(self.facade.settings)

    async def told(self, address: str, **what: object) -> dict[str, Any]:
        """What the page answers to something that it must take."""
        reply = await self.client.post(address, json=what)
        assert reply.status_code == 200, reply.text
        found: dict[str, Any] = reply.json()
        return found

    async def sign_in(
        self, client: httpx.AsyncClient | None = None, name: str = "Jo", pin: str = PIN
    ) -> httpx.Response:
        client = client or self.client
        reply = await client.post("/api/sign-in", json={"name": name, "pin": pin}, headers=OWN)
        if reply.status_code == 200:
            client.headers.update({**OWN, "X-CSRF": reply.json()["csrf"]})
        return reply


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    return Door(tmp_path)


async def test_every_answer_is_dressed(door: Door) -> None:
    for path in ("/", f"/static/{door.page.faces.english.assets.names['app.js']}", "/api/me", "/nowhere"):
        headers = (await door.client.get(path)).headers
        policy = headers["content-security-policy"]
        # OWASP, HTTP security response headers: nothing inline, nothing from elsewhere, no frame, no sniffing.
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"


def test_nothing_is_inline_and_nothing_comes_from_elsewhere() -> None:
    html = index_page(texts_of(settings().panel))
    # But STOP's script, by its hash (Content Security Policy Level 3, 8.4).
    (script,) = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    assert len(script.encode()) <= 2048
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"'sha256-{digest}'" in HEADERS["Content-Security-Policy"]
    assert re.findall(r"<script(?![^>]*\bsrc=)[^>]+>|<style|\bstyle=|\bon\w+=", html.replace(script, "")) == []
    # A library of others is in a folder of its own (tests/panel/test_film.py).
    for path in STATIC.glob("*.*"):
        if path.suffix == ".json":
            continue  # Words are shown, and load nothing.
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text, path.name
        assert "https://" not in text, path.name
        assert "innerHTML" not in text, path.name


async def test_a_phone_can_keep_the_page_among_its_programs(door: Door) -> None:
    """Web Application Manifest, W3C: name, start and icon are what installing asks for."""
    address = re.search(r'rel="manifest" href="([^"]+)"', (await door.client.get("/")).text)
    assert address is not None
    reply = await door.client.get(address[1])
    assert reply.headers["content-type"] == "application/manifest+json"
    told = reply.json()
    assert (told["start_url"], told["display"], told["name"]) == ("/", "standalone", door.facade.settings.rig.name)
    icon = await door.client.get(told["icons"][0]["src"])
    assert (icon.status_code, icon.headers["content-type"]) == (200, told["icons"][0]["type"])


async def test_the_session_cookie_cannot_be_read_or_sent_from_elsewhere(door: Door) -> None:
    reply = await door.sign_in()
    cookie = reply.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "secure" not in cookie
    over_https = httpx.AsyncClient(transport=httpx.ASGITransport(app=door.page.app()), base_url="https://127.0.0.1")
    assert "secure" in (await door.sign_in(over_https)).headers["set-cookie"].lower()


@pytest.mark.parametrize("path", ["/api/act/start", "/api/act/hold", "/api/act/resume", "/api/order", "/api/answer",
                                  "/api/drive", "/api/hand-over", "/api/sign-out"])  # fmt: skip
async def test_nothing_but_stop_goes_without_sign_in(door: Door, path: str) -> None:
    assert (await door.client.post(path, json=ACT, headers=OWN)).status_code == 401
    assert (await door.client.post("/api/stop", json=ACT, headers=OWN)).status_code == 200


async def test_a_request_of_another_site_is_refused(door: Door) -> None:
    await door.sign_in()
    assert (await door.client.post("/api/act/hold", json=ACT)).status_code == 200
    elsewhere = {"Origin": "http://elsewhere.example"}
    assert (await door.client.post("/api/act/hold", json=ACT, headers=elsewhere)).status_code == 403
    assert (await door.client.post("/api/act/hold", json=ACT, headers={"X-CSRF": "guess"})).status_code == 403
    del door.client.headers["X-Rig"]
    assert (await door.client.post("/api/act/hold", json=ACT)).status_code == 403
    assert (await door.client.post("/api/stop", json=ACT)).status_code == 403


async def test_only_known_names_of_the_rig_are_answered(tmp_path: Path) -> None:
    door = Door(tmp_path, names=["rig.shop"])
    for host, status in (("192.0.2.7:8080", 200), ("localhost", 200), ("rig.shop:8080", 200), ("[::1]:8080", 200),
                         ("elsewhere.example", 421), ("", 421)):  # fmt: skip
        assert (await door.client.get("/api/me", headers={"Host": host})).status_code == status, host


async def test_looking_can_be_shut_and_stop_stays_open(tmp_path: Path) -> None:
    door = Door(tmp_path, looking=False)
    for path in ("/api/stream", "/api/trace", "/api/fills", "/api/meter"):
        assert (await door.client.get(path)).status_code == 401
    assert (await door.client.post("/api/stop", json=ACT, headers=OWN)).status_code == 200
    await door.sign_in()
    assert (await door.client.get("/api/fills")).status_code == 200


async def test_a_wrong_pin_is_refused_and_then_slowed_down(door: Door) -> None:
    for _ in range(5):
        assert (await door.sign_in(pin="999000")).status_code == 401
    assert (await door.sign_in()).status_code == 429
    # Guessing another name from the same place is slowed down as well.
    assert (await door.sign_in(name="Sam", pin=PIN[::-1])).status_code == 429


async def test_only_the_one_who_drives_moves_anything(door: Door) -> None:
    other = door.another()
    await door.sign_in()
    await door.sign_in(other, "Sam", PIN[::-1])
    assert (await other.post("/api/act/hold", json=ACT)).status_code == 409
    assert (await other.post("/api/drive", json=ACT)).json() == {"drives": False}
    await door.client.post("/api/hand-over", json={**ACT, "give": True})
    assert (await other.post("/api/act/hold", json=ACT)).status_code == 200
    assert (await door.client.post("/api/act/hold", json=ACT)).status_code == 409


async def test_the_settings_are_for_the_supervisor(door: Door) -> None:
    await door.sign_in()
    assert (await door.client.get("/api/settings")).status_code == 403
    other = door.another()
    await door.sign_in(other, "Sam", PIN[::-1])
    assert (await other.get("/api/settings")).status_code != 403


async def test_the_answer_is_that_of_the_command_line(door: Door) -> None:
    await door.sign_in()
    found = (await door.client.post("/api/answer", json={"size": "18.4-38", "fluid": "water"})).json()
    # A published chart gives 18.4-38 about 110 US gal at a 12 o'clock valve (makers print 106 to 118).
    assert 100 < found["target_l"] / 3.785411784 < 120
    assert found["level"] == "at_valve"
    assert {check["scope"] for check in found["checks"]} == {"shift", "machine", "wheel"}
    levels = found["wheel"]["levels_m"]
    assert levels == sorted(levels)
    shop = (await door.client.post("/api/answer", json={"wheel": "rear", "target": "200 lb"})).json()
    assert shop["mass_kg"] == pytest.approx(90.7, abs=0.1)


@pytest.mark.parametrize(
    ("field", "text", "word"),
    [("size", "16.9-", "16.9-"), ("target", "much", "75 %"), ("valve_at", "25", "clock"), ("fluid", "lava", "lava")],
)
async def test_what_is_entered_wrong_gets_a_clear_word(door: Door, field: str, text: str, word: str) -> None:
    await door.sign_in()
    reply = await door.client.post("/api/answer", json={"size": "16.9-28", field: text})
    assert reply.status_code == 422
    assert word in reply.json()["error"]


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'{"id": 1}', b'{"id": "x"}', b'{"id": "touch-0001", "more": 1}'])
async def test_a_mangled_request_is_refused_and_nothing_breaks(door: Door, body: bytes) -> None:
    await door.sign_in()
    for path in ("/api/act/hold", "/api/order", "/api/stop"):
        assert (await door.client.post(path, content=body)).status_code == 422
    assert (await door.client.post("/api/stop", content=b" " * 70_000)).status_code == 413


async def test_an_order_is_taken_once_and_a_second_finds_the_rig_busy(door: Door) -> None:
    await door.sign_in()
    whole = {"id": "order-0001", "kind": "fill", "wheel": {"size": "16.9-28"}}
    for _ in range(2):
        assert (await door.client.post("/api/order", json=whole)).status_code == 200
    assert (await door.client.post("/api/order", json={**whole, "id": "order-0002"})).status_code == 409
    taken = door.facade.take_order()
    assert taken is not None
    assert (taken.by, taken.id) == ("Jo", "order-0001")


def test_the_catalogue_has_every_word_of_the_page() -> None:
    texts = json.loads((STATIC / "texts.json").read_text(encoding="utf-8"))
    used = {
        key
        for path in STATIC.glob("*.js")
        for key in re.findall(r"(?<![\w.])t\('([\w.-]+)'", path.read_text(encoding="utf-8"))
    }
    composed = {f"step.{phase.value}" for phase in Phase} | {f"next.{phase.value}" for phase in Phase}
    composed |= {f"state.{state.value}" for state in State if state is not State.RUNNING}
    composed |= {f"done.{name}" for name in ("insert_back", "gun_off", "air_up")}
    composed |= {f"of_target.{into}" for into in get_args(Into)}
    composed |= {f"bead.{name}" for name in ("fill", "shut", "back-flush", "uncouple", "by-hand", "empty")}
    band = (STATIC / "frame.js").read_text(encoding="utf-8")
    composed |= {f"band.{name}" for name in re.findall(r"(?:return|[?:]) \['\w+', '(\w+)'\]", band)}
    composed |= {f"band.{name}" for name in ("in", "out", "air")}
    composed |= {f"outcome.{name}" for name in ("complete", "stopped", "aborted", "unfinished")}
    composed |= {f"level.{name}" for name in ("at_valve", "below_valve", "above_valve")}
    composed |= {f"work.{name}" for name in (*STEPS, *BY_HAND)} | {f"note.{name}" for name in BY_HAND}
    assert len(used) > 60
    assert (used | composed) - set(texts) == set()
    # A translation of what the controller says is by the guard's name: none may stand for a guard that is not there.
    named = {key.split(".")[1] for key in texts if key.startswith("alarm.")}
    assert named <= {guard.name for guard in GUARDS}


async def test_a_shop_translates_what_it_wants(tmp_path: Path) -> None:
    own = tmp_path / "worte.json"
    own.write_text(json.dumps({"stop": "HALT"}), encoding="utf-8")
    door = Door(tmp_path, texts=str(own))
    assert ">HALT</button>" in (await door.client.get("/")).text
    program = (await door.client.get(f"/static/{door.page.faces.english.assets.names['app.js']}")).text
    assert '"stop": "HALT"' in program
    assert '"hold": "HOLD"' in program


async def test_the_record_has_who_stopped_and_from_where(tmp_path: Path) -> None:
    door = Door(tmp_path)
    told: list[Request] = []
    door.facade._inbox = told  # type: ignore[assignment]
    reply = await door.client.post("/api/stop", json={"id": "touch-0001"}, headers=OWN)
    # No picture of the rig has come yet: nothing is claimed.
    assert reply.json() == {"ran": True, "off": None, "seen": None}
    await door.sign_in()
    await door.client.post("/api/stop", json={"id": "touch-0002"})
    assert [request.by for request in told] == ["STOP on a page, 127.0.0.1", "Jo, 127.0.0.1"]
