"""How fluids are written, and the cautions that come with them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.fluid import Fluid, FluidError, ShopTable, read_fluid


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
        ("cacl2:3.5 lb/gal @ 83 %", "cacl2:3.5lb/gal@83%", 0.2456),
        ("Magnesium Chloride:25%", "mgcl2:25%", 0.25),
        ("potassium acetate:40%", "kac:40%", 0.40),
        ("kfo:35%", "kfo:35%", 0.35),
        ("glycerin:50%", "glycerol:50%", 0.50),
        ("methanol:40%vol", "methanol:40%vol", 0.3458),
        ("washer fluid:-25 degF", "methanol:34.8%", 0.348),
        ("pg:-20°C", "pg:38.5%vol", 0.385),
        ("RV antifreeze:-50F", "rv:-50degF", 0.25),
    ],
)
def test_forms(text: str, name: str, strength: float | None) -> None:
    found = read_fluid(text)
    assert found.name == name
    assert found.strength == (None if strength is None else pytest.approx(strength, abs=5e-4))
    assert read_fluid(found.name).strength == (None if strength is None else pytest.approx(found.strength, abs=5e-4))


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
        ("cacl2:43%", "0 to 42 %"),
        ("cacl2:3.5lb/gal@flake", "assay as in"),
        ("mgcl2:35%", "0 to 30 %"),
        ("rv:-40degF", "no usual label"),
        ("methanol:-80degC", "first ice"),
        ("pg:5degC", "first ice"),
        ("cacl2:-5%", r"cacl2:20%"),
        ("cacl2:20%vol", "by mass"),
        ("cacl2:-1 lb/gal", "less than nothing"),
        ("glycerol", "by mass"),
        ("methanol:80%", "0 to 60 %"),
        ("methanol:3 lb/gal", "methanol:33.6%"),
        ("pg:50%", "by volume"),
        ("pg:65%vol", "0 to 60 %"),
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
