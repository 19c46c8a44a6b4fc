"""The liquid inside after several have gone in, and the cautions that come with it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.caution import Caution
from rig.fluid import (
    BY_VOLUME,
    Fluid,
    FluidError,
    Kind,
    Mix,
    Part,
    figures_of,
    mix_of,
    read_content,
    read_fluid,
    scaled,
)
from rig.fluid.tables import strengths_of
from rig.units import L_PER_GAL

KINDS: tuple[Kind, ...] = ("cacl2", "mgcl2", "methanol", "kac", "kfo", "glycerol", "pg", "eg")
kinds = st.sampled_from(KINDS)
shares = st.floats(0, 1)
volumes = st.floats(1, 500)


def _mix(*parts: tuple[float | None, str], temp_c: float = 15.0) -> Mix:
    return mix_of([Part(litres, None if name == "unknown" else read_fluid(name)) for litres, name in parts], temp_c)


def _fluid(kind: Kind, place: float) -> Fluid:
    _, high = strengths_of(kind)
    return read_fluid(f"{kind}:{100 * high * place:.4f}%{'vol' if kind in BY_VOLUME else ''}")


def test_brine_on_water_freezes_as_the_mix_does() -> None:
    # 20 gal of water topped up to 261.2 L with brine of 3.5 lb of 77 % flake per gallon, computed outside the project:
    # 17.0 %, first ice at -13.7 C, 300 kg.
    water_l = 20 * L_PER_GAL
    mix = _mix((261.2 - water_l, "cacl2:3.5lb/gal"), (water_l, "water"))
    assert mix.name == "cacl2:17.0%"
    assert mix.freeze_c == pytest.approx(-13.7, abs=0.05)
    assert mix.mass_kg == pytest.approx(300, abs=0.5)
    assert mix.density_kg_m3 == pytest.approx(1150.7, abs=1.0)


def test_water_on_brine_weakens_it() -> None:
    # By hand: 100 L of 20 % brine at 20 C weigh 117.8 kg and hold 23.56 kg of salt; with 99.8 kg of water 10.8 %.
    mix = _mix((100, "cacl2:20%"), (100, "water"), temp_c=20)
    assert mix.fluid is not None
    assert mix.fluid.strength == pytest.approx(0.1083, abs=2e-4)


def test_glycol_is_mixed_by_mass_and_told_by_volume() -> None:
    # By hand with the densities of CRC's handbook: 50 % by volume are 50.9 % by mass, 53.2 kg in 104.4 kg (APG); with
    # 99.8 kg of water 26.0 % by mass, that is 25.3 % by volume.
    mix = _mix((100, "pg:50%vol"), (100, "water"), temp_c=20)
    assert mix.fluid is not None
    assert mix.fluid.strength == pytest.approx(0.253, abs=0.001)


@given(kinds, shares, shares, volumes, volumes)
def test_a_mix_lies_between_its_parts(kind: Kind, one: float, other: float, one_l: float, other_l: float) -> None:
    first, second = _fluid(kind, one), _fluid(kind, other)
    mix = mix_of((Part(one_l, first), Part(other_l, second)), 20.0)
    assert mix.fluid is not None
    weak, strong = sorted((first.solute_share, second.solute_share))
    assert weak - 1e-6 <= mix.fluid.solute_share <= strong + 1e-6
    assert mix.mass_kg == pytest.approx(
        sum(litres * each.density_kg_m3(each.liquid_c(20)) for litres, each in ((one_l, first), (other_l, second)))
        / 1000
    )


@given(st.lists(st.tuples(volumes, st.sampled_from(["water", "cacl2:20%", "cacl2:28%", "cacl2:36%"])), min_size=1))
def test_the_order_of_pouring_does_not_matter(parts: list[tuple[float, str]]) -> None:
    mix, other = _mix(*parts), _mix(*reversed(parts))
    assert mix.freeze_c == pytest.approx(other.freeze_c)
    assert mix.mass_kg == pytest.approx(other.mass_kg)


@pytest.mark.parametrize(
    ("parts", "why"),
    [
        (((100.0, "beet"), (20.0, "water")), "beet + water"),
        (((100.0, "cacl2:20%"), (20.0, "methanol:30%")), "no mix that is known"),
        (((100.0, "pg:50%vol"), (20.0, "eg:50%vol")), "no mix that is known"),
        (((100.0, "cacl2:20%"), (20.0, "unknown")), "nobody knows what 20.0 L (5.3 gal) of it are"),
        (((100.0, "cacl2:20%"), (None, "water")), "how much water"),
        (((100.0, "cacl2:20%"), (None, "unknown")), "nobody knows what is inside"),
    ],
)
def test_a_mix_that_is_not_known_has_no_frost_point(parts: tuple[tuple[float | None, str], ...], why: str) -> None:
    mix = _mix(*parts)
    assert mix.freeze_c is None
    assert why in mix.unknown
    told = mix.cautions(read_fluid(parts[0][1]))
    assert any(why in caution.text and caution.severity == "caution" for caution in told)


def test_of_different_kinds_the_weight_is_still_known() -> None:
    mix = _mix((100.0, "pg:50%vol"), (20.0, "eg:50%vol"), temp_c=20)
    assert mix.mass_kg == pytest.approx(126, abs=1)
    assert mix.density_kg_m3 == pytest.approx(1050, abs=10)
    assert _mix((100.0, "pg:50%vol"), (20.0, "unknown")).mass_kg is None


def test_cold_water_under_warm_brine_is_weighed_as_water() -> None:
    # The tote's brine may be colder than the freeze point of what is inside.
    mix = _mix((100, "cacl2:20%"), (50, "water"), temp_c=-10)
    assert mix.mass_kg == pytest.approx(50.0 + 118.8, abs=0.5)


def test_no_liquid_or_less_than_none_is_refused() -> None:
    with pytest.raises(FluidError, match="needs a liquid"):
        mix_of((Part(0, read_fluid("water")),), 20)
    with pytest.raises(FluidError, match="below zero"):
        mix_of((Part(-1, read_fluid("water")),), 20)


def test_content_is_read_with_volumes_or_without() -> None:
    water, brine = read_content("20 gal water + 180 L cacl2:20%", read_fluid)
    assert (water.name, brine.name) == ("water", "cacl2:20%")
    assert water.litres == pytest.approx(20 * L_PER_GAL)
    assert brine.litres == 180
    assert read_content("water", read_fluid)[0].litres is None
    assert read_content("5 L unknown", read_fluid)[0].fluid is None
    assert [part.litres for part in scaled((water, brine), 100.0)] == pytest.approx([29.6, 70.4], abs=0.05)
    assert scaled((), 40.0) == (Part(40.0, None),)
    with pytest.raises(FluidError, match="no fluid"):
        read_content("20 L milk", read_fluid)


# --- cautions -------------------------------------------------------------------------------------------------------


def _told(cautions: tuple[Caution, ...], word: str) -> list[str]:
    return [c.severity for c in cautions if word in c.text]


def _alone(
    text: str, *, tubeless: bool | None = None, coldest_c: float | None = None, assay: float | None = None
) -> tuple[Caution, ...]:
    fluid = read_fluid(text, assay)
    return mix_of((Part(100.0, fluid),), 20.0).cautions(fluid, tubeless=tubeless, coldest_c=coldest_c)


@pytest.mark.parametrize("kind", [*KINDS, "water", "beet"])
def test_every_caution_is_one_line_with_a_source(kind: Kind) -> None:
    fluid = read_fluid(kind) if kind in {"water", "beet"} else _fluid(kind, 0.5)
    mix = mix_of((Part(100.0, fluid), Part(20.0, read_fluid("cacl2:25%"))), 20.0)
    for caution in mix.cautions(fluid, tubeless=True, coldest_c=-60):
        assert caution.source
        assert "\n" not in caution.text
        assert len(caution.text) < 200


def test_calcium_and_the_rim() -> None:
    assert _told(_alone("cacl2:20%", tubeless=True), "tubeless") == ["caution"]
    assert _told(_alone("cacl2:20%", tubeless=False), "tubeless") == []
    assert _told(_alone("cacl2:20%"), "tube or tubeless") == ["note"]


def test_methanol_burns() -> None:
    assert read_fluid("methanol:30%").flammable
    assert _told(_alone("methanol:30%"), "burns") == ["danger"]
    assert not read_fluid("methanol:5%").flammable
    assert not read_fluid("pg:50%vol").flammable


def test_winter_tells_slush_from_solid_and_from_salt() -> None:
    assert _told(_alone("cacl2:3.5lb/gal", coldest_c=-20), "slush") == []
    assert _told(_alone("cacl2:3.5lb/gal", coldest_c=-30), "slush") == ["caution"]
    assert _told(_alone("cacl2:3.5lb/gal", coldest_c=-50), "solid") == ["danger"]
    assert _told(_alone("cacl2:35%", coldest_c=-20), "drops salt (from -15 °C") == ["caution"]


def test_an_unstated_assay_is_reported_with_what_it_leaves_open() -> None:
    # Flake sold: 77-80, 83-87 and 94-97 %.
    assert _told(_alone("cacl2:3.5lb/gal"), "77 % is assumed") == ["caution"]
    assert _told(_alone("cacl2:3.5lb/gal"), "22.8 to 28.7 %, first crystals from -24 °C (-10 °F) to -42 °C") == [
        "caution"
    ]
    assert _told(_alone("cacl2:3.5lb/gal", assay=0.83), "assumed") == []
    assert _told(_alone("cacl2:3.5lb/gal@83%"), "assumed") == []
    assert _told(_alone("cacl2:20%"), "assumed") == []


@pytest.mark.parametrize(
    ("new", "old", "word", "severity"),
    [
        ("beet", "water", "thinned", "danger"),
        ("water", "beet", "thinned", "danger"),
        ("beet", "cacl2:20%", "thinned", "danger"),
        ("beet", "cacl2:20%", "calcium has been", "caution"),
        ("methanol:30%", "cacl2:20%", "clot", "caution"),
        ("mgcl2:25%", "cacl2:20%", "clot", "caution"),
        ("cacl2:20%", "water", "weaker and freezes sooner", "caution"),
        ("rv:-50degF", "water", "burst protection", "caution"),
        ("cacl2:30%", "cacl2:20%", "weigh a sample", "note"),
        ("pg:50%vol", "eg:50%vol", "take the old liquid out", "caution"),
        ("water", "methanol:30%", "what comes back burns", "danger"),
    ],
)
def test_on_top_of_what_is_in_the_tyre(new: str, old: str, word: str, severity: str) -> None:
    assert _told(_mix((100.0, new), (20.0, old)).cautions(read_fluid(new)), word) == [severity]


def test_the_coldest_day_is_judged_by_the_mix_and_by_what_lies_on_top() -> None:
    brine = read_fluid("cacl2:3.5lb/gal")
    mix = _mix((185.5, "cacl2:3.5lb/gal"), (75.7, "water"))
    told = mix.cautions(brine, coldest_c=-20)
    assert _told(told, "cacl2:17.0% is slush (from -14 °C") == ["caution"]
    assert _told(told, "until the wheel has turned, water lies on top") == ["caution"]
    assert _told(mix.cautions(brine), "until the wheel has turned") == ["note"]
    assert _told(_alone("cacl2:3.5lb/gal", coldest_c=-20), "slush") == []


def test_strong_brine_is_better_for_some_water() -> None:
    brine = read_fluid("cacl2:38%")
    told = _mix((300.0, "cacl2:38%"), (60.0, "water")).cautions(brine)
    assert _told(told, "the mix is weaker") == ["caution"]
    assert _told(told, "freezes sooner") == []


def test_the_same_on_top_says_nothing() -> None:
    assert _mix((10.0, "beet"), (10.0, "beet")).cautions(read_fluid("beet")) == _alone("beet")


# --- what a record says ---------------------------------------------------------------------------------------------


def test_a_record_tells_what_came_from_what_is_inside() -> None:
    brine, water = read_fluid("cacl2:3.5lb/gal"), read_fluid("water")
    found = figures_of(brine, 185.5, 15.0, (Part(None, water),), 75.7)
    assert (found.mix, found.freeze_c, found.fluid_freeze_c) == ("cacl2:17.0%", -13.7, -23.6)
    assert found.mass_kg == pytest.approx(300, abs=0.5)
    assert found.fluid_mass_kg == pytest.approx(224.2, abs=0.2)
    alone = figures_of(brine, 185.5, 15.0)
    assert (alone.mass_kg, alone.density_kg_m3, alone.freeze_c) == (
        alone.fluid_mass_kg, alone.fluid_density_kg_m3, alone.fluid_freeze_c,
    )  # fmt: skip
    unknown = figures_of(brine, 185.5, 15.0, (), 75.7)
    assert (unknown.freeze_c, unknown.mass_kg, unknown.density_kg_m3) == (None, None, None)
    assert unknown.mix_unknown == "nobody knows what 75.7 L (20.0 gal) of it are: weigh a sample"
    nothing = figures_of(brine, 0.0, 15.0, (Part(None, water),), 75.7)
    assert (nothing.mix, nothing.freeze_c, nothing.fluid_mass_kg) == ("water", 0.0, 0.0)
    out = figures_of(brine, -50.0, 15.0)
    assert (out.mass_kg, out.freeze_c) == (out.fluid_mass_kg, -23.6)
