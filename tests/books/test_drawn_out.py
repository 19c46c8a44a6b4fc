"""`rig empty` goes by the book: litres, liquid and lot of a wheel, and words where somebody says otherwise.

Litres are sums by hand; the freeze point is the packaged table's; on the wire the truth is the simulated plant's count.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from processes import command, serving
from shop_books import fill_now, journal_with
from virtual_fills import rig_settings

from rig.cli import main
from rig.plan.target import Wanted
from rig.run.assembly import Question
from rig.run.removal import Removal
from rig.run.settings import Settings
from rig.shop.before_drawing import Foredrawn, foredrawn
from rig.units import QuantityError

CONFIG = Path(__file__).parents[2] / "config" / "demo.toml"
AT = ("--job", "J2", "--position", "rear left")
Tell = Callable[..., None]


@pytest.fixture
def tell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tell:
    """A shop whose tractor T7 got 114 L of brine of lot C3 into its rear left wheel, and comes again as job J2."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig.toml").write_text(CONFIG.read_text(encoding="utf-8"), encoding="utf-8")

    def one(*words: str) -> None:
        assert main([*words, "--config", "rig.toml"]) == 0

    for job in ("J1", "J2"):
        one("job", job, "--customer", "Hill", "--machine", "T7")
    one("stock", "tote", "--tote", "brine", "--fluid", "cacl2:20%")
    one("stock", "load", "--tote", "brine", "--volume", "500 L", "--fluid", "cacl2:20%", "--lot", "C3")
    journal_with(tmp_path / "rig-data", fill_now("a", job="J1", net_l=114.0, fluid="cacl2:20%"))
    return one


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return rig_settings(rig__data=str(tmp_path / "rig-data"))


def out_of(settings: Settings, position: str = "rear left", **told: object) -> Foredrawn:
    question = Question("16.9-28", Wanted(valve_at=6))
    return foredrawn(settings, Removal(question, job="J2", position=position, **told))  # type: ignore[arg-type]


def test_what_nobody_tells_comes_from_the_book(tell: Tell, settings: Settings) -> None:
    known = out_of(settings)
    assert (known.holds_l, known.fluid, known.lot, known.refusal) == (114.0, "cacl2:20%", "C3", None)
    litres, liquid = (each.text for each in known.cautions)
    assert "by the book rear left holds 114.0 L" in litres
    # 20 % calcium chloride: first ice at -18 °C (the packaged table, CoolProp).
    assert "cacl2:20% (C3) by the book, first ice at -18 °C" in liquid
    # The like wheel on the other side is unknown, and so is any without a position.
    for position in ("rear right", ""):
        with pytest.raises(QuantityError, match="how much does it hold"):
            out_of(settings, position)
    assert out_of(settings, "rear right", holds_l=60.0).fluid == settings.tote.fluid
    assert "nobody has told what is inside" in out_of(settings, "rear right", holds_l=60.0).cautions[0].text


def test_what_came_out_since_is_not_inside(tell: Tell, settings: Settings) -> None:
    tell("note", "return", *AT, "--volume", "100 L", "--to", "drum")
    assert out_of(settings).holds_l == 14.0
    tell("note", "holds", *AT, "--volume", "0 L")
    with pytest.raises(QuantityError, match="nothing is left in it"):
        out_of(settings)


def test_other_litres_are_told_and_believed(tell: Tell, settings: Settings) -> None:
    known = out_of(settings, holds_l=60.0)
    assert (known.holds_l, known.refusal) == (60.0, None)
    assert "holds 114.0 L (30.1 gal), 60.0 L (15.9 gal) were told" in known.cautions[0].text
    # Within 5 % a person and the book mean the same.
    assert [each.severity for each in out_of(settings, holds_l=110.0).cautions] == ["note"]


def test_another_liquid_than_the_book_s_is_refused(tell: Tell, settings: Settings) -> None:
    assert "by the book rear left holds cacl2:20%, water was told" in out_of(settings, fluid="water").refusal
    assert out_of(settings, fluid="cacl2:20%").refusal is None
    assert out_of(settings, fluid="water").fluid == "water"


def test_a_mix_is_told(tell: Tell, tmp_path: Path, settings: Settings) -> None:
    journal_with(tmp_path / "rig-data", fill_now("b", job="J1", net_l=50.0, fluid="water"))
    known = out_of(settings)
    # By hand: 114 L of 20 % weigh 134.6 kg and hold 26.9 kg of salt; with 50 kg of water 14.6 %.
    assert (known.holds_l, known.fluid, known.frost_known) == (164.0, "cacl2:14.6%", True)
    assert "holds a mix by the book (cacl2:20% + water), counted as cacl2:14.6%" in known.cautions[1].text
    journal_with(tmp_path / "rig-data", fill_now("c", job="J1", net_l=50.0, fluid="beet"))
    assert (out_of(settings).fluid, out_of(settings).frost_known) == ("cacl2:20%", False)
    stated = out_of(settings, fluid="60 L cacl2:20% + 40 L water", holds_l=100.0)
    # By hand: 60 L of 20 % weigh 70.9 kg and hold 14.2 kg of salt; with 40 kg of water 12.8 %.
    assert (stated.fluid, stated.frost_known) == ("cacl2:12.8%", True)


@pytest.mark.parametrize(
    ("to", "words"),
    [("tote", ""), ("tote brine", ""), ("drum 4", ""), ("", ""), ("sap", "tote sap holds beet, and what comes out is")],
)
def test_what_goes_into_a_tote_of_another_liquid_is_refused(
    tell: Tell, settings: Settings, to: str, words: str
) -> None:
    tell("stock", "load", "--tote", "brine", "--volume", "1 L")
    tell("stock", "tote", "--tote", "sap", "--fluid", "beet")
    tell("stock", "load", "--tote", "sap", "--volume", "10 L")
    refusal = out_of(settings, to=to).refusal
    assert words in (refusal or "")
    assert bool(refusal) is bool(words)
    tell("stock", "dip", "--tote", "sap", "--volume", "0 L")
    assert out_of(settings, to=to).refusal is None


def test_without_a_book_the_tote_is_what_the_configuration_says(settings: Settings) -> None:
    assert (
        "the tote holds beet, and what comes out is water"
        in out_of(settings, holds_l=9.0, fluid="water", to="tote").refusal
    )
    assert out_of(settings, holds_l=9.0, to="tote").refusal is None


def test_an_unsound_book_is_told_and_what_was_told_counts(tell: Tell, tmp_path: Path, settings: Settings) -> None:
    (tmp_path / "rig-data" / "book.sqlite").write_bytes(b"no database at all" * 300)
    known = out_of(settings, holds_l=60.0, fluid="water")
    assert (known.holds_l, known.fluid) == (60.0, "water")
    assert "cannot be read" in known.cautions[0].text


@pytest.mark.full
def test_a_wheel_is_emptied_by_the_book_on_the_wire(
    tmp_path: Path, tell: Tell, capsys: pytest.CaptureFixture[str]
) -> None:
    tell("note", "return", *AT, "--volume", "54 L", "--to", "drum 3")
    changes = {"scale": "30", "start_pressure": '"18 psi"', "fluid": '"cacl2:20%"'}
    with serving(tmp_path, extra='existing = "60 L"\nvalve_at = 6\n', **changes) as rig:
        empty = ("empty", "--size", "11L-15", *AT, "--through-meter", "--unattended", "--config", "rig.toml", "--json")
        wrong = command(tmp_path, *empty, "--holds-fluid", "water", "--to", "drum 4")
        assert wrong.returncode == 3
        assert "by the book rear left holds cacl2:20%, water was told" in wrong.stderr
        ran = command(tmp_path, *empty, "--volume", "10 L", "--to", "drum 4")
        truth = rig.stop()
    assert ran.returncode == 0, ran.stderr
    assert "by the book rear left holds 60.0 L (15.9 gal): that is counted on" in ran.stderr
    record = json.loads(ran.stdout)
    assert (record["fluid"], record["lot"], record["to"]) == ("cacl2:20%", "C3", "drum 4")
    assert record["recovered_l"] == pytest.approx(-truth["delivered_l"], abs=0.5)
    assert "first ice at -18 °C" in record["warned"][1]
    capsys.readouterr()
    tell("ticket", record["fill_id"])
    ticket = capsys.readouterr().out
    assert "first ice at -18 °C" in ticket
    assert "of cacl2:20%, lot C3 went to drum 4: what is not used again is disposed of" in " ".join(ticket.split())
