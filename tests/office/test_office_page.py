"""The office's page: who sees what, figures against the records that were made, pages of a long list of fills."""

from __future__ import annotations

import asyncio
import json
from decimal import Decimal
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from offices import desk, truck
from shops import HILL, MILL, NOW, PIN, Shop, at, fill, shop

from rig.books.bill import job_bill
from rig.books.invoicing import credited, invoices
from rig.books.month import month_bill, month_of
from rig.ledger.book import Book
from rig.ledger.keeping import book_of
from rig.ledger.query import newest_query
from rig.office.carrying import CHALLENGE, Carrier
from rig.office.contacts import Contacts
from rig.office.direct import send
from rig.office.intake import exchanged
from rig.office.messages import Envelope
from rig.office.register import Register
from rig.office.sharing import write_offer
from rig.panel.office.access import ACCESS
from rig.panel.office.kept import Kept
from rig.panel.office.page import OfficePage
from rig.panel.people import OFFICE_FILE, OFFICE_ROLES, People
from rig.record.notes import Shared

OWN = {"X-Rig": "page"}
ASKS = {"wheels": f"?customer={HILL}", "month": "?month=2026-11"}
MONEY = ("total", "price", "amount", 'net"', "currency", "USD")


@pytest.fixture
def made(tmp_path: Path) -> Shop:
    return shop(tmp_path)


@pytest.fixture
def page(made: Shop) -> OfficePage:
    return OfficePage(made.url, made.people, Contacts(), lambda: NOW)


class Client:
    """One browser, called without a wire."""

    def __init__(self, page: OfficePage) -> None:
        transport = httpx.ASGITransport(app=page.app(https=True))
        self._client = httpx.AsyncClient(transport=transport, base_url="https://127.0.0.1:8444", headers=OWN)

    def get(self, address: str, **more: Any) -> httpx.Response:  # noqa: ANN401
        return asyncio.run(self._client.get(address, **more))

    def post(self, address: str, **more: Any) -> httpx.Response:  # noqa: ANN401
        return asyncio.run(self._client.post(address, **more))


def signed_in(page: OfficePage, role: str = "owner") -> Client:
    client = Client(page)
    assert client.post("/api/sign-in", json={"name": role.title(), "pin": PIN}).status_code == 200
    return client


def got(client: Client, address: str) -> dict[str, Any]:
    reply = client.get(f"/api/{address}")
    assert reply.status_code == 200, reply.text
    found: dict[str, Any] = reply.json()
    return found


# --- who sees what --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("area", ACCESS)
def test_strangers_see_nothing(page: OfficePage, area: str) -> None:
    reply = Client(page).get(f"/api/{area}{ASKS.get(area, '')}")
    assert (reply.status_code, reply.json()["error"]) == (401, "sign in first")


def test_a_stranger_s_page_names_nobody(page: OfficePage) -> None:
    client = Client(page)
    text = client.get("/").text + client.get("/api/me").text
    assert not [name for name in (*map(str.title, OFFICE_ROLES), "Alpha", HILL) if name in text]
    assert "default-src 'none'" in client.get("/").headers["content-security-policy"]
    assert client.get("/", headers={"host": "elsewhere.example"}).status_code == 421


@pytest.mark.parametrize("role", OFFICE_ROLES)
def test_each_role_sees_its_part_and_no_money_beyond_it(page: OfficePage, role: str) -> None:
    client = signed_in(page, role)
    for area, roles in ACCESS.items():
        reply = client.get(f"/api/{area}{ASKS.get(area, '')}")
        assert reply.status_code == (200 if role in roles else 403), area
        if role not in ("owner", "bookkeeper"):
            assert not [word for word in MONEY if word in reply.text], area
    assert client.get("/api/me").json()["areas"] == [area for area, roles in ACCESS.items() if role in roles]


def test_money_is_for_owner_and_bookkeeper_alone() -> None:
    assert ACCESS["bills"] == ACCESS["month"] == {"owner", "bookkeeper"}


def test_wrong_tries_are_limited_for_a_right_pin_as_well(page: OfficePage) -> None:
    client = Client(page)
    tries = [client.post("/api/sign-in", json={"name": "Owner", "pin": "9182"}).status_code for _ in range(6)]
    assert tries == [401] * 5 + [429]
    assert client.post("/api/sign-in", json={"name": "Owner", "pin": PIN}).status_code == 429


def test_whoever_is_removed_or_has_another_role_is_signed_out(page: OfficePage, made: Shop) -> None:
    owner, technician = signed_in(page), signed_in(page, "technician")
    made.people.remove("Technician")
    made.people.add("Owner", "dispatcher", PIN)
    assert [each.get("/api/trucks").status_code for each in (owner, technician)] == [401, 401]


def test_sign_out_needs_the_page_s_own_token(page: OfficePage) -> None:
    client = signed_in(page)
    assert client.post("/api/sign-out", json={}).status_code == 403
    csrf = got(client, "me")["csrf"]
    assert client.post("/api/sign-out", json={}, headers={"x-csrf": csrf}).status_code == 200
    assert client.get("/api/trucks").status_code == 401


# --- figures --------------------------------------------------------------------------------------------------------


def test_trucks_with_their_last_record(page: OfficePage, made: Shop) -> None:
    rows = {row["name"]: row for row in got(signed_in(page), "trucks")["trucks"]}
    with Book(made.url) as book:
        heads = book.heads()
    assert set(rows) == {"Alpha", "Beta"}
    assert {row["truck"]: row["serial"] for row in rows.values()} == {name: heads[name][0] for name in heads}
    assert rows["Beta"]["at"] == at(21, 9)
    assert (rows["Beta"]["signed"], rows["Beta"]["key"]) == (None, "none")


def test_a_truck_that_is_heard_says_what_still_waits(tmp_path: Path) -> None:
    """Two pieces are needed for its records: after the first request all of them, then none wait."""
    with desk(f"sqlite:///{tmp_path / 'o.sqlite'}", tmp_path) as made:
        folder, people, contacts = truck(tmp_path, "c", 700), People(tmp_path, OFFICE_FILE), Contacts(lambda: NOW)
        people.add("Owner", "owner", PIN)
        client = signed_in(OfficePage(f"sqlite:///{tmp_path / 'o.sqlite'}", people, contacts, lambda: NOW))
        link = made.enrol(folder)
        waiting = []

        def ask(what: str, text: str) -> str:
            if what == CHALLENGE:
                return made.ask(what, text)
            answer = exchanged(made.register, made.key, Envelope.read(text), made.challenges, contacts)
            [row] = got(client, "trucks")["trucks"]
            waiting.append((row["heard"], row["waiting"], row["serial"]))
            return answer.model_dump_json()

        Carrier(folder, link, ask).run()
        [row] = got(client, "trucks")["trucks"]
    heard = "2026-11-29T12:00:00+00:00"
    assert [each[0] for each in waiting] == [heard] * len(waiting)
    assert all(left == 700 - serial for _, left, serial in waiting)
    assert waiting[-1][1:] == (0, 700)
    assert len(waiting) > 1
    assert (row["signed"], row["key"]) == (700, "valid")


def test_a_time_that_was_not_believed_is_unknown(page: OfficePage, made: Shop) -> None:
    with book_of(made.folder / "beta") as book, Register(made.url) as office:
        book.append("event", "late", at(28), {"event": "configuration", "clock": "not believed"})
        send(book, office)
    rows = {row["name"]: row for row in got(signed_in(page), "trucks")["trucks"]}
    assert rows["Beta"]["at"] is None


def test_unbilled_work_and_bills_add_up(page: OfficePage, made: Shop) -> None:
    client = signed_in(page)
    work = {row["job"]: row for row in got(client, "work")["work"]}
    assert set(work) == {"J2", "J3"}
    assert (work["J2"]["fills"], work["J2"]["litres"], work["J2"]["unknown"]) == (2, 150.0, 0)
    assert (work["J3"]["fills"], work["J3"]["litres"], work["J3"]["unknown"]) == (2, 70.0, 1)
    bills = got(client, "bills")
    assert [(row["job"], row["customer"]) for row in bills["issued"]] == [("J1", HILL)]
    assert [row["total"] for row in bills["sums"]] == [row["total"] for row in bills["issued"]]
    sums = {row["job"]: row for row in bills["unbilled"]}
    with book_of(made.folder / "alpha") as book:
        assert sums["J2"]["total"] == job_bill(book, "J2").total
    assert sums["J3"]["total"] is None
    assert sums["J3"]["why"]


def test_a_given_job_is_shown_until_its_truck_begins_it(page: OfficePage, made: Shop) -> None:
    client = signed_in(page, "dispatcher")
    with Register(made.url) as office:
        for name in ("J7", "J3"):
            said = Shared(name=name, said={"customer": MILL, "machine": "Grader 2"})
            write_offer(office, "job", "office for truck-beta", None, said, f"given {name}")
    [job] = got(client, "work")["given"]
    assert (job["job"], job["truck"], job["customer"], job["machine"]) == ("J7", "Beta", MILL, "Grader 2")
    with book_of(made.folder / "beta") as book, Register(made.url) as office:
        fill(book, "b7", 28, number=7, job="J7", customer=MILL)
        send(book, office)
    assert got(client, "work")["given"] == []


def test_the_jobs_of_a_day_are_shown_with_what_is_begun(page: OfficePage, made: Shop) -> None:
    client = signed_in(page, "technician")
    with Register(made.url) as office:
        for name, day in (("J7", "2026-12-02"), ("J3", "2026-12-02"), ("J8", "2026-12-03"), ("J9", None)):
            said = {
                "machine": "Grader 2",
                "site": "North yard",
                "site_number": "SITE-1",
                **({"day": day} if day else {}),
            }
            write_offer(office, "job", "office for truck-beta", None, Shared(name=name, said=said), f"given {name}")
    found = got(client, "work?day=2026-12-02")["given"]
    assert {(job["job"], job["begun"], job["day"]) for job in found} == {
        ("J7", False, "2026-12-02"), ("J3", True, "2026-12-02"),
    }  # fmt: skip
    assert (found[0]["site"], found[0]["site_number"]) == ("North yard", "SITE-1")
    assert {job["job"] for job in got(client, "work")["given"]} == {"J7", "J8", "J9"}
    assert client.get("/api/work?day=tomorrow").status_code == 422


def test_more_work_after_a_bill_is_unbilled_and_names_it(page: OfficePage, made: Shop) -> None:
    client = signed_in(page)
    got(client, "work")
    with book_of(made.folder / "alpha") as book, Register(made.url) as office:
        fill(book, "a9", 15, number=9, job="J1", net_l=10.0, customer=HILL)
        send(book, office)
    [row] = [row for row in got(client, "work")["work"] if row["job"] == "J1"]
    [issued] = got(client, "bills")["issued"]
    assert row["before"] == issued["invoice"]


def test_a_cancelled_bill_leaves_its_work_to_be_billed(page: OfficePage, made: Shop) -> None:
    with book_of(made.folder / "alpha") as book, Register(made.url) as office:
        credited(book, invoices(book)[0], "billed twice", "Kim")
        send(book, office)
    client = signed_in(page, "bookkeeper")
    bills = got(client, "bills")
    assert [row["state"] for row in bills["issued"]] == ["credit", "cancelled"]
    assert bills["sums"] == []
    assert {row["job"] for row in bills["unbilled"]} == {"J1", "J2", "J3"}
    assert {row["job"]: row["before"] for row in got(client, "work")["work"]}["J1"] == ""


def test_the_month_is_the_sum_of_its_jobs(page: OfficePage, made: Shop) -> None:
    client = signed_in(page, "bookkeeper")
    rows = {row["customer"]: row for row in got(client, "month?month=2026-11")["bills"]}
    with Book(made.url) as book:
        bill = month_bill(book, HILL, *month_of("2026-11"))
    assert (rows[HILL]["total"], rows[HILL]["fills"]) == (bill["total"], 3)
    assert rows[MILL]["total"] is None
    lines = got(client, f"month?month=2026-11&customer={HILL}")["lines"]
    assert sum(Decimal(line["amount"]) for line in lines) == Decimal(rows[HILL]["net"])
    assert client.get("/api/month?month=2026-13").status_code == 422


def test_stock_has_content_and_the_sentence(page: OfficePage) -> None:
    [alpha] = [each for each in got(signed_in(page), "stock")["vessels"] if each["truck"] == "Alpha"]
    assert (alpha["holds"], alpha["dipped"]) == (640.0, at(12))
    # 1000 L, less 350 L of fills: 650 L, and 640 L were found.
    head = alpha["said"]["values"]["head"]
    assert (head["key"], head["values"]["dips"]) == ("explained.missing", 2)
    assert head["values"]["volume"] == pytest.approx(10.0)


def test_wheels_by_machine_and_meters_by_truck(page: OfficePage) -> None:
    client = signed_in(page, "technician")
    [machine] = got(client, f"wheels?customer={HILL}")["machines"]
    assert machine["machine"] == "Loader 1"
    assert {row["position"]: row["litres"] for row in machine["wheels"]} == {"rear left": 50.0, "rear right": 100.0}
    meters = {row["truck"]: row for row in got(client, "meters")["meters"]}
    assert (meters["Alpha"]["proven"], meters["Alpha"]["factor"], meters["Alpha"]["fills"]) == ("2026-11-02", 1.0, 3)
    assert client.get("/api/wheels").status_code == 422


# --- search ---------------------------------------------------------------------------------------------------------


def numbers(found: dict[str, Any]) -> list[str]:
    return [f"{row['truck']} {row['number']}" for row in found["fills"]]


def test_search_by_each_field(page: OfficePage) -> None:
    client = signed_in(page, "dispatcher")
    assert numbers(got(client, "fills")) == ["Beta 2", "Beta 1", "Alpha 3", "Alpha 2", "Alpha 1"]
    assert numbers(got(client, f"fills?customer={MILL.upper()}")) == []
    assert numbers(got(client, f"fills?customer={MILL}")) == ["Beta 2", "Beta 1"]
    assert numbers(got(client, "fills?wheel=11l")) == ["Alpha 3"]
    assert numbers(got(client, "fills?wheel=loader 1, rear right")) == ["Alpha 2"]
    assert numbers(got(client, "fills?truck=truck-beta")) == ["Beta 2", "Beta 1"]
    assert numbers(got(client, "fills?since=2026-11-10&until=2026-11-11")) == ["Alpha 3", "Alpha 2"]
    for wrong in ("since=yesterday", "before=[1]", "before=x", f"customer={'x' * 201}"):
        assert client.get(f"/api/fills?{wrong}").status_code == 422, wrong


def test_pages_have_every_fill_once_and_void_ones_never(page: OfficePage, made: Shop) -> None:
    """Several of one time on two trucks, so that a page ends among them."""
    with Register(made.url) as office:
        for name in ("alpha", "beta"):
            with book_of(made.folder / name) as book:
                for n in range(100, 190):
                    fill(book, f"{name}{n}", 3 + n % 2, number=n, job="J9", customer=HILL)
                gone = book.one("fill", f"{name}100")
                assert gone is not None
                book.append("void", f"{name}100", at(28), {"voids": "fill", "corrects": gone.serial})
                send(book, office)
    client, found, before = signed_in(page), [], ""
    for _ in range(20):
        answer = got(client, f"fills?before={quote(before)}")
        found += numbers(answer)
        if answer["rest"] is None:
            break
        before = json.dumps(answer["rest"])
    wanted = {f"{name} {n}" for name in ("Alpha", "Beta") for n in range(101, 190)}
    assert len(found) == len(set(found))
    assert set(found) == wanted | {"Beta 2", "Beta 1", "Alpha 3", "Alpha 2", "Alpha 1"}


def test_on_a_server_every_part_is_as_in_a_file(made: Shop, tmp_path: Path, url: str) -> None:
    other = shop(tmp_path / "server", url)
    one, two = (signed_in(OfficePage(each.url, each.people, Contacts(), lambda: NOW)) for each in (made, other))
    for area in ACCESS:
        asked = f"{area}{ASKS.get(area, '')}"
        assert got(two, asked) == got(one, asked), area
    place = quote(json.dumps([at(20, 9), "truck-beta", 2]))
    assert got(two, f"fills?before={place}") == got(one, f"fills?before={place}")


@pytest.mark.parametrize("stream", [{"truck": "truck-alpha"}, {"customer": HILL}])
def test_a_page_is_found_by_an_index_in_its_order(made: Shop, stream: dict[str, Any]) -> None:
    """Otherwise each page would read and sort all fills of a truck."""
    with Book(made.url) as book:
        plan = book.plan_of(newest_query("fill", 50, (at(11), "truck-alpha", 9), **stream))
    assert "at<?" in plan
    assert "TEMP B-TREE FOR ORDER BY" not in plan


def test_an_answer_is_kept_until_a_record_arrives(made: Shop) -> None:
    asked: list[int] = []
    kept = Kept(made.url)
    for _ in range(3):
        kept.answer("x", lambda _: {"count": asked.append(1)})
    assert len(asked) == 1
    with book_of(made.folder / "beta") as book, Register(made.url) as office:
        book.append("event", "late", at(28), {"event": "configuration"})
        send(book, office)
    kept.answer("x", lambda _: {"count": asked.append(1)})
    assert len(asked) == 2
