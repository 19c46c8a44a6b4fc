"""The service over the wire: a stop signal, wheel after wheel in one process, an interrupted fill closed, no field."""

from __future__ import annotations

import itertools
import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from pages import PIN, Served, page_process, page_served
from processes import PATIENCE_S, Rig, command, configuration
from streams import Picture, merged

IDS = itertools.count(1)
WHEEL = {"size": "11L-15"}
_AGAIN_S = 3.0
"""After how long a touch is repeated, on a computer that may be busy."""


@contextmanager
def signed_in(served: Served) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=served.url, timeout=60, headers={"X-Rig": "test"}) as client:
        signed = client.post("/api/sign-in", json={"name": "Jo", "pin": PIN}).json()
        client.headers["X-CSRF"] = signed["csrf"]
        yield client


def order(client: httpx.Client, **more: object) -> None:
    names = [each["name"] for each in client.post("/api/answer", json=WHEEL).json()["checks"]]
    whole = {"id": f"order-{next(IDS):04}", "kind": "fill", "wheel": WHEEL, "confirmed": names, **more}
    assert client.post("/api/order", json=whole).status_code == 200


def until(client: httpx.Client, key: str, *, answers: bool = False, state: str = "") -> dict[str, Any]:
    """Look until the picture has ``key`` (and the fill that state), doing on the way what it asks for if told to."""
    touched: tuple[tuple[str, ...] | None, float] = None, 0.0
    began_s = time.monotonic()
    with client.stream("GET", "/api/stream") as stream:
        picture: Picture = {}
        for line in stream.iter_lines():
            picture = merged(picture, line)
            fill = picture.get("fill")
            if picture.get(key) and (not state or (fill and fill["state"] == state)):
                return picture
            now_s = time.monotonic()
            assert now_s - began_s < PATIENCE_S, f"{key} {state} did not come; the page shows {picture}"
            wanted = asked_for(fill) if answers and fill else None
            # What a touch did not bring about is touched again: a busy computer may have held the fill anew.
            if wanted and (wanted != touched[0] or now_s - touched[1] > _AGAIN_S):
                client.post(f"/api/act/{wanted[0]}", json={"id": f"touch-{next(IDS):04}", "name": wanted[1]})
                touched = wanted, now_s
    raise AssertionError("the page went away")


def asked_for(fill: dict[str, Any]) -> tuple[str, ...] | None:
    """The touch that the page asks for: operation, its name, and where the fill stands."""
    place = fill["state"], fill["phase"]
    if fill["prompt"]:
        return "answer", fill["prompt"]["name"], *place
    if fill["state"] == "held":
        return "resume", "", *place
    return ("start", "", *place) if fill["state"] == "idle" and fill["missing"] else None


def records(folder: Path) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = json.loads(
        command(folder, "ledger", "list", "--config", "rig.toml", "--json").stdout
    )
    return listed


@pytest.mark.full
def test_a_stop_signal_stops_first_then_records_then_leaves(tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        with signed_in(served) as client:
            order(client)
            until(client, "fill", state="running")
        assert served.end() == 0
        assert served.rig.off()
        (record,) = records(tmp_path)
        assert record["outcome"] == "stopped"


def test_a_whole_fill_ends_with_its_record_and_the_rig_is_free_again(tmp_path: Path) -> None:
    with page_served(tmp_path, scale="100") as served, signed_in(served) as client:
        order(client)
        record = until(client, "record", answers=True)["record"]
        assert record["outcome"] == "complete"
        assert record["by"] == "Jo"
        assert abs(record["net_l"] - served.rig.truth()["delivered_l"]) < 0.5
        trace = client.get(f"/api/fills/{record['fill_id']}").json()["trace"]
        assert len(trace) > 5
        assert trace == sorted(trace)
        # The tyre is full now: the next one is opened, refused by the controller in words, and left.
        order(client)
        picture = until(client, "fill", state="idle")
        while "missing.arrival_pressure" not in [each["text"]["key"] for each in picture["fill"]["missing"]]:
            picture = until(client, "fill", state="idle")
        client.post("/api/stop", json={"id": "stop-0001"})
        assert until(client, "notice")["notice"]["key"] == "notice.not_ready"


@pytest.mark.full
def test_an_interrupted_fill_is_closed_from_the_page(tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        with signed_in(served) as client:
            order(client)
            until(client, "fill", state="running")
        served.process.kill()
        served.process.wait()
        with page_process(served.rig) as again, signed_in(again) as client:
            (waiting,) = until(client, "interrupted")["interrupted"]
            # A new wheel is refused while it waits.
            order(client)
            assert "interrupted" in until(client, "notice")["notice"]["words"]
            order(client, kind="close", fill_id=waiting["fill_id"])
            until(client, "record")
        (record,) = records(tmp_path)
        assert record["outcome"] == "stopped"


def test_without_a_field_the_page_says_so_and_nothing_is_tried(tmp_path: Path) -> None:
    configuration(tmp_path, port="9")
    # No process stands behind this rig: nothing answers at its port.
    with page_process(Rig(tmp_path, None)) as served:  # type: ignore[arg-type]
        with httpx.Client(base_url=served.url, timeout=60) as client:
            live = until(client, "live")["live"]
            while not live["error"]:
                live = until(client, "live")["live"]
            assert live["reachable"] is False
        assert served.end() == 0


def test_the_page_is_for_this_computer_alone_unless_the_shop_says_otherwise(tmp_path: Path) -> None:
    configuration(tmp_path)
    refused = command(tmp_path, "serve", "--config", "rig.toml", "--host", "0.0.0.0")
    assert refused.returncode == 2
    assert "panel.host" in refused.stderr
