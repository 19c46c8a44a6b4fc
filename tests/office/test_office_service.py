"""The service over https as trucks reach it: known by the office's key, whatever the clock, the name or the network."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from offices import AT, Desk, chain_in, desk, truck

from rig.ledger.keeping import book_of
from rig.office.carrying import CHALLENGE, ENROL, Carrier
from rig.office.enrolment import EnrolAnswer
from rig.office.https import Https, certificate, host_of
from rig.office.keys import OfficeError, StaleError
from rig.office.link import asking, joined
from rig.office.service import MOST_BYTES, service
from rig.panel.listening import listening
from rig.panel.server import served as page_served
from rig.run.shop_panel import PanelTable


@contextmanager
def serving(made: Desk, folder: Path, at: datetime) -> Iterator[str]:
    """The office's address while it is served; its certificate begins at a time."""
    path = str(certificate(made.key, folder, at))
    with listening("127.0.0.1", 0) as bound:
        table = PanelTable(certificate=path, key=path)
        with page_served(service(made.register, made.key), table, bound):
            yield f"https://127.0.0.1:{bound.getsockname()[1]}"


@pytest.fixture(params=["sqlite", "postgresql"])
def served(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Desk, str]]:
    folder = tmp_path / "office"
    url = f"sqlite:///{folder / 'o.sqlite'}" if request.param == "sqlite" else request.getfixturevalue("url")
    # Its clock is wrong by years: nothing asks for it.
    with desk(url, folder) as made, serving(made, folder, datetime(2019, 1, 1, tzinfo=UTC)) as address:
        yield made, address


def test_from_a_code_to_a_countersigned_head(served: tuple[Desk, str], tmp_path: Path) -> None:
    made, address = served
    folder, code = truck(tmp_path, "a", 700), made.register.new_code()
    answer = Https(address, None)(ENROL, asking(folder, code).model_dump_json())
    link = joined(folder, code, EnrolAnswer.read(answer))
    carrier = Carrier(folder, link, Https(address, link.office))
    assert carrier.run().sent == 700
    with book_of(folder) as book:
        book.append("event", "more", AT, {"event": "test"})
    assert carrier.run().sent == 1
    assert made.chain(link.truck) == chain_in(folder)
    with book_of(folder) as book:
        assert book.last_signed(link.truck) == made.register.last_signed(link.truck)
    made.register.end_keys(link.truck)
    with pytest.raises(OfficeError, match="revoked"):
        carrier.run()


def test_another_office_at_the_address_hears_nothing(served: tuple[Desk, str], tmp_path: Path) -> None:
    made, _ = served
    folder = truck(tmp_path, "a", 3)
    link = made.enrol(folder)
    with (
        desk(f"sqlite:///{tmp_path / 'false.sqlite'}", tmp_path / "false") as false,
        serving(false, tmp_path / "false", datetime.now(UTC)) as address,
        pytest.raises(OfficeError, match="is not the office that enrolled this truck"),
    ):
        Carrier(folder, link, Https(address, link.office)).run()


@pytest.mark.parametrize("what", [b"", b"{}", b"[]", b"\xff\xfe", b'{"text":"{}","signature":""}', b"[" * 100_000])
def test_what_is_no_message_is_refused_in_words(served: tuple[Desk, str], what: bytes) -> None:
    _, address = served
    with httpx.Client(verify=False, trust_env=False) as client:
        for path in ("exchange", "enrol"):
            said = client.post(f"{address}/{path}", content=what)
            assert said.status_code == 403
            assert said.json()["error"]
        assert client.get(f"{address}/exchange").status_code == 405


def test_too_much_is_refused(served: tuple[Desk, str]) -> None:
    _, address = served
    with httpx.Client(verify=False, trust_env=False) as client:
        assert client.post(f"{address}/exchange", content=b"x" * (MOST_BYTES + 1)).status_code == 413


def test_a_request_is_heard_once(served: tuple[Desk, str], tmp_path: Path) -> None:
    made, address = served
    folder = truck(tmp_path, "a", 3)
    link = made.enrol(folder)
    ask, said = Https(address, link.office), []

    def hearing(what: str, text: str) -> str:
        said.append((what, text))
        return ask(what, text)

    Carrier(folder, link, hearing).run()
    for what, text in said:
        if what != CHALLENGE:
            with pytest.raises(StaleError, match="heard already"):
                ask(what, text)


def test_nobody_at_the_address(tmp_path: Path, office: Desk) -> None:
    with listening("127.0.0.1", 0) as bound:
        address = f"https://127.0.0.1:{bound.getsockname()[1]}"
    folder = truck(tmp_path, "a", 3)
    link = office.enrol(folder)
    with pytest.raises(OSError, match="refused"):
        Carrier(folder, link, Https(address, link.office)).run()


@pytest.mark.parametrize("text", ["http://x", "https://", "x", "https://x:99999", "https://x/path", "https://[::1"])
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(OfficeError, match="is no address"):
        host_of(text)


def test_an_office_that_never_answers_is_a_network_without_one(tmp_path: Path, office: Desk) -> None:
    folder = truck(tmp_path, "a", 3)
    link = office.enrol(folder)
    with listening("127.0.0.1", 0) as bound:
        bound.listen()
        ask = Https(f"https://127.0.0.1:{bound.getsockname()[1]}", link.office, wait_s=0.1)
        with pytest.raises(TimeoutError):
            Carrier(folder, link, ask).run()


def test_several_trucks_at_once(served: tuple[Desk, str], tmp_path: Path) -> None:
    made, address = served
    folders = [truck(tmp_path, f"t{number}", 60) for number in range(5)]
    carriers = [
        Carrier(folder, link, Https(address, link.office)) for folder in folders for link in [made.enrol(folder)]
    ]
    with ThreadPoolExecutor() as pool:
        assert [moved.sent for moved in pool.map(Carrier.run, carriers)] == [60] * 5
    for carrier in carriers:
        assert made.chain(carrier.link.truck) == chain_in(carrier.folder)
