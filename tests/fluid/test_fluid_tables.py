"""Packaged tables against the library that they were made with, and the order of their values."""

from types import ModuleType

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rig.fluid import BASE_C, BY_VOLUME, Fluid, FluidError, ShopTable, read_fluid
from rig.fluid.tables import _packaged, solution

MADE_OF = {
    "cacl2": "MCA", "mgcl2": "MMG", "methanol": "MMA", "kac": "MKA", "kfo": "MKF", "glycerol": "MGL", "pg": "APG",
    "eg": "AEG",
}  # fmt: skip
SPAN = {
    "cacl2": (0.0, 0.30), "mgcl2": (0.0, 0.20), "methanol": (0.0, 0.60), "kac": (0.0, 0.44), "kfo": (0.0, 0.48),
    "glycerol": (0.0, 0.60), "pg": (0.10, 0.60), "eg": (0.10, 0.60),
}  # fmt: skip

kinds = st.sampled_from(sorted(SPAN))
shares = st.floats(0, 1)


def _fluid(kind: str, place: float) -> Fluid:
    low, high = SPAN[kind]
    return read_fluid(f"{kind}:{100 * (low + place * (high - low)):.4f}%{'vol' if kind in BY_VOLUME else ''}")


@pytest.fixture(scope="module")
def made() -> ModuleType:
    """The script with its library, which takes two seconds to load, in each process that collects tests."""
    from rig.fluid import make_tables

    return make_tables


def test_the_packaged_tables_are_what_the_script_writes(made: ModuleType) -> None:
    fresh, packaged = made.tables(), _packaged()
    assert fresh.keys() == packaged.keys()
    for kind, table in fresh.items():
        for new, old in zip(table["rows"], packaged[kind]["rows"], strict=True):
            assert new["density_kg_m3"] == pytest.approx(old["density_kg_m3"], abs=0.01)
            assert new["ln_mpas"] == pytest.approx(old["ln_mpas"], abs=1e-4)
            assert new["freeze_c"] == pytest.approx(old["freeze_c"], abs=0.01)


@given(kinds, shares, st.floats(0.01, 0.99))
def test_interpolation_error(made: ModuleType, kind: str, place: float, warm: float) -> None:
    # Against CoolProp itself, at the same strength and temperature.
    low, high = SPAN[kind]
    strength = low + place * (high - low)
    mix = solution(kind, strength, kind)
    temp = mix.low_c + 0.05 + warm * (mix.top_c - mix.low_c - 0.1)
    # A tenth of a degree at the cold end is the freeze curve's own interpolation.
    temp = min(max(temp, mix.freeze_c + 0.1, -34.0 if kind in {"pg", "eg"} else -99.0), mix.top_c)
    kelvin = temp + made.KELVIN
    assert mix.density_kg_m3(temp) == pytest.approx(made.density(MADE_OF[kind], strength, kelvin), rel=4e-4)
    assert mix.viscosity_mpas(temp) == pytest.approx(made.viscosity(MADE_OF[kind], strength, kelvin), rel=0.012)


@given(kinds, shares, shares, shares)
@example("pg", 0.8046875, 0.0, 1.0)
def test_warm_liquid_is_thinner_and_lighter(kind: str, place: float, one: float, other: float) -> None:
    mix = _fluid(kind, place)
    # Between the strengths where a table ends at the freeze point and where at -35, it ends a tenth above either.
    bottom = max(mix.freeze_c + 0.01, -33.8 if kind in {"pg", "eg"} else -99.0)
    cold, warm = sorted(bottom + share * (39.9 - bottom) for share in (one, other))
    if warm - cold < 0.1:
        return
    assert mix.viscosity_mpas(cold) >= mix.viscosity_mpas(warm)
    # Weak mixes are densest a few degrees over freezing, as water is.
    if cold > 5 or kind in {"pg", "eg"} or place > 0.4:
        assert mix.density_kg_m3(cold) >= mix.density_kg_m3(warm)


@given(kinds, shares, shares)
def test_a_stronger_mix_freezes_later(kind: str, one: float, other: float) -> None:
    weak, strong = (_fluid(kind, place) for place in sorted((one, other)))
    assert strong.freeze_c <= weak.freeze_c + 1e-6


@given(shares, shares, st.floats(0.5, 39))
def test_stronger_brine_is_heavier_and_thicker(one: float, other: float, temp: float) -> None:
    weak, strong = (_fluid("cacl2", place) for place in sorted((one, other)))
    assert strong.density_kg_m3(temp) >= weak.density_kg_m3(temp) - 0.01
    assert strong.viscosity_mpas(temp) >= weak.viscosity_mpas(temp) * 0.9999


@given(kinds, shares, st.floats(1, 39), st.floats(1, 2000))
def test_mass_and_volume_round_trip(kind: str, place: float, temp: float, litres: float) -> None:
    mix = _fluid(kind, place)
    assert mix.volume_l(mix.mass_kg(litres, temp), temp) == pytest.approx(litres)
    assert mix.ctl(BASE_C) == pytest.approx(1)
    # Mass does not change with temperature: volume at 60 F weighs the same.
    assert mix.mass_kg(litres * mix.ctl(temp), BASE_C) == pytest.approx(mix.mass_kg(litres, temp))


@pytest.mark.parametrize(
    ("text", "temp", "ctl"),
    [("methanol:30%", 0, 1.00696), ("pg:50%vol", 30, 0.99230), ("eg:50%vol", 0, 1.00544), ("water", 30, 0.99663)],
)
def test_ctl(text: str, temp: float, ctl: float) -> None:
    # Computed once with CoolProp 8.0.0: density at the temperature over density at 60 F.
    assert read_fluid(text).ctl(temp) == pytest.approx(ctl, abs=2e-4)


def test_brine_ctl_follows_the_handbook() -> None:
    # Perry's, from memory: 20 % brine 1.1853 at 0 C, 1.1775 at 20 C, 1.1684 at 40 C.
    mix = read_fluid("cacl2:20%")
    assert mix.ctl(0) / mix.ctl(20) == pytest.approx(1.1853 / 1.1775, abs=5e-4)
    assert mix.ctl(40) / mix.ctl(20) == pytest.approx(1.1684 / 1.1775, abs=2e-3)


@pytest.mark.parametrize(
    ("text", "temp", "advice"),
    [
        ("cacl2:20%", -25.0, "freezes at -18 °C"),
        ("cacl2:20%", 45.0, "let it cool"),
        ("cacl2:38%", 0.0, "drops salt at 2 °C .* cut it with water"),
        ("water", -1.0, "freezes at 0 °C"),
        ("water", 80.0, "let it cool"),
        ("pg:60%vol", -40.0, "below its table"),
        ("beet", -40.0, "freezes"),
        ("beet", 70.0, "let it cool"),
        ("methanol:30%", float("nan"), "table"),
    ],
)
def test_outside_the_tables_is_refused(text: str, temp: float, advice: str) -> None:
    with pytest.raises(FluidError, match=advice):
        read_fluid(text).density_kg_m3(temp)
    with pytest.raises(FluidError, match=advice):
        read_fluid(text).viscosity_mpas(temp)


SYRUP = ShopTable("syrup", ((-20.0, 1330.0, 900.0), (0.0, 1320.0, 200.0), (40.0, 1300.0, 20.0)), freeze_c=-30.0)


def test_a_shop_s_own_fluid_comes_from_its_table() -> None:
    own = read_fluid("Syrup", shop={"syrup": SYRUP})
    assert own.density_kg_m3(20) == pytest.approx(1310)
    assert own.viscosity_mpas(20) == pytest.approx((200 * 20) ** 0.5)
    assert own.freeze_c == -30
    with pytest.raises(FluidError, match="below its table"):
        own.density_kg_m3(-25)


def test_a_shop_s_beet_comes_before_the_assumption() -> None:
    own = ShopTable("beet", ((0.0, 1290.0, 150.0), (30.0, 1275.0, 30.0)), freeze_c=-32.0)
    assert read_fluid("beet", shop={"beet": own}).density_kg_m3(0) == 1290


@pytest.mark.parametrize(
    "rows",
    [
        ((0.0, 1300.0, 100.0),),
        ((0.0, 1300.0, 100.0), (0.0, 1290.0, 90.0)),
        ((10.0, 1300.0, 100.0), (0.0, 1290.0, 90.0)),
        ((0.0, 13.0, 100.0), (10.0, 12.9, 90.0)),
        ((0.0, 1300.0, 0.0), (10.0, 1290.0, 90.0)),
        ((0.0, float("nan"), 1.0), (10.0, 1290.0, 90.0)),
    ],
)
def test_a_shop_s_table_that_is_none_is_refused(rows: tuple[tuple[float, float, float], ...]) -> None:
    with pytest.raises(FluidError, match="syrup"):
        ShopTable("syrup", rows, freeze_c=-30.0)
