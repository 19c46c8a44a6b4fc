"""The week of a shop with three trucks, from enrolment to the month's bills, all by commands; fills are simulated.

Every sum is added up again here from the litres and prices, in decimal arithmetic of its own.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pytest
from clocks import Courses
from offices import Run, desk
from shop_books import fill_of, journal_with
from test_office_service import serving
from virtual_fills import Ran, run_fill

from rig.plan.target import Wanted
from rig.run.assembly import Question

DAY = timedelta(days=1)
MONDAY = datetime(2027, 11, 1, 7, tzinfo=UTC)
TRUCKS = ("truck1", "truck2", "truck3")
JOBS = {"H1": "truck1", "M1": "truck2", "M2": "truck2", "H2": "truck3"}
SIZES = {"truck1": "11L-15", "truck2": "9.5L-15", "truck3": "26x12-12"}
HILL, MILL = "Hill Farm (invented)", "Mill Farm (invented)"
LISTS = {0: Decimal("3.95"), 3: Decimal("4.40")}
"""Price of a gallon from a day of the week on."""
TRAVEL, L_PER_GAL = Decimal(75), Decimal("3.785411784")
PRICES = """
name = "Invented prices"
currency = "USD"
[shop]
name = "Invented Tyre Service (demonstration)"
[tax]
rounding = "sum"
name = "sales tax"
[taxes]
fluid = 0
service = 0
[fluids]
beet = {{ by = "gallon", price = {price} }}
[[fees]]
text = "travel"
price = 75.00
per = "job"
"""


@dataclass(frozen=True)
class Done:
    """A fill, as it was simulated."""

    name: str
    day: int
    place: str
    job: str
    ran: Ran


def owed(fills: list[Done]) -> Decimal:
    """What the fills of a job cost: gallons to a tenth by the list of the day, travel once."""
    total = TRAVEL
    for each in fills:
        price = LISTS[max(day for day in LISTS if day <= each.day)]
        gallons = (Decimal(str(each.ran.record["net_l"])) / L_PER_GAL).quantize(Decimal("0.1"), ROUND_HALF_UP)
        total += (gallons * price).quantize(Decimal("0.01"), ROUND_HALF_UP)
    return total


@dataclass
class Week:
    """The shop, and what was truly done."""

    run: Run
    folder: Path
    clock: Courses
    address: str
    chains: dict[str, str] = field(default_factory=dict)
    done: list[Done] = field(default_factory=list)
    day: int = 0

    def on(self, day: int) -> None:
        """Go on at seven on a day of the week."""
        self.day = day
        self.clock.passes((MONDAY + day * DAY).timestamp() - self.clock.wall_s())

    def fill(self, place: str, job: str, share: float) -> str:
        """Simulate a fill to a share of the cavity; its record comes into the truck's book as the loop's does."""
        wanted = Wanted(valve_at=12.0, percent=100 * share)
        ran = run_fill(SIZES[place], question=Question(SIZES[place], wanted=wanted))
        began = self._now()
        self.clock.passes(900)
        name = f"{place}-{began[:16]}"
        own = {"fill_id": name, "size": SIZES[place], "job": job, "started_at": began, "ended_at": self._now()}
        journal_with(self.folder / place / "rig-data", fill_of(**{**ran.record, **own}))
        self.done.append(Done(name, self.day, place, job, ran))
        return name

    def sync(self, *places: str) -> None:
        """What the service does by itself where there is a network."""
        for place in places:
            self.run(place, "office", "send", "--url", self.address)

    def join(self, place: str, *chain: str) -> None:
        """A computer enrolled by a code that a person carries."""
        code = str(self.run("office", "office", "enroll", *chain)["code"])
        self.chains[place] = str(self.run(place, "office", "join", code, "--url", self.address)["truck"])

    def by_stick(self, place: str) -> None:
        """There and back by a file."""
        self.run(place, "office", "send", "--file", "there")
        self.run("office", "office", "receive", "there")
        self.run(place, "office", "fetch", "--file", "there.answer")

    def prices(self, day: int) -> None:
        """The list of a day goes to all trucks."""
        text = PRICES.format(price=LISTS[day])
        (self.folder / "stick" / "prices.toml").write_text(text, encoding="utf-8")
        first = (MONDAY + day * DAY).date().isoformat()
        self.run("office", "office", "offer", "prices", "prices.toml", "--since", first)

    def _now(self) -> str:
        return datetime.fromtimestamp(self.clock.wall_s(), UTC).isoformat("T", "milliseconds")


@pytest.fixture
def week(run: Run, tmp_path: Path) -> Iterator[Week]:
    with ExitStack() as stack:
        made = stack.enter_context(desk(f"sqlite:///{tmp_path / 'office' / 'o.sqlite'}", tmp_path / "office"))
        address = stack.enter_context(serving(made, tmp_path / "office", MONDAY))
        clock = stack.enter_context(Courses(true_s=MONDAY.timestamp(), synchronised=True))
        yield Week(run, tmp_path, clock, address)


@pytest.mark.full
def test_from_enrolment_to_bills_that_add_up(week: Week) -> None:
    run = week.run
    # Monday: the trucks join; prices, customers and jobs come down, totes are loaded.
    week.prices(0)
    hill = run("office", "office", "offer", "customer", "--called", HILL, "--phone", "555 0101")["name"]
    mill = run("office", "office", "offer", "customer", "--called", MILL)["name"]
    for place in TRUCKS:
        week.join(place)
        run(place, "stock", "tote", "--tote", "T1", "--capacity", "1000 L", "--fluid", "beet")
        run(place, "stock", "connect", "--tote", "T1")
        run(place, "stock", "load", "--tote", "T1", "--volume", "900 L")
    whose = {"H1": hill, "H2": hill, "M1": mill, "M2": mill}
    for job, place in JOBS.items():
        to = ("--to", week.chains[place], "--customer", str(whose[job]))
        run("office", "office", "offer", "job", job, *to, "--machine", f"loader {job}")
    week.sync(*TRUCKS)
    assert run("truck2", "job", "M1")["machine"] == "loader M1"
    for place, job in (("truck1", "H1"), ("truck2", "M1"), ("truck3", "H2")):
        week.fill(place, job, 0.7)
    week.sync(*TRUCKS)

    # Tuesday: truck 2 is where there is no network, until Friday.
    week.on(1)
    wrong = week.fill("truck1", "H1", 0.65)
    week.fill("truck2", "M1", 0.6)
    week.fill("truck3", "H2", 0.75)
    week.sync("truck1", "truck3")

    # Wednesday: beet costs more from tomorrow; truck 2 hears that by a stick. A fill of Tuesday is void.
    week.on(2)
    week.prices(3)
    week.fill("truck2", "M1", 0.7)
    week.by_stick("truck2")
    run("truck1", "note", "void", wrong, "--why", "entered twice (invented)", "--by", "Ann")
    week.sync("truck1", "truck3")

    # Thursday: office and truck 2, which do not know of each other, enter another telephone number of a customer;
    # truck 3 loses its computer after an exchange, and another one goes on.
    week.on(3)
    week.fill("truck2", "M2", 0.7)
    run("office", "office", "offer", "customer", str(mill), "--phone", "555 0202", "--by", "Olga")
    number = run("truck2", "customer", "show", MILL)["customer_number"]
    run("truck2", "customer", "correct", str(number), "--phone", "555 0303", "--by", "Bob", "--why", "said so")
    week.fill("truck3", "H2", 0.6)
    week.sync("truck1", "truck3")
    lost = week.chains["truck3"]
    shutil.rmtree(week.folder / "truck3" / "rig-data")
    week.join("truck3", lost)
    assert week.chains["truck3"] == lost

    # Friday: all are back; truck 1 has done H1 and hands out its invoice.
    week.on(4)
    week.fill("truck1", "H1", 0.7)
    week.fill("truck3", "H2", 0.65)
    week.sync(*TRUCKS)
    week.sync(*TRUCKS)
    issued = run("truck1", "bill", "H1", "--issue")
    week.sync(*TRUCKS)

    valid = [each for each in week.done if each.name != wrong]
    bills = {name: run("office", "office", "bill", name, "--month", f"{MONDAY:%Y-%m}") for name in (HILL, MILL)}
    due = {job: owed([each for each in valid if each.job == job]) for job in JOBS}
    for name, jobs in ((HILL, ("H1", "H2")), (MILL, ("M1", "M2"))):
        assert Decimal(str(bills[name]["total"])) == sum(due[job] for job in jobs)
        assert bills[name]["fills"] == sum(each.job in jobs for each in valid)
    assert Decimal(str(issued["total"])) == due["H1"]

    # What the trucks and the office have is the same, countersigned, and of the litres that the tyres truly took.
    assert run("office", "office", "verify")["sound"] is True
    for place in TRUCKS:
        state = run(place, "office", "status")
        assert state["countersigned"] == state["records"]
        took_l = sum(each.ran.truth_l for each in valid if each.place == place)
        [tote] = run(place, "stock")["totes"]
        assert tote["left_l"] == pytest.approx(900 - took_l, abs=2.0)
    # Two words on one telephone number: the later stands everywhere, the other one is shown.
    [offer] = [each for each in run("office", "office", "offered")["list"] if each["name"] == mill]
    assert (offer["said"]["phone"], [each["value"] for each in offer["others"]]) == ("555 0303", ["555 0202"])
    assert {run(place, "customer", "show", MILL)["phone"] for place in ("truck2", "truck3")} == {"555 0303"}
