"""People and releases that the office offers, a network that loses and doubles, and offers that are forged."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import pytest
from networks import (
    OTHER_PIN,
    PIN,
    SIZE,
    Network,
    cavity_at,
    edit,
    exchange,
    measured,
    offer,
    person,
    roles,
    settle,
    site_at,
    with_site,
)
from offices import AT
from test_way_down import Truck

from rig.books.office_truck import follow_and_keep
from rig.ledger.chain import Record, seal
from rig.ledger.keeping import book_of
from rig.office.carrying import Moved
from rig.office.entering import entered_from_office
from rig.office.keys import OfficeError
from rig.office.link import copy_of_office
from rig.office.offers import Offers
from rig.office.releases import newer_release, refuse_other
from rig.panel.office_people import Word, followed
from rig.panel.people import People, Someone
from rig.record.notes import Shared
from rig.run.refused import Refused


def test_people_of_the_office_sign_in_on_every_truck_and_are_gone_within_an_exchange(
    two: tuple[Truck, Truck], network: Network
) -> None:
    a, b = two
    People(a.folder).add("Own", "supervisor", PIN)
    person(network, "Kim", "supervisor")
    person(network, "Lee", "technician")
    exchange(a, b)
    assert roles(a) == {"Own": "supervisor", "Kim": "supervisor", "Lee": "technician"}
    assert roles(b) == {"Kim": "supervisor", "Lee": "technician"}
    assert People(b.folder).known("lee", PIN) is not None
    person(network, "Lee", None)
    exchange(a, b)
    assert [name for truck in two for name in roles(truck)] == ["Kim", "Own", "Kim"]
    # The PIN is nowhere in clear, and its verifier is readable by the truck's user alone.
    assert PIN not in (a.folder / "office.sqlite").read_bytes().decode("latin-1")
    assert (a.folder / "office.sqlite").stat().st_mode & 0o077 == 0


def test_of_two_words_on_one_name_the_later_heard_stands(two: tuple[Truck, Truck], network: Network) -> None:
    a, b = two
    for truck in two:
        People(truck.folder).add("Own", "supervisor", PIN)
    People(a.folder).add("kim", "technician", OTHER_PIN)
    person(network, "Kim", "supervisor")
    exchange(a, b)
    assert roles(a) == {"Own": "supervisor", "Kim": "supervisor"}
    assert People(a.folder).known("kim", OTHER_PIN) is None
    People(a.folder).add("Kim", "technician", OTHER_PIN)
    exchange(a, b)
    assert (roles(a)["Kim"], roles(b)["Kim"]) == ("technician", "supervisor")
    person(network, "Kim", None)
    exchange(a, b)
    assert (roles(a), roles(b)) == ({"Own": "supervisor"}, {"Own": "supervisor"})
    People(a.folder).add("Kim", "technician", OTHER_PIN)
    exchange(a)
    assert "Kim" in roles(a)


def test_a_truck_is_never_left_without_a_supervisor(two: tuple[Truck, Truck], network: Network) -> None:
    a, _ = two
    person(network, "Lee", "technician")
    exchange(a)
    # Nobody could set it up: the first person would not be asked for any more.
    assert roles(a) == {}
    person(network, "Kim", "supervisor")
    exchange(a)
    assert roles(a) == {"Kim": "supervisor", "Lee": "technician"}
    person(network, "Kim", None)
    [waits] = follow_after(a)
    assert "Kim is removed" in waits
    assert roles(a)["Kim"] == "supervisor"
    person(network, "Lee", "supervisor")
    exchange(a)
    assert roles(a) == {"Lee": "supervisor"}


def follow_after(truck: Truck) -> tuple[str, ...]:
    truck.sync()
    return follow_and_keep(truck.folder, AT, Moved())


SOMEONE = {role: Someone("x", role, "hash") for role in ("technician", "supervisor")}


def test_no_words_in_any_order_take_the_last_supervisor() -> None:
    drawn = random.Random(7)
    for _ in range(3000):
        people = [
            Someone(name, drawn.choice(["technician", "supervisor"]), "p")
            for name in drawn.sample("abcd", drawn.randint(0, 4))
        ]
        words = [
            Word(
                name,
                f"{name}{n}",
                drawn.choice([None, Someone(name, "technician", "q"), Someone(name, "supervisor", "q")]),
            )
            for n, name in enumerate(drawn.sample("abcdef", drawn.randint(1, 5)))
        ]
        new, heard, waiting = followed(people, {}, words)
        had = any(each.role == "supervisor" for each in people)
        has = any(each.role == "supervisor" for each in new)
        assert has or (not had and bool(new) == bool(people))
        assert len(heard) + len(waiting) == len(words)
        assert followed(new, heard, [word for word in words if word.key in heard])[0] == new


def test_a_release_is_offered_and_its_file_compared(two: tuple[Truck, Truck], network: Network) -> None:
    a, b = two
    offer(network, "release", "1.10", sha256="ab" * 32, day="2026-12-01", words="quicker", minimum="1.9")
    offer(network, "release", "1.9", sha256="cd" * 32, day="2026-11-01")
    exchange(a)
    found = newer_release(a.folder, "1.9")
    assert found is not None
    assert found.line == "a release is offered: 1.10 of 2026-12-01 (from 1.9 on): quicker"
    # 1.10 is behind 1.9 as text, and no decimal number.
    assert newer_release(a.folder, "1.10") is None
    assert newer_release(b.folder, "1.9") is None
    refuse_other(a.folder, "1.10", "ab" * 32, "1.9")
    refuse_other(b.folder, "2.0", "", "1.9")
    for version, sha256, before, words in (
        ("1.10", "ac" * 32, "1.9", "is not the release 1.10"), ("1.10", "", "1.9", "not known"),
        ("1.10", "ab" * 32, "1.8.9", "from 1.9 on"), ("2.0", "ab" * 32, "1.9", "offers no release 2.0"),
    ):  # fmt: skip
        with pytest.raises(Refused, match=words):
            refuse_other(a.folder, version, sha256, before)


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.full) for seed in (1, 2))])
def test_all_of_it_over_a_network_that_loses_and_doubles(two: tuple[Truck, Truck], network: Network, seed: int) -> None:
    a, b = two
    network.drawn = random.Random(seed)
    with_site(a)
    measured(a, "f1", SIZE.volume_l)
    person(network, "Kim", "supervisor")
    offer(network, "release", "9.0", sha256="ab" * 32, day="2026-12-01")
    settle(a, b)
    edit(b, "SITE-1", note="gate")
    settle(a, b)
    assert {"lost", "unanswered", "doubled"} <= set(network.faults)
    assert (site_at(a, "1").note, cavity_at(b), roles(b)) == (
        "gate",
        (pytest.approx(SIZE.volume_l), 10.0),
        {"Kim": "supervisor"},
    )
    assert newer_release(b.folder, "1.0") is not None
    kinds = [record.kind for record in network.chain("office")]
    assert sorted(set(kinds)) == [f"shared {what}" for what in ("cavity", "customer", "person", "release", "site")]
    assert kinds.count("shared site") == 2


def test_what_a_truck_forges_is_offered_to_nobody(two: tuple[Truck, Truck], network: Network) -> None:
    """Records of the office's kinds in a truck's own chain are records of that truck, and nothing else."""
    a, b = two
    with book_of(a.folder) as book:
        forged: dict[str, dict[str, object]] = {
            "person": {"role": "supervisor", "pin": "x"},
            "release": {"sha256": "ab" * 32, "day": "2026-12-01"},
            "cavity": {"size": "16.9-28"},
            "site": {"name": "x", "customer_number": "SHOP-1"},
        }
        for what, said in forged.items():
            book.append(f"shared {what}", f"forged {what}", AT, Shared(name="forged", said=said))
    settle(a, b)
    assert network.chain("office") == []
    assert roles(a) == roles(b) == {}
    assert newer_release(b.folder, "1.0") is None


@pytest.mark.parametrize("what", ["person", "release", "site", "cavity"])
def test_an_offer_that_the_office_did_not_sign_is_refused(
    two: tuple[Truck, Truck], network: Network, what: str
) -> None:
    """Somebody between them adds a record to what the office hands out, sealed as it should be."""
    a, _ = two
    offer(network, "release", "9.0", sha256="ab" * 32, day="2026-12-01")

    def forging(asked: str, text: str) -> str:
        answer = json.loads(Network.ask(network, asked, text))
        if asked == "exchange":
            inner = json.loads(answer["text"])
            for piece in inner["down"]:
                last = Record(*piece["rows"][-1])
                body = json.dumps({"name": "x", "said": {"role": "supervisor"}}, sort_keys=True, separators=(",", ":"))
                forged = seal("office", (last.serial, last.hash), f"shared {what}", "k", AT, body)
                piece["rows"].append(
                    [
                        getattr(forged, name)
                        for name in ("truck", "serial", "kind", "key", "at", "body", "previous", "hash")
                    ]
                )
            answer["text"] = json.dumps(inner)
        return json.dumps(answer)

    with pytest.raises(OfficeError, match="not signed"):
        replace(a, desk=_Asking(network, forging)).sync()
    with copy_of_office(a.folder) as copy:
        assert not copy.heads()
        assert Offers.of(copy, ["office"]).each("person") == []
    assert entered_from_office(a.folder, AT) == []


def _Asking(network: Network, ask: object) -> Network:  # noqa: N802
    made = replace(network)
    made.ask = ask  # type: ignore[method-assign, assignment]
    return made
