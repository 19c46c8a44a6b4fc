"""Every mistake can be undone: corrected, voided, taken back, by a further record with a reason; and what follows."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from shop_books import fill_now, journal_with, posted_of

from rig.ledger.chain import START, Record, seal
from rig.ledger.keeping import book_of, book_read
from rig.shop.filled import unknown_because

CONFIG = Path(__file__).parents[2] / "config"
PRICES = str(CONFIG / "prices.toml")
REAR = ("--job", "J1", "--position", "rear left")
WHY = ("--why", "a mistake")
L_PER_GAL = 3.785411784
"""Exact by definition (NIST Handbook 44, Appendix C)."""
Run = Callable[..., str]


def serial_of(text: str) -> str:
    """The number of the record that a note has made, from its JSON."""
    return str(json.loads(text)["serial"])


def amounts(run: Run, job: str = "J1") -> dict[str, str]:
    return {line["text"]: line["amount"] for line in json.loads(run("bill", job, "--json"))["lines"]}


def left_l(run: Run, *words: str) -> float:
    value = json.loads(run("stock", "--json", *words))["left_l"]
    assert isinstance(value, float)
    return value


# --- a charge -------------------------------------------------------------------------------------------------------


def test_an_item_without_a_price_is_refused_where_it_is_entered(run: Run) -> None:
    run("prices", PRICES)
    text = run("note", "charge", *REAR, "--item", "valve", status=3)
    assert "'valve' has no price" in text
    assert "did you mean 'valve, air-water'?" in text
    run("bill", "J1", status=3)


def test_a_charge_without_a_price_never_locks_its_bill(run: Run, data: Path) -> None:
    """Entered before there was any price list, as an older version let it pass."""
    charge = serial_of(run("note", "charge", *REAR, "--item", "valve", "--json"))
    run("prices", PRICES)
    journal_with(data, fill_now("a"))
    assert "no price for 'valve'" in run("bill", "J1", status=3)
    corrected = run("note", "correct", charge, "--item", "valve, air-water", *WHY)
    assert "valve, air-water" in corrected
    assert amounts(run)["valve, air-water"] == "14.50"
    void = serial_of(run("note", "void", charge, *WHY, "--json"))
    assert "valve, air-water" not in amounts(run)
    run("note", "take-back", void, *WHY)
    assert amounts(run)["valve, air-water"] == "14.50"


def test_a_mistake_is_undone_with_a_reason_only_and_once(run: Run) -> None:
    run("prices", PRICES)
    charge = serial_of(run("note", "charge", *REAR, "--item", "core", "--json"))
    assert "why?" in run("note", "void", charge, status=3)
    assert "not void" in run("note", "take-back", charge, *WHY, status=3)
    run("note", "void", charge, *WHY)
    assert "it is void by record" in run("note", "void", charge, *WHY, status=3)
    assert "it is void by record" in run("note", "correct", charge, "--quantity", "2", *WHY, status=3)
    assert "no record '99'" in run("note", "void", "99", *WHY, status=3)
    assert "--pressure is not of a charge" in run(
        "note", "correct", serial_of(run("note", "charge", *REAR, "--item", "core", "--json")), "--pressure", "9 psi",
        *WHY, status=3,
    )  # fmt: skip


def test_the_records_are_listed_with_what_became_of_them(run: Run) -> None:
    run("prices", PRICES)
    charge = serial_of(run("note", "charge", *REAR, "--item", "core", "--json"))
    run("note", "charge", "--job", "J2", "--item", "core")
    run("note", "correct", charge, "--quantity", "2", *WHY)
    rows = json.loads(run("ledger", "list", "--records", "--job", "J1", "--json"))
    assert [(row["kind"], row["state"]) for row in rows] == [("charge", "corrected"), ("charge", "stands")]
    run("note", "void", charge, *WHY)
    rows = json.loads(run("ledger", "list", "--records", "--job", "J1", "--json"))
    assert [(row["kind"], row["state"]) for row in rows] == [("charge", "void"), ("charge", "void"), ("void", "void")]
    assert "VOID" in run("ledger", "list", "--records")


# --- every kind -----------------------------------------------------------------------------------------------------


def test_every_kind_of_note_can_be_corrected_and_voided(run: Run) -> None:
    run("prices", PRICES)
    run("stock", "tote", "--tote", "A", "--capacity", "1200 L")
    made = {
        "return": (("--volume", "114 L"), ("--volume", "110 L", "--to", "ground")),
        "rinse": (("--volume", "10 L"), ("--volume", "12 L")),
        "spill": (("--volume", "5 L"), ("--volume", "6 L")),
        "charge": (("--item", "core"), ("--quantity", "2.5")),
        "step": (("--step", "rinse"), ("--step", "new valve")),
        "holds": (("--volume", "3 L"), ("--volume", "0 L", "--fluid", "water")),
        "finish": (("--pressure", "110 kPa", "--leak", "core"), ("--leak", "none", "--cap")),
    }
    for kind, (first, again) in made.items():
        serial = serial_of(run("note", kind, *REAR, *first, "--json"))
        corrected = json.loads(run("note", "correct", serial, *again, *WHY, "--json"))
        assert corrected["kind"] == kind
        assert corrected["corrects"] == int(serial)
        void = json.loads(run("note", "void", serial, *WHY, "--json"))
        assert (void["kind"], void["voids"]) == ("void", kind)
        back = json.loads(run("note", "take-back", serial, *WHY, "--json"))
        told = {name for name in corrected if name not in {"serial", "corrects", "revision", "corrected_at", "why"}}
        assert {name: back[name] for name in told} == {name: corrected[name] for name in told}


def test_a_void_job_quote_tote_conversion_or_price_list_is_told_anew(run: Run, data: Path) -> None:
    """A void once took the key with it: what was told anew afterwards was silently not kept."""
    journal_with(data, fill_now("a"))
    for words, kind in (
        (("prices", PRICES), "prices"),
        (("job", "J1", "--customer", "Hill Farm"), "job"),
        (("stock", "tote", "--tote", "A", "--capacity", "1200 L"), "tote"),
        (("convert", "J1", "--position", "rear left", "--to", "water"), "conversion"),
    ):
        run(*words)
        serial = str(next(r["serial"] for r in json.loads(run("ledger", "list", "--records", "--json"))
                          if r["kind"] == kind and r["state"] == "stands"))  # fmt: skip
        run("note", "void", serial, *WHY)
        rows = json.loads(run("ledger", "list", "--records", "--json"))
        assert not [row for row in rows if row["kind"] == kind and row["state"] == "stands"]
        run(*words)
        rows = json.loads(run("ledger", "list", "--records", "--json"))
        assert [row["kind"] for row in rows if row["kind"] == kind and row["state"] == "stands"] == [kind]
    assert json.loads(run("job", "J1", "--json"))["customer"] == "Hill Farm"


def test_a_void_teaching_falls_back_to_the_one_before(run: Run, data: Path) -> None:
    journal_with(data, fill_now("a", net_l=261.2), fill_now("b", net_l=262.9))
    run("teach", "loader", "--from", "a")
    second = json.loads(run("teach", "loader", "--from", "b", "--json"))
    assert second["took_l"] == 262.9
    run("note", "void", str(second["serial"]), *WHY)
    assert json.loads(run("teach", "loader", "--json"))["took_l"] == 261.2


def test_stock_follows_every_void_at_once(run: Run) -> None:
    run("stock", "tote", "--tote", "A", "--capacity", "2000 L")
    run("stock", "tote", "--tote", "yard", "--capacity", "9000 L", "--yard")
    run("stock", "dip", "--tote", "A", "--volume", "100 L")
    run("stock", "dip", "--tote", "yard", "--volume", "5000 L")
    run("stock", "load", "--tote", "A", "--from", "yard", "--volume", "900 L")
    load = str(json.loads(run("ledger", "list", "--records", "--json"))[-1]["serial"])
    assert left_l(run, "--tote", "A") == 1000.0
    run("note", "correct", load, "--volume", "800 L", *WHY)
    assert (left_l(run, "--tote", "A"), left_l(run, "--tote", "yard")) == (900.0, 4200.0)
    run("note", "void", load, *WHY)
    assert (left_l(run, "--tote", "A"), left_l(run, "--tote", "yard")) == (100.0, 5000.0)
    run("note", "take-back", load, *WHY)
    assert (left_l(run, "--tote", "A"), left_l(run, "--tote", "yard")) == (900.0, 4200.0)


def test_a_void_connection_gives_the_pump_back_to_the_tote_before(run: Run) -> None:
    for name in ("A", "B"):
        run("stock", "tote", "--tote", name, "--capacity", "1200 L")
    run("stock", "connect", "--tote", "B")
    connect = str(json.loads(run("ledger", "list", "--records", "--json"))[-1]["serial"])
    assert json.loads(run("stock", "--json"))["tote"] == "B"
    run("note", "void", connect, *WHY)
    assert json.loads(run("stock", "--json"))["tote"] == "A"


def test_a_fill_that_an_earlier_version_doubled_is_void_in_both_chains(run: Run, data: Path) -> None:
    run("prices", PRICES)
    journal_with(data, fill_now("a"))
    with book_of(data) as book:
        kept = book.one("fill", "a")
        assert kept is not None
        copy = seal("rig", (0, START), kept.kind, kept.key, kept.at, kept.body)
        book.take_in([copy])
    run("note", "void", "--fill", "a", *WHY)
    assert "nothing was done" in run("bill", "J1", status=3)
    run("note", "take-back", "a", *WHY)
    assert amounts(run)["beet in 16.9-28, rear left"] == "272.55"


# --- a fill ---------------------------------------------------------------------------------------------------------


def test_size_liquid_and_position_of_a_fill_are_corrected_and_its_weight_follows(run: Run, data: Path) -> None:
    journal_with(data, fill_now("a", fluid_c=20.0))
    again = json.loads(
        run("note", "correct", "--fill", "a", "--size", "18.4-38", "--fluid", "cacl2:20%", "--position", "rear right",
            *WHY, "--json")
    )  # fmt: skip
    assert (again["size"], again["position"], again["fluid_text"]) == ("18.4-38", "rear right", "cacl2:20%")
    # 20 % CaCl2 at 20 degC: 1177 to 1179 kg/m3 in handbooks (for example Perry's, table of aqueous solutions; memory).
    assert again["mass_kg"] == pytest.approx(261.2 * 1.178, rel=2e-3)
    # It freezes near -18 degC (CRC Handbook: 20 % by mass -18.3 degC, from memory).
    assert again["freeze_c"] == pytest.approx(-18.3, abs=1.0)
    assert again["net_l"] == 261.2
    assert again["cavity_l"] == pytest.approx(528, abs=2)
    ticket = run("ticket", "a")
    assert all(word in ticket for word in ("No. 1-1", "rear right", "18.4-38"))


def test_the_metered_litres_of_a_fill_are_not_corrected(run: Run, data: Path) -> None:
    journal_with(data, fill_now("a"))
    assert "stays as counted" in run("note", "correct", "--fill", "a", "--volume", "200 L", *WHY, status=3)
    assert "stays as counted" in run(
        "note", "figure", "--fill", "a", "--volume", "200 L", "--basis", "scale", *WHY, status=3
    )


def test_a_void_fill_is_in_no_bill_and_no_tote_and_can_be_taken_back(run: Run, data: Path) -> None:
    run("prices", PRICES)
    run("stock", "dip", "--volume", "900 L")
    journal_with(data, fill_now("a"))
    assert left_l(run) == pytest.approx(638.8)
    run("note", "void", "--fill", "a", *WHY)
    assert "nothing was done" in run("bill", "J1", status=3)
    assert left_l(run) == 900.0
    run("note", "take-back", "a", *WHY)
    assert left_l(run) == pytest.approx(638.8)
    assert amounts(run)["beet in 16.9-28, rear left"] == "272.55"


def test_a_fill_that_an_earlier_version_voided_is_void_and_can_be_taken_back(run: Run, data: Path) -> None:
    run("prices", PRICES)
    journal_with(data, fill_now("a"))
    with book_of(data) as book:
        standing = book.one("fill", "a")
        assert standing is not None
        book.replace(standing, standing.document | {"void": True, "why": "old"}, "2026-11-28T08:00:00.000+00:00")
        assert book.one("fill", "a") is None
        assert not book.valid("fill")
    assert "nothing was done" in run("bill", "J1", status=3)
    run("note", "take-back", "a", *WHY)
    assert amounts(run)["beet in 16.9-28, rear left"] == "272.55"


def test_a_correction_does_not_turn_the_totaliser_back(run: Run, data: Path) -> None:
    """The correction of an old fill is the latest record of its kind, and its totaliser is the old one."""
    journal_with(data, fill_now("a"), fill_now("b"))
    run("note", "correct", "--fill", "a", "--position", "front left", *WHY)
    journal_with(data, fill_now("c"))
    with book_read(data) as book:
        ends = {each.document["fill_id"]: each.document["totaliser_end_ml"] for each in book.valid("fill")}
    assert ends == {"a": 263_500, "b": 527_000, "c": 790_500}


# --- litres that nobody knows ---------------------------------------------------------------------------------------


def test_a_fill_that_cannot_tell_its_litres_waits_for_a_persons_figure(run: Run, data: Path) -> None:
    run("prices", PRICES)
    journal_with(data, fill_now("a", net_l=163.5, net_u_l=34.0, mass_kg=209.6))
    text = run("bill", "J1", status=3)
    assert "is not billed by itself" in text
    assert "rig note figure --fill a" in text
    assert "what went in" in run("note", "figure", "--fill", "a", "--volume", "41 gal", *WHY, status=3)
    figure = run("note", "figure", "--fill", "a", "--volume", "41 gal", "--basis", "scale", *WHY, "--json")
    # 41.0 gal at 3.95 are 161.95; 163.5 L are 43.2 gal, 34 L 9.0 gal.
    line = "beet in 16.9-28, rear left (billed 41.0 gal by scale; metered 43.2 ± 9.0 gal)"
    assert amounts(run)[line] == "161.95"
    assert "billed 41.0 gal by scale; metered 43.2 ± 9.0 gal" in " ".join(run("bill", "J1").split())
    run("note", "correct", serial_of(figure), "--volume", "40 gal", "--basis", "level", *WHY)
    assert "158.00" in amounts(run).values()
    run("note", "void", serial_of(figure), *WHY)
    run("bill", "J1", status=3)


@pytest.mark.parametrize(
    ("net_l", "u_l", "known"),
    [(100.0, 5.0, True), (100.0, 5.01, False), (30.5, 37.3, False), (0.0, 0.0, True), (0.1, 0.2, True), (0, 3, False)],
)
def test_a_volume_is_known_within_a_twentieth_of_it(net_l: float, u_l: float, known: bool) -> None:
    assert (unknown_because(_sealed(net_l=float(net_l), net_u_l=u_l)) is None) is known


def _sealed(**changes: object) -> Record:
    return seal("T", (0, START), "fill", "a", "2026-11-20T08:09:00+00:00", json.dumps(posted_of("a", **changes)))


def test_what_a_record_says_of_itself_goes_before_its_uncertainty() -> None:
    doubtful = {"net_l": 100.0, "net_u_l": 0.1, "not_billable_because": "on the ground"}
    assert unknown_because(_sealed(**doubtful, delivery="not known")) == "on the ground"
    assert unknown_because(_sealed(**doubtful, delivery="nothing")) is None
    assert unknown_because(_sealed(net_l=1.0, net_u_l=9.0, delivery="known")) is None


def test_a_spill_of_a_fill_is_off_its_line_and_out_of_its_wheel(run: Run, data: Path) -> None:
    run("prices", PRICES)
    run("stock", "dip", "--volume", "900 L")
    journal_with(data, fill_now("a"))
    spill = serial_of(run("note", "spill", "--fill", "a", "--volume", "2 gal", "--why", "hose came off", "--json"))
    # 69.0 gal less 2 gal: 261.2 L less 7.571 L are 67.0 gal at 3.95.
    assert amounts(run)["beet in 16.9-28, rear left (2.0 gal spilled, taken off)"] == "264.65"
    assert left_l(run) == pytest.approx(638.8)
    with book_read(data) as book:
        from rig.shop.wheels import inside

        assert inside(book, "J1", "rear left").left_l == pytest.approx(261.2 - 2 * L_PER_GAL, abs=0.01)
    day = json.loads(run("balance", "--json"))["sums_l"]
    assert (day["ticket"], day["spill"]) == (pytest.approx(261.2 - 7.571), pytest.approx(7.571))
    run("note", "void", spill, *WHY)
    assert amounts(run)["beet in 16.9-28, rear left"] == "272.55"
    # What was noted of a fill goes with it.
    run("note", "spill", "--fill", "a", "--volume", "2 gal")
    run("note", "correct", "--fill", "a", "--job", "J2", *WHY)
    assert "264.65" in amounts(run, "J2").values()


# --- what can hardly be ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("note", "return", *REAR, "--volume", "9000 gal"), "a 16.9-28 holds 353.0 L"),
        (("note", "holds", *REAR, "--volume", "9000 gal"), "can hardly be"),
        (("note", "finish", *REAR, "--pressure", "400 psi", "--leak", "none"), "35.0 psi"),
        (("note", "finish", *REAR, "--pressure", "-3 psi", "--leak", "none"), "can hardly be"),
        (("note", "charge", *REAR, "--item", "core", "--quantity", "9999"), "can hardly be"),
        (("note", "spill", "--fill", "a", "--volume", "300 L"), "the fill moved 261"),
        (("stock", "load", "--volume", "90000 gal"), "can hardly be"),
        (("stock", "dip", "--volume", "90000 gal"), "can hardly be"),
        (("stock", "tote", "--tote", "A", "--capacity", "90000 gal"), "can hardly be"),
        (("convert", "J1", "--position", "rear left", "--to", "lava"), "'lava' is no liquid that is known"),
        (("note", "return", *REAR, "--volume", "9 gal", "--fluid", "watr"), "did you mean 'water'"),
        (("note", "correct", "--fill", "a", "--size", "5.00-15", *WHY), "can hardly be"),
    ],
)
def test_what_can_hardly_be_is_refused_unattended_until_it_is_said_knowingly(
    run: Run, data: Path, words: tuple[str, ...], says: str
) -> None:
    journal_with(data, fill_now("a"))
    with book_read(data) as book:
        before = book.heads()
    text = run(*words, status=3)
    assert says in text
    assert "--sure" in text
    with book_read(data) as book:
        assert book.heads() == before
    run(*words, "--sure")


@pytest.mark.parametrize(
    "words",
    [
        ("note", "return", *REAR, "--volume", "-1 gal"),
        ("note", "return", *REAR, "--volume", "0 gal"),
        ("note", "spill", "--volume", "0 L"),
        ("stock", "load", "--volume", "0 L"),
        ("stock", "load", "--volume", "-5 L"),
        ("note", "holds", *REAR, "--volume", "-5 L"),
    ],
)
def test_what_cannot_be_is_refused_whoever_is_sure(run: Run, words: tuple[str, ...]) -> None:
    run(*words, "--sure", status=3)


def test_at_a_terminal_it_is_asked_about(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = iter(["n\n", "y\n"])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stdin.readline", lambda: next(answers), raising=False)
    words = ("note", "finish", *REAR, "--pressure", "400 psi", "--leak", "none")
    assert "not kept" in run(*words, status=3)
    assert "Is it so? [y/N]" in run(*words)


def test_ticket_and_label_follow_what_was_spilled(run: Run, data: Path) -> None:
    journal_with(data, fill_now("a", net_l=200.0))
    run("note", "spill", "--fill", "a", "--volume", "20 L", *WHY)
    assert "20.0 L (5.3 gal) spilled; 180.0 L (47.6 gal) in the wheel" in " ".join(run("ticket", "a").split())
    assert "beet, 180.0 L (47.6 gal)" in run("tag", "a")
