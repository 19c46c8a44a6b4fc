"""Looking never writes: every command and page that only reads leaves the folder as it was, byte for byte.

A state machine interleaves them with the commands that write, from other folders, under other names and configurations:
the records and the bills depend on the writing ones alone.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pytest
from hypothesis import settings as budget
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from shop_books import TRUCK, fill_of, journal_only, journal_with

from rig.cli import main
from rig.ledger import BOOK_NAME
from rig.ledger.keeping import book_of, book_read
from rig.panel import converting, history, jobs, stock
from rig.run.settings import load_settings
from rig.shop.posting import book_to_write

CONFIG = Path(__file__).parents[2] / "config"
PRICES = str(CONFIG / "prices.toml")
_GAL_L = Decimal("3.785411784")
"""NIST Handbook 44, appendix C, exact."""


def contents(folder: Path) -> dict[str, str]:
    """Every file below a folder with a hash over what is in it."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def run(*words: str) -> tuple[int, str]:
    """A command in this process: exit status, standard output."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        status = main(words)
    return status, out.getvalue()


def configured(folder: Path, name: str) -> Path:
    """A configuration of the rig, called ``name``, whose records are in ``folder``/rig-data."""
    text = (CONFIG / "demo.toml").read_text(encoding="utf-8")
    named = text.replace("Demo rig (simulated)", name).replace('data = "rig-data"', f'data = "{folder / "rig-data"}"')
    assert named.count(name) == named.count(str(folder)) == 1
    path = folder / "shop.toml"
    path.write_text(named, encoding="utf-8")
    return path


@contextlib.contextmanager
def standing_in(folder: Path) -> Iterator[None]:
    """The folder that a command is started in."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


# --- the fault that was found ---------------------------------------------------------------------------------------


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A shop with one fill of 53 gal for job a, and a price list; its configuration."""
    monkeypatch.chdir(tmp_path)
    config = str(configured(tmp_path, TRUCK))
    journal_with(tmp_path / "rig-data", fill_of("f", job="a", size="14.9-28", net_l=200.627, position="front left"))
    assert run("prices", PRICES, "--config", config)[0] == 0
    return config


@pytest.mark.parametrize(
    "words",
    [
        ("target", "14.9-28", "--job", "a", "--position", "front left"),
        ("ledger", "list"),
        ("ticket", "f"),
        ("bill", "a"),
        ("ledger", "verify"),
        ("stock",),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_a_look_without_the_configuration_neither_copies_nor_doubles(
    shop: str, tmp_path: Path, words: tuple[str, ...]
) -> None:
    total, before = _total(shop), contents(tmp_path)
    run(*words)
    assert contents(tmp_path) == before
    assert _total(shop) == total
    holds = run("target", "14.9-28", "--job", "a", "--position", "front left", "--config", shop)[1]
    assert "53.0 gal" in holds
    assert "106.0 gal" not in holds


def _total(config: str) -> object:
    return json.loads(run("bill", "a", "--config", config, "--json")[1])["total"]


def test_a_renamed_rig_keeps_its_prices_and_its_counts(shop: str, tmp_path: Path) -> None:
    total = _total(shop)
    renamed = str(configured(tmp_path, "Truck One"))
    journal_with(tmp_path / "rig-data", fill_of("g", 20, job="b"))
    assert _total(renamed) == total
    assert run("note", "charge", "--job", "b", "--item", "core", "--config", renamed)[0] == 0
    with book_read(tmp_path / "rig-data") as book:
        assert list(book.heads()) == [book.truck]
        assert [record.key for record in book.valid("fill")] == ["f", "g"]


def test_a_missing_book_is_not_made_by_looking(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    config = str(configured(tmp_path, TRUCK))
    before = contents(tmp_path)
    for words in (("stock",), ("ledger", "verify"), ("meter",), ("prove", "--history"), ("compare",)):
        run(*words, "--config", config)
    assert contents(tmp_path) == before


def test_what_the_journal_has_besides_is_said_and_entered_on_request(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    config = str(configured(tmp_path, TRUCK))
    journal_only(tmp_path / "rig-data", fill_of("f"))
    assert main(["stock", "--config", config]) == 0
    assert "`rig ledger post` enters them" in capsys.readouterr().err
    assert json.loads(run("ledger", "post", "--config", config, "--json")[1]) == {"posted": ["f"]}
    assert main(["ticket", "f", "--config", config]) == 0
    assert capsys.readouterr().err == ""


def test_a_book_is_read_by_another_user(shop: str, tmp_path: Path) -> None:
    """A folder that this user may only read, as an office clerk's account on the truck's computer."""
    if os.geteuid() != 0:
        pytest.skip("only root becomes another user")
    looks = (("bill", "a"), ("ledger", "list"))
    # Once by this user: nobody may not read where Python's own modules are.
    assert [run(*words, "--config", shop)[0] for words in looks] == [0, 0]
    for path in (tmp_path, *tmp_path.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    for parent in tmp_path.parents:
        if Path(tempfile.gettempdir()) in parent.parents:
            parent.chmod(0o755)
    assert _as_nobody(lambda: [run(*words, "--config", shop)[0] for words in looks]) == [0, 0]


def _as_nobody(work: Callable[[], list[int]]) -> list[int]:
    """What ``work`` returns in a process that belongs to nobody."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setgid(65534)
            os.setuid(65534)
            with os.fdopen(writes, "w") as out:
                out.write(json.dumps(work()))
        finally:
            os._exit(0)
    os.close(writes)
    with os.fdopen(reads) as told:
        found = told.read()
    os.waitpid(child, 0)
    return list(json.loads(found))


# --- books that were doubled before ---------------------------------------------------------------------------------


def doubled(folder: Path, *fills: dict[str, object]) -> None:
    """A book in which every finished fill stands in a second chain too, as earlier versions left it."""
    data, other = folder / "rig-data", folder / "other"
    with book_of(data, TRUCK):
        pass
    journal_with(data, *fills)
    journal_only(other, *fills)
    with book_of(other, "rig"), book_to_write(other, "rig", simulated=True) as copy:
        records = list(copy.every())
    with book_of(data) as book:
        book.take_in(records)
    shutil.rmtree(other)


def test_a_doubled_book_is_found_repaired_and_counts_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    config = str(configured(tmp_path, TRUCK))
    doubled(tmp_path, fill_of("f", job="a", position="front left"), fill_of("g", 20, job="a", position="front right"))
    run("prices", PRICES, "--config", config)
    status, text = run("ledger", "verify", "--config", config)
    assert status == 3
    assert "rig, record 1: a copy of record 1 of Truck 1 (fill f)" in text
    assert run("bill", "a", "--config", config)[0] == 3
    whole = len(list_of(tmp_path))
    assert len(json.loads(run("ledger", "repair", "--config", config, "--json")[1])["voided"]) == 2
    assert json.loads(run("ledger", "repair", "--config", config, "--json")[1]) == {"voided": []}
    assert len(list_of(tmp_path)) == whole + 2, "nothing is deleted"
    assert run("ledger", "verify", "--config", config)[0] == 0
    bill = json.loads(run("bill", "a", "--config", config, "--json")[1])
    assert [line["amount"] for line in bill["lines"]] == ["272.55", "272.55", "75.00"]
    run("stock", "dip", "--volume", "1000 L", "--config", config)
    assert json.loads(run("stock", "--config", config, "--json")[1])["left_l"] == 1000.0


def list_of(folder: Path) -> list[str]:
    with book_read(folder / "rig-data") as book:
        return [record.key for record in book.every()]


def test_a_person_s_correction_of_a_copy_is_what_counts(tmp_path: Path) -> None:
    doubled(tmp_path, fill_of("f", position="front left"))
    with book_of(tmp_path / "rig-data") as book:
        copy = next(record for record in book.every("rig") if record.kind == "fill")
        book.replace(copy, copy.document | {"position": "rear left"}, "2026-11-21T08:00:00.000+00:00", at=copy.at)
        [(kept, void)] = book.copies()
        assert (kept.document["position"], void.truck) == ("rear left", TRUCK)


# --- all of it, interleaved -----------------------------------------------------------------------------------------

JOBS, POSITIONS = ("a", "b"), ("rear left", "rear right")
LOOKS: tuple[tuple[str, ...], ...] = (
    ("target", "16.9-28", "--job", "a", "--position", "rear left"), ("ledger", "list"), ("ledger", "verify"),
    ("ledger", "show", "f0"), ("ticket", "f0"), ("ticket", "--job", "a"), ("bill", "a"), ("bill", "b"), ("compare",),
    ("compare", "a"), ("stock",), ("balance",), ("tag", "f0"), ("job", "a"), ("quote", "a"), ("prices",),
    ("teach", "loader"), ("meter",), ("prove", "--history"), ("check",),
)  # fmt: skip


class Shop(RuleBasedStateMachine):
    """One rig's folder, looked at and worked in."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="rig-looking-"))
        self.elsewhere = self.folder / "elsewhere"
        self.elsewhere.mkdir()
        self.config, self.names = str(configured(self.folder, TRUCK)), 1
        self.fills: list[tuple[str, int]] = []
        self.charges: list[str] = []
        self.records, self.looked = 1, 0
        run("prices", PRICES, "--config", self.config)

    def teardown(self) -> None:
        shutil.rmtree(self.folder)

    # --- looking ------------------------------------------------------------------------------------------------

    @rule(words=st.sampled_from(LOOKS), told=st.booleans(), inside=st.booleans(), as_json=st.booleans())
    def look(self, words: tuple[str, ...], told: bool, inside: bool, as_json: bool) -> None:
        """A reading command, with the configuration or without, in the rig's folder or another."""
        before = contents(self.folder)
        config = ["--config", self.config] if told else []
        with standing_in(self.folder if inside else self.elsewhere):
            run(*words, *config, *(["--json"] if as_json else []))
        assert contents(self.folder) == before

    @rule(words=st.sampled_from(LOOKS), name=st.sampled_from(["rig", "Truck 2", TRUCK]))
    def look_by_another_name(self, words: tuple[str, ...], name: str) -> None:
        """Somebody's copy of the configuration that calls the rig something else."""
        other = self.elsewhere / "copy.toml"
        other.write_text(
            Path(self.config).read_text(encoding="utf-8").replace('name = "Truck', f'name = "{name} Truck', 1),
            encoding="utf-8",
        )
        before = contents(self.folder)
        run(*words, "--config", str(other))
        assert contents(self.folder) == before

    @rule()
    def look_at_the_page(self) -> None:
        before, rig = contents(self.folder), load_settings(Path(self.config))
        jobs.jobs_view(rig), jobs.compare_view(rig), stock.stock_view(rig), history.meter_view(rig)
        for fill in history.fills_view(rig):
            history.fill_view(rig, str(fill["fill_id"]))
        with contextlib.suppress(RuntimeError):
            converting.conversion_view(rig, "a")
        assert contents(self.folder) == before

    # --- working ------------------------------------------------------------------------------------------------

    @rule(job=st.sampled_from(JOBS), position=st.sampled_from(POSITIONS), decilitres=st.integers(100, 3000))
    def fill(self, job: str, position: str, decilitres: int) -> None:
        fill_id = f"f{len(self.fills)}"
        record = fill_of(fill_id, len(self.fills) % 50, job=job, position=position, net_l=decilitres / 10, net_u_l=0.3)
        journal_with(self.folder / "rig-data", record)
        self.fills.append((job, decilitres))
        self.records += 1

    @rule(job=st.sampled_from(JOBS))
    def charge(self, job: str) -> None:
        self._writes("note", "charge", "--job", job, "--item", "core")
        self.charges.append(job)

    @rule(litres=st.integers(1, 900))
    def load(self, litres: int) -> None:
        self._writes("stock", "load", "--volume", f"{litres} L", "--mixed")

    @precondition(lambda self: self.fills)
    @rule()
    def issue(self) -> None:
        self._writes("ticket", "f0", "--issue")

    @rule()
    def rename(self) -> None:
        self.names += 1
        self.config = str(configured(self.folder, f"Truck {self.names}"))

    def _writes(self, *words: str) -> None:
        assert run(*words, "--config", self.config)[0] == 0
        self.records += 1

    # --- what always holds --------------------------------------------------------------------------------------

    @invariant()
    def the_book_is_what_was_written(self) -> None:
        with book_read(self.folder / "rig-data") as book:
            assert book.faults() == []
            assert list(book.heads()) == [book.truck]
            assert book.heads()[book.truck][0] == self.records

    @invariant()
    def bills_are_of_the_work(self) -> None:
        for job in JOBS:
            own = [decilitres for of, decilitres in self.fills if of == job]
            status, text = run("bill", job, "--config", self.config, "--json")
            assert (status == 0) is bool(own or job in self.charges)
            if status == 0:
                assert Decimal(json.loads(text)["net"]) == _net(own, self.charges.count(job))


def _net(decilitres: list[int], cores: int) -> Decimal:
    """Before tax by hand: gallons to a tenth at 3.95, cores at 1.25, travel 75.00, at least 150.00 a job."""
    gallons = [(Decimal(each) / 10 / _GAL_L).quantize(Decimal("0.1"), ROUND_HALF_UP) for each in decilitres]
    liquid = [(each * Decimal("3.95")).quantize(Decimal("0.01"), ROUND_HALF_UP) for each in gallons]
    return max(sum(liquid, Decimal("75.00")) + cores * Decimal("1.25"), Decimal("150.00"))


TestLooking = Shop.TestCase
TestLooking.settings = budget(max_examples=int(os.environ.get("RIG_LOOKS", "2")), stateful_step_count=20, deadline=None)


def test_the_book_is_named_in_its_folder_alone(tmp_path: Path) -> None:
    with book_of(tmp_path) as book:
        truck = book.truck
    assert truck.startswith("truck-")
    with book_of(tmp_path) as book:
        assert book.truck == truck
    assert (tmp_path / BOOK_NAME).exists()
