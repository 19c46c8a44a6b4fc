"""Logins of trucks at the office's PostgreSQL: enrolled, used, revoked; and an office of before, which had none."""

from __future__ import annotations

from dataclasses import astuple
from pathlib import Path

import psycopg
import pytest
from office_shop import AT, INSERT, Shop, address, chain, head, libpq
from postgres import Server, missing
from sqlalchemy import create_engine
from sqlalchemy.engine import make_url

from rig.ledger.book import Book, BookError
from rig.ledger.chain import START
from rig.ledger.keeping import book_of
from rig.ledger.migrations import migrate
from rig.office.direct import fetch, send
from rig.office.logins import Office, login_named

pytestmark = pytest.mark.skipif(bool(missing()), reason=missing() or "there is a server")


def own_name(url: str) -> str:
    """A truck's id for one database: logins are the server's, and all tests of a process have one server."""
    return f"truck-{str(make_url(url).database).replace('_', '-')}"


# --- enrolled, revoked, not enrolled --------------------------------------------------------------------------------


def test_an_enrolled_truck_sends_and_fetches_its_own(tmp_path: Path, url: str) -> None:
    name = own_name(url)
    with book_of(tmp_path / "one", name) as book, Office(url) as office:
        book.append_all([("fill", f"{n}", AT, {"n": n}) for n in range(12)])
        office.append("fill", "own", AT, {})
        login = address(office.enroll(name))
        with Office(login) as there:
            assert there.granted == (name,)
            assert send(book, there, batch=5) == 12
            assert send(book, there) == 0
        with book_of(tmp_path / "two", name) as empty, Book(login) as there:
            assert fetch(empty, there) == 12
            assert empty.faults() == []
        assert office.granted is None
        assert (office.heads()[name][0], office.faults()) == (12, [])


def test_two_chains_of_one_truck_have_one_login(tmp_path: Path, url: str) -> None:
    old, new = f"Rig of {own_name(url)}", own_name(url)
    with Office(url) as office:
        with pytest.raises(BookError, match=f"{new} has no login yet"):
            office.enroll(old, same_as=new)
        office.enroll(new)
        both = office.enroll(old, same_as=new)
        assert both.username == login_named(new) == new
        third = f"{new}-third"
        office.enroll(third)
        with pytest.raises(BookError, match=f"{third} has a login of its own"):
            office.enroll(third, same_as=new)
        with Office(address(both)) as there:
            assert sorted(there.granted or ()) == sorted((old, new))
            assert there.take_in(chain(old, 3)) == there.take_in(chain(new, 3)) == 3


def test_a_login_not_enrolled_for_this_truck_is_told_so(shop: Shop, tmp_path: Path) -> None:
    with book_of(tmp_path, shop.other) as book, Office(address(shop.login)) as there:
        book.append("fill", "a", AT, {})
        with pytest.raises(BookError, match=rf"is that of {shop.mine}, this truck is .*rig office enroll {shop.other}"):
            send(book, there)
        with pytest.raises(BookError, match="rig office enroll"):
            fetch(book, there)


def test_a_revoked_truck_writes_nothing_more_not_even_on_an_open_connection(shop: Shop) -> None:
    [record] = chain(shop.mine, 1, head(shop, shop.mine))
    with shop.attacker() as open_one, Office(shop.owner) as office:
        open_one.execute("BEGIN ISOLATION LEVEL REPEATABLE READ")
        assert open_one.execute("SELECT max(serial) FROM records").fetchone() == (record.serial - 1,)
        assert office.revoke(shop.mine) == shop.mine
        with pytest.raises(psycopg.Error, match="permission denied"):
            open_one.execute(INSERT, astuple(record))
        open_one.execute("ROLLBACK")
        with pytest.raises(psycopg.Error, match="permission denied"):
            open_one.execute("SELECT * FROM records")
        with pytest.raises(psycopg.OperationalError, match="not permitted to log in"):
            shop.attacker()
        # A new computer for the same truck goes on in the same chain.
        shop.login = office.enroll(shop.mine)
        with Office(address(shop.login)) as there:
            assert there.take_in([record]) == 1
        with pytest.raises(BookError, match="truck-nobody has no login"):
            office.revoke("truck-nobody")


def superuser(shop: Shop) -> psycopg.Connection[tuple[object, ...]]:
    return psycopg.connect(libpq(make_url(shop.owner).set(username="postgres")), autocommit=True)


def test_a_password_is_asked_for_and_a_former_one_refused(shop: Shop, postgres: Server) -> None:
    former = shop.login
    with Office(shop.owner) as office:
        shop.login = office.enroll(shop.mine)
    with superuser(shop) as db:
        row = db.execute("SELECT rolpassword FROM pg_authid WHERE rolname = %s", (shop.mine,)).fetchone()
        # RFC 5803: scheme, iterations and salt, then the two keys; the server never had the password itself.
        assert str(row and row[0]).startswith("SCRAM-SHA-256$4096:")
        rules = Path(postgres.data) / "pg_hba.conf"
        rules.write_text(f'local all "{shop.mine}" scram-sha-256\n{rules.read_text()}')
        db.execute("SELECT pg_reload_conf()")
    with pytest.raises(psycopg.OperationalError, match="password authentication failed"):  # noqa: PT012
        # The server reads its rules anew a moment later.
        for _ in range(1000):
            psycopg.connect(libpq(former)).close()
    shop.attacker().close()


def test_a_copy_of_the_office_on_another_server_makes_its_logins_there(shop: Shop) -> None:
    """A dump of a database has no roles: enrolling makes the missing one."""
    name = f"{shop.mine}-moved"
    with Office(shop.owner) as office:
        login = office.enroll(name)
        with superuser(shop) as db:
            db.execute(f'DROP OWNED BY "{name}"; DROP ROLE "{name}"')
        with pytest.raises(BookError, match="does not exist"):
            Office(address(login))
        with Office(address(office.enroll(name))) as there:
            assert there.take_in(chain(name, 2)) == 2


def test_what_cannot_be_enrolled(shop: Shop, tmp_path: Path) -> None:
    with Office(shop.owner) as office:
        with pytest.raises(BookError, match="the office's own chain"):
            office.enroll("office")
        with superuser(shop) as db:
            db.execute(f'CREATE ROLE "{shop.mine}x" LOGIN SUPERUSER')
        with pytest.raises(BookError, match="that this office has not made"):
            office.enroll(f"{shop.mine}x")
    with Office(f"sqlite:///{tmp_path / 'office.sqlite'}") as office, pytest.raises(BookError, match="has no logins"):
        office.enroll(shop.mine)


def test_every_id_has_a_login_of_its_own() -> None:
    ids = ["truck-0a1b2c3d4e", "Demo rig (simulated)", "demo rig simulated", "truck-A", "truck-a", "postgres", "é" * 90]
    logins = [login_named(each) for each in ids]
    assert len(set(logins)) == len(ids)
    assert all(each.startswith("truck-") and len(each) < 63 for each in logins)


# --- an office of the version before --------------------------------------------------------------------------------


def test_an_office_of_before_is_migrated_and_its_shared_login_ends(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """All trucks shared one login with the least grants that sending needed: it is refused, nothing is lost."""
    name = own_name(url)
    shared = own_name(url).replace("truck-", "shared_").replace("-", "_")
    _office_of_before(url, name, shared, monkeypatch)
    with pytest.raises(BookError, match=r"office is of version 0002.*rig office enroll"):
        Office(address(make_url(url).set(username=shared)))
    with Office(url) as office:
        assert (office.heads()[name][0], office.faults()) == (4, [])
        with Office(address(make_url(url).set(username=shared))) as there:
            assert there.granted == ()
            assert (there.heads(), list(there.every())) == ({}, [])
            with pytest.raises(BookError, match="writes no records of"):
                there.take_in(chain(name, 6))
        with psycopg.connect(libpq(make_url(url).set(username=shared)), autocommit=True) as db:
            assert db.execute("UPDATE heads SET serial = 0").rowcount == 0
        with Office(address(office.enroll(name))) as there:
            assert there.take_in(chain(name, 6)) == 2


def _office_of_before(url: str, truck: str, shared: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tables as the migrations up to 0002 made them, four records of a truck, and a login for all trucks."""
    from alembic import command

    latest, upgrade = "rig.ledger.migrations.LATEST", command.upgrade
    with monkeypatch.context() as before:
        before.setattr(latest, "0002")
        before.setattr(command, "upgrade", lambda config, _: upgrade(config, "0002"))
        with psycopg.connect(libpq(make_url(url)), autocommit=True) as db:
            engine = create_engine(url)
            migrate(engine, None)
            engine.dispose()
            db.execute("INSERT INTO identity VALUES ('office', 1)")
            db.execute("INSERT INTO heads VALUES (%s, 0, %s)", (truck, START))
            db.cursor().executemany(INSERT, [astuple(each) for each in chain(truck, 4)])
            db.execute(f"CREATE ROLE {shared} LOGIN")
            for grant in ("SELECT, INSERT ON records", "SELECT, INSERT, UPDATE ON heads",
                          "SELECT, INSERT ON identity", "SELECT ON alembic_version"):  # fmt: skip
                db.execute(f"GRANT {grant} TO {shared}")
