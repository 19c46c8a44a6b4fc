"""How fluids are written, and the cautions that come with them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.fluid import Fluid, FluidError, ShopTable, read_fluid
from rig.wheel.caution import Caution


@pytest.mark.parametrize(
    ("text", "name", "strength"),
    [
        ("water", "water", None),
        (" Beet ", "beet", None),
        ("cacl2:20%", "cacl2:20%", 0.20),
        ("CaCl2: 20 % mass", "cacl2:20%mass", 0.20),
        ("calcium chloride:22,5%", "cacl2:22,5%", 0.225),
        ("cacl2:20 wt%", "cacl2:20wt%", 0.20),
        ("cacl2:3.5lb/gal", "cacl2:3.5lb/gal", 0.2278),
        ("cacl2:0.42 kg/L", "cacl2:0.42kg/L", 0.228),
        ("methanol:33.6%", "methanol:33.6%", 0.336),
        ("pg:50%vol", "pg:50%vol", 0.5),
        ("PG:50 vol%", "pg:50vol%", 0.5),
        ("propylene glycol: 50% by volume", "pg:50%byvolume", 0.5),
        ("eg:50% v/v", "eg:50%v/v", 0.5),
    ],
)
def test_forms(text: str, name: str, strength: float | None) -> None:
    found = read_fluid(text)
    assert found.name == name
    assert found.strength == (None if strength is None else pytest.approx(strength, abs=5e-4))
    assert read_fluid(found.name).strength == found.strength


def test_assay_counts() -> None:
    weak, strong = (read_fluid("cacl2:3.5lb/gal", assay=a).strength for a in (0.77, 0.94))
    assert weak == pytest.approx(0.228, abs=1e-3)
    assert strong == pytest.approx(0.278, abs=1e-3)


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("", "write water, beet"),
        ("milk", "write water, beet"),
        ("cacl2", r"cacl2:20%"),
        ("cacl2:", r"cacl2:20%"),
        ("cacl2:20", r"cacl2:20%"),
        ("cacl2:3.5lb", "mass per volume"),
        ("cacl2:35%", "eutectic"),
        ("cacl2:-5%", r"cacl2:20%"),
        ("cacl2:20%vol", "by mass"),
        ("cacl2:-1 lb/gal", "less than nothing"),
        ("methanol:30%vol", "by mass"),
        ("methanol:80%", "0 to 60 %"),
        ("methanol:3 lb/gal", "methanol:33.6%"),
        ("pg:50%", "by volume"),
        ("pg:5%vol", "10 to 60 %"),
        ("eg", "eg:50%vol"),
        ("water:5%", "takes no strength"),
        ("beet:50%", "takes no strength"),
    ],
)
def test_unreadable_fluids_say_what_to_write(text: str, advice: str) -> None:
    with pytest.raises(FluidError, match=advice):
        read_fluid(text)


def test_an_impossible_assay_is_refused() -> None:
    with pytest.raises(FluidError, match=r"such as 0\.77"):
        read_fluid("cacl2:3.5lb/gal", assay=77)


def test_the_shop_s_own_fluids_are_named_in_the_advice() -> None:
    own = ShopTable("syrup", ((0.0, 1320.0, 200.0), (40.0, 1300.0, 20.0)), freeze_c=-30.0)
    with pytest.raises(FluidError, match="syrup"):
        read_fluid("sirup", shop={"syrup": own})


@given(st.text(max_size=24))
def test_any_text_reads_or_is_refused(text: str) -> None:
    try:
        found: Fluid | None = read_fluid(text)
    except FluidError as error:
        found = None
        assert str(error)  # noqa: PT017
    assert found is None or found.freeze_c <= 0


def _told(cautions: tuple[Caution, ...], word: str) -> list[str]:
    return [c.severity for c in cautions if word in c.text]


@pytest.mark.parametrize("text", ["water", "beet", "cacl2:20%", "methanol:30%", "pg:50%vol", "eg:50%vol"])
def test_every_caution_is_one_line_with_a_source(text: str) -> None:
    existing = read_fluid("cacl2:25%")
    for caution in read_fluid(text).cautions(existing=existing, tubeless=True, coldest_c=-60):
        assert caution.source
        assert "\n" not in caution.text
        assert len(caution.text) < 130


def test_calcium_and_the_rim() -> None:
    brine = read_fluid("cacl2:20%")
    assert _told(brine.cautions(tubeless=True), "tubeless") == ["caution"]
    assert _told(brine.cautions(tubeless=False), "tubeless") == []
    assert _told(brine.cautions(), "tube or tubeless") == ["note"]


def test_methanol_burns() -> None:
    assert read_fluid("methanol:30%").flammable
    assert _told(read_fluid("methanol:30%").cautions(), "burns") == ["danger"]
    assert not read_fluid("methanol:5%").flammable
    assert not read_fluid("pg:50%vol").flammable


def test_winter_tells_slush_from_solid() -> None:
    brine = read_fluid("cacl2:3.5lb/gal")
    assert _told(brine.cautions(coldest_c=-20), "slush") == []
    assert _told(brine.cautions(coldest_c=-30), "slush") == ["caution"]
    assert _told(brine.cautions(coldest_c=-50), "solid") == ["danger"]


@pytest.mark.parametrize(
    ("new", "old", "word", "severity"),
    [
        ("beet", "water", "thinned", "danger"),
        ("water", "beet", "thinned", "danger"),
        ("beet", "cacl2:20%", "thinned", "danger"),
        ("beet", "cacl2:20%", "calcium has been", "caution"),
        ("methanol:30%", "cacl2:20%", "clot", "caution"),
        ("cacl2:20%", "water", "weaker", "caution"),
        ("cacl2:30%", "cacl2:20%", "weigh a sample", "note"),
        ("pg:50%vol", "eg:50%vol", "not a known mix", "caution"),
        ("water", "methanol:30%", "what comes back burns", "danger"),
    ],
)
def test_on_top_of_what_is_in_the_tyre(new: str, old: str, word: str, severity: str) -> None:
    assert _told(read_fluid(new).cautions(existing=read_fluid(old)), word) == [severity]


def test_the_same_on_top_says_nothing() -> None:
    beet = read_fluid("beet")
    assert beet.cautions(existing=beet) == beet.cautions()
