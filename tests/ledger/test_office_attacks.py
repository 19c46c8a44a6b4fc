"""A truck's own login at the office's PostgreSQL: it appends to its own chain, and every attack on another is refused.

The attacks are statements sent straight to the server, past the program. Row-level security, ownership and functions
that run as their owner: https://www.postgresql.org/docs/15/ddl-rowsecurity.html, sql-createfunction.html.
"""

from __future__ import annotations

import random
from dataclasses import astuple, replace

import psycopg
import pytest
from office_shop import AT, INSERT, Shop, address, chain, head, libpq
from postgres import missing
from sqlalchemy.engine import make_url

from rig.ledger.chain import START, Record, digest, seal
from rig.ledger.writing import WritableBook

pytestmark = pytest.mark.skipif(bool(missing()), reason=missing() or "there is a server")


def refused(shop: Shop, statement: str, *values: object, words: str) -> None:
    """The server refuses a statement of the attacker in these words, and the book stands as it was."""
    before = shop.chains()
    with shop.attacker() as db, pytest.raises(psycopg.Error, match=words):
        db.execute(statement, values or None)
    assert shop.chains() == before


# --- each attack ----------------------------------------------------------------------------------------------------


def test_a_fill_forged_into_another_trucks_chain(shop: Shop) -> None:
    [forged] = chain(shop.other, 1, head(shop, shop.other), "forged")
    refused(shop, INSERT, *astuple(forged), words=f"{shop.mine} writes no records of {shop.other}")
    # The honest truck goes on.
    with WritableBook(address(shop.other_login), "office") as office:
        assert office.take_in(chain(shop.other, 2, head(shop, shop.other))) == 2


def test_the_first_record_of_a_chain_that_nobody_has(shop: Shop) -> None:
    refused(shop, INSERT, *astuple(chain("office", 1)[0]), words="writes no records of office")
    assert {each.truck for each in shop.chains()} == {shop.mine, shop.other}


def test_reordered_replayed_changed_and_cut(shop: Shop) -> None:
    first, second, third = chain(shop.mine, 3, head(shop, shop.mine))
    for record in (second, third, chain(shop.mine, 10)[4], chain(shop.mine, 10)[9]):
        refused(shop, INSERT, *astuple(record), words="does not follow")
    refused(shop, INSERT, *astuple(replace(first, body='{"n":999}')), words="not what was sealed")
    refused(shop, INSERT, *astuple(replace(first, truck=shop.other)), words="writes no records")


@pytest.mark.parametrize("body", ["[1]", '"text"', "7", "null"])
def test_a_body_that_no_reader_could_read(shop: Shop, body: str) -> None:
    refused(shop, INSERT, *astuple(seal(shop.mine, head(shop, shop.mine), "fill", "k", AT, body)), words="is no record")


def test_one_seal_with_two_readings(shop: Shop) -> None:
    """The fields are hashed as lines: a line's end in one of them would let the same seal stand for other fields."""
    serial, previous = head(shop, shop.mine)
    line, other = ("fill\nk", "w"), ("fill", "k\nw")
    hashes = {digest(shop.mine, serial + 1, kind, key, AT, previous, "{}") for kind, key in (line, other)}
    assert len(hashes) == 1
    for kind, key in (line, other):
        refused(shop, INSERT, shop.mine, serial + 1, kind, key, AT, "{}", previous, *hashes, words="is no record")


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE heads SET serial = 0, hash = repeat('0', 64)",
        "INSERT INTO heads VALUES ('office', 5, repeat('0', 64))",
        "DELETE FROM heads",
        "TRUNCATE heads",
        "UPDATE records SET body = '{}'",
        "DELETE FROM records",
        "TRUNCATE records CASCADE",
        "UPDATE identity SET truck = 'mine'",
        "SELECT * FROM logins",
        "INSERT INTO logins VALUES ('office', session_user)",
        "UPDATE alembic_version SET version_num = '9999'",
    ],
)
def test_what_stands_is_not_changed(shop: Shop, statement: str) -> None:
    refused(shop, statement, words="permission denied")


@pytest.mark.parametrize(
    "statement",
    [
        "SET ROLE postgres",
        "SET SESSION AUTHORIZATION postgres",
        'SET ROLE "{other}"',
        'GRANT "{other}" TO "{mine}"',
        "CREATE ROLE helper",
        'ALTER ROLE "{other}" PASSWORD NULL',
        'ALTER ROLE "{mine}" CREATEROLE',
        "ALTER TABLE records DISABLE ROW LEVEL SECURITY",
        "ALTER TABLE records DISABLE TRIGGER ALL",
        "SET session_replication_role = replica",
        "DROP POLICY own_chain_read ON records",
        "CREATE OR REPLACE FUNCTION own_chains() RETURNS SETOF text LANGUAGE sql AS $$ SELECT truck FROM records $$",
        "ALTER FUNCTION own_chains() SET search_path = pg_temp",
        "CREATE TABLE mine (a int)",
        "CREATE TEMP TABLE heads (truck text, serial bigint, hash text)",
        "CREATE FUNCTION mine() RETURNS int LANGUAGE sql AS $$ SELECT 1 $$",
        "CREATE SCHEMA mine",
        "CREATE VIEW pg_temp.seen AS SELECT * FROM records",
        "COPY records TO PROGRAM 'cat'",
        "BEGIN; LOCK TABLE records IN SHARE MODE",
    ],
)
def test_no_right_is_taken_and_nothing_created(shop: Shop, statement: str) -> None:
    words = "permission denied|must be|must have|is not permitted|cannot create"
    refused(shop, statement.format(mine=shop.mine, other=shop.other), words=words)


def test_nothing_of_another_truck_is_read(shop: Shop) -> None:
    with shop.attacker() as db:
        assert db.execute("SELECT DISTINCT truck, customer FROM records").fetchall() == [
            (shop.mine, f"Hill Farm {shop.mine}")
        ]
        assert db.execute("SELECT truck FROM heads").fetchall() == [(shop.mine,)]
        assert db.execute("SELECT * FROM locked_head(%s)", (shop.other,)).fetchall() == []
        assert db.execute("SELECT own_chains()").fetchall() == [(shop.mine,)]
        with db.cursor().copy("COPY records (truck) TO STDOUT") as rows:
            assert {bytes(row).decode().strip() for row in rows} == {shop.mine}
        # Nor from what the server has counted for its plans.
        assert db.execute("SELECT * FROM pg_stats WHERE tablename IN ('records', 'heads', 'logins')").fetchall() == []


def test_the_attackers_own_tables_stand_in_for_none(shop: Shop) -> None:
    """A search path of the attacker's changes nothing in what runs as the owner."""
    with shop.attacker() as db:
        db.execute("SET search_path = pg_temp, pg_catalog")
        [forged] = chain(shop.other, 1, head(shop, shop.other), "forged")
        with pytest.raises(psycopg.Error, match="writes no records"):
            db.execute(INSERT.replace("records", "public.records", 1), astuple(forged))
        db.execute(
            INSERT.replace("records", "public.records", 1), astuple(chain(shop.mine, 1, head(shop, shop.mine))[0])
        )


def test_the_owners_login_writes_no_head_either(shop: Shop) -> None:
    """An office on which a truck still has the owner's password: heads follow the records, whoever writes."""
    before = shop.chains()
    with psycopg.connect(libpq(make_url(shop.owner)), autocommit=True) as db:
        for statement in ("UPDATE heads SET serial = 0", "INSERT INTO heads VALUES ('x', 3, 'y')"):
            with pytest.raises(psycopg.Error, match="written by the records alone"):
                db.execute(statement)
        with pytest.raises(psycopg.Error, match="only appended"):
            db.execute("TRUNCATE heads")
    assert shop.chains() == before


def test_two_connections_of_one_truck_write_one_chain(shop: Shop) -> None:
    """The second waits for the first and is then refused: of two records with one number one stands."""
    at = head(shop, shop.mine)
    [one], [other] = chain(shop.mine, 1, at, "one"), chain(shop.mine, 1, at, "other")
    with shop.attacker() as first, shop.attacker() as second:
        first.execute("BEGIN")
        first.execute(INSERT, astuple(one))
        second.execute("SET lock_timeout = '50ms'")
        with pytest.raises(psycopg.Error, match="lock timeout"):
            second.execute(INSERT, astuple(other))
        first.execute("COMMIT")
        with pytest.raises(psycopg.Error, match="does not follow"):
            second.execute(INSERT, astuple(other))
    assert head(shop, shop.mine) == (one.serial, one.hash)


# --- counted --------------------------------------------------------------------------------------------------------


def drawn(chance: random.Random, shop: Shop, here: dict[str, list[Record]]) -> list[Record]:
    """A bundle that does not continue the attacker's own chain as it stands: forged, reordered, replayed or cut."""
    mine, other = here[shop.mine], here[shop.other]
    new = chain(shop.mine, chance.randint(2, 5), (mine[-1].serial, mine[-1].hash), f"w{chance.random()}")
    place = chance.randrange(len(new))
    match chance.choice(("forge", "change", "reseal", "reorder", "replay", "cut", "rename", "graft")):
        case "forge":
            at = chance.choice([(0, START), *((each.serial, each.hash) for each in other)])
            return chain(shop.other, len(new), at, f"f{chance.random()}")
        case "change":
            name = chance.choice(("serial", "kind", "key", "at", "body", "previous", "hash"))
            value = {"serial": new[place].serial + chance.choice((-1, 1, 1000)), "body": '{"net_l":999}'}
            return [*new[:place], replace(new[place], **{name: value.get(name, "changed")}), *new[place + 1 :]]
        case "reseal":
            # Sealed properly, behind a head that never was.
            return chain(shop.mine, len(new), (mine[-1].serial, f"{chance.getrandbits(256):064x}"))
        case "reorder":
            return [*new[1:], new[0]]
        case "replay":
            return chance.sample(mine, chance.randint(1, len(mine)))
        case "cut":
            return new[1:] if place == 0 or place == len(new) - 1 else [*new[:place], *new[place + 1 :]]
        case "rename":
            return [replace(each, truck=shop.other) for each in new]
        case _:
            past = mine[chance.randrange(len(mine) - 1)]
            return chain(shop.mine, len(new), (past.serial, past.hash), f"g{chance.random()}")


@pytest.mark.parametrize("count", [300, pytest.param(10_000, marks=pytest.mark.release)])
def test_of_drawn_bundles_none_is_accepted(shop: Shop, count: int) -> None:
    before, chance, accepted, honest = shop.chains(), random.Random(33), 0, chain(shop.mine, 3, head(shop, shop.mine))
    here = {truck: [each for each in before if each.truck == truck] for truck in (shop.mine, shop.other)}
    with shop.attacker() as db:
        for _ in range(count):
            bundle = drawn(chance, shop, here)
            try:
                with db.transaction():
                    db.cursor().executemany(INSERT, [astuple(each) for each in bundle])
                accepted += 1
            except psycopg.Error:
                pass
        # And the honest bundle between them is taken: the server did not simply refuse everything.
        with db.transaction():
            db.cursor().executemany(INSERT, [astuple(each) for each in honest])
    print(f"{count} bundles, {accepted} accepted")
    assert accepted == 0
    assert [each for each in shop.chains() if each not in before] == honest
