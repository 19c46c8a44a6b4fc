"""What `rig target` answers: monotone, round trips, odd marks, advice, machines, exit codes, a thousand sizes."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.cli import main
from rig.cli.picture import drawing, svg
from rig.plan.advice import Circumstances, Use
from rig.plan.target import Target, TargetError, Wanted, half_percent_from_l
from rig.run.assembly import Question, answer
from rig.run.settings import Settings, load_settings
from rig.wheel import published_fills

ROOT = Path(__file__).resolve().parents[2]
MACHINE = ROOT / "config" / "machines" / "example.toml"
SETTINGS = load_settings(ROOT / "config" / "demo.toml")
AWKWARD = (
    "16,9 - 28", "480/80 r 42 151A8", "IF 710/70R42", "26 x 12-12", "600/50 - 22.5", "11L-15 implement",
    "10-16.5 NHS", "23.5R25", "18x7-8", "7.50-16",
)  # fmt: skip


def _ask(size: str = "16.9-28", fluid: str = "water", settings: Settings = SETTINGS, **wanted: object) -> Target:
    question = Question(size, Wanted(**wanted), fluid=fluid, temp_c=15.0)  # type: ignore[arg-type]
    return answer(settings, question)


def _json(capsys: pytest.CaptureFixture[str], *arguments: str) -> object:
    assert main(["target", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@given(st.floats(5, 89), st.floats(0.5, 20))
def test_more_percent_is_more_of_everything(percent: float, more: float) -> None:
    less, greater = _ask(percent=percent), _ask(percent=min(percent + more, 90))
    assert less.target_l < greater.target_l
    assert less.added_kg < greater.added_kg
    assert less.foreseen.seconds < greater.foreseen.seconds * 1.02


@given(st.sampled_from([("11.2-24", "12.4-24"), ("16.9-28", "18.4-28"), ("18.4-30", "18.4-38")]), st.floats(10, 80))
def test_a_larger_tyre_takes_more(pair: tuple[str, str], percent: float) -> None:
    small, large = (_ask(size, percent=percent) for size in pair)
    assert small.target_l < large.target_l
    assert small.cavity.fraction_at_clock(4) < small.cavity.fraction_at_clock(12)


@given(st.floats(-5, 38), st.floats(0.5, 10))
def test_warmer_brine_weighs_less(temp_c: float, more: float) -> None:
    cold, warm = (
        answer(SETTINGS, Question("16.9-28", fluid="cacl2:20%", temp_c=t)) for t in (temp_c, min(temp_c + more, 40))
    )
    assert warm.fluid_kg_m3 <= cold.fluid_kg_m3
    assert warm.added_kg <= cold.added_kg


@given(st.floats(20, 290))
def test_litres_to_kilograms_and_back(litres: float) -> None:
    by_volume = _ask("18.4-38", volume_l=litres)
    by_mass = _ask("18.4-38", mass_kg=by_volume.added_kg)
    assert by_mass.target_l == pytest.approx(litres, rel=1e-9)


@given(st.floats(1, 6))
def test_clock_to_percent_and_back(clock: float) -> None:
    by_clock = _ask(valve_at=clock)
    by_percent = _ask(percent=100 * by_clock.fill_fraction)
    assert by_percent.target_l == pytest.approx(by_clock.target_l, rel=1e-6)
    assert by_clock.cavity.clock_of_fraction(by_clock.fill_fraction) == pytest.approx(clock, abs=0.02)


def test_a_margin_lowers_the_level_and_keeps_the_chart_value() -> None:
    plain, lower = _ask(), _ask(margin_m=0.03)
    assert lower.target_l < plain.target_l
    assert lower.chart_l == plain.chart_l == pytest.approx(plain.target_l)
    area = (
        plain.cavity.surface_m2(plain.cavity.valve_height_m(12) - 0.015) * plain.cavity.volume_l / plain.cavity.shape_m3
    )
    assert plain.target_l - lower.target_l == pytest.approx(0.03 * area, rel=0.02)


def test_one_sealed_stroke_is_named_where_the_window_permits_it() -> None:
    # Boyle by hand: 40 % into a tyre that is to stand at 20 psi: (20 + 14.696) 0.6 - 14.696 = 6.12 psi.
    found = _ask(percent=40, working_kpa=20 * 6.894757)
    assert found.sealed_start_kpa is not None
    assert found.sealed_start_kpa / 6.894757 == pytest.approx(6.12, abs=0.01)
    assert _ask(percent=75, working_kpa=14 * 6.894757).sealed_start_kpa is None


def test_a_small_stem_is_told_what_the_large_bore_saves() -> None:
    small = answer(SETTINGS, Question("16.9-28", valve="rubber", fluid="water", temp_c=15.0))
    large = answer(SETTINGS, Question("16.9-28", valve="air-water", fluid="water", temp_c=15.0))
    assert small.large_bore_saves_s == pytest.approx(small.foreseen.seconds - large.foreseen.seconds)
    assert large.large_bore_saves_s == 0
    assert small.foreseen.seconds < small.published_s


def test_the_smallest_fill_for_half_a_percent() -> None:
    # Two pulses of 10 mL and 0.2 % of a 3.9 L hose beside a meter of 0.3 %: root of squares by hand.
    fixed = math.hypot(0.02, 0.0078)
    found = half_percent_from_l(0.01, 3.9, 0.003, 1.0, "vent")
    assert found == pytest.approx(fixed / 0.004, rel=1e-6)
    assert half_percent_from_l(0.01, 3.9, 0.005, 1.0, "vent") is None
    drawn = half_percent_from_l(0.01, 3.9, 0.003, 1.0, "draw-down")
    assert drawn is not None
    assert found is not None
    assert drawn > found


@pytest.mark.parametrize(
    ("size", "use"), [("18x8.50-8", "turf"), ("18.4-38", "dual"), ("5.50-16", "field"), ("6.00-16", "field")]
)
def test_no_liquid_is_said_where_it_is_the_answer(size: str, use: Use) -> None:
    assert _ask(size, known=Circumstances(uses=frozenset({use}))).against


@pytest.mark.parametrize(
    ("size", "known", "words"),
    [
        ("16.9R28", Circumstances(), "40 % at most"),
        ("16.9-28", Circumstances(inside="sealant"), "sealant inside"),
        ("16.9-28", Circumstances(tube=True, chloride_history=True), "tube with old calcium"),
        ("16.9-28", Circumstances(inside="liquid"), "nobody has named"),
        ("16.9-28", Circumstances(coldest_c=-20.0), "solid at -20"),
        ("16.9-28", Circumstances(uses=frozenset({"loader"})), "does not unload"),
    ],
)
def test_what_is_known_of_the_wheel_brings_its_caution(size: str, known: Circumstances, words: str) -> None:
    cautions = _ask(size, known=known).cautions
    assert any(words in caution.text for caution in cautions)
    assert all(caution.source for caution in cautions)
    assert not any(words in caution.text for caution in _ask("14.9-24", percent=70).cautions)


def test_ten_awkward_marks_by_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    found = _json(capsys, *AWKWARD)
    assert isinstance(found, list)
    assert len(found) == len(AWKWARD)
    for document in found:
        assert 0 < document["target_low_l"] <= document["target_l"] <= document["target_high_l"]
        assert document["cavity_low_l"] < document["cavity_l"] < document["cavity_high_l"]
        assert document["strokes"] >= 1


@pytest.mark.parametrize(
    "arguments",
    [
        [], ["nonsense"], ["16.9-28", "--fill", "95"], ["16.9-28", "--fill", "75", "--volume", "10 L"],
        ["16.9-28", "--fluid", "cacl2:45%"], ["16.9-28", "--temp", "20"], ["16.9-28", "--valve", "cork"],
        ["16.9-28", "--margin", "2 m"], ["16.9-28", "--machine", "x.toml"], ["--machine", "no-such-file.toml"],
        ["16.9-28", "--fill", "0.75"], ["48/80R42"], ["16.9-28", "--inside", "foam"], ["18x7x12 1/8"],
        ["16.9-28", "--assay", "12", "--fluid", "cacl2:3.5lb/gal"], ["16.9-28", "--valve-at", "14"],
    ],
)  # fmt: skip
def test_what_cannot_be_answered_is_bad_usage_and_one_line(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["target", *arguments]) == 2
    out, err = capsys.readouterr()
    assert not out
    assert err.startswith("rig: ")
    assert "Traceback" not in err


def test_assay_makes_the_mix_heavier(capsys: pytest.CaptureFixture[str]) -> None:
    mix = ("16.9-28", "--fluid", "cacl2:3.5lb/gal", "--temp", "20 degC")
    plain, strong = _json(capsys, *mix), _json(capsys, *mix, "--assay", "83%")
    assert isinstance(plain, dict)
    assert isinstance(strong, dict)
    # Computed from handbook densities of brine at 22.8 and 24.5 % by mass: 10.07 and 10.22 lb per US gallon.
    assert strong["density_kg_m3"] / plain["density_kg_m3"] == pytest.approx(10.22 / 10.07, abs=0.002)


def test_a_machine_adds_up_and_both_sides_are_alike(capsys: pytest.CaptureFixture[str]) -> None:
    found = _json(capsys, "--machine", str(MACHINE))
    assert isinstance(found, dict)
    assert found["litres"] == pytest.approx(sum(a["wheels"] * a["each"]["target_l"] for a in found["axles"]), abs=0.1)
    assert found["mass_kg"] == pytest.approx(sum(a["mass_kg"] for a in found["axles"]), abs=0.1)
    assert found["totes"] == 1
    # Statics about the line from a rear wheel to the front pin: 0.8 x 1.3 over 2.2 x 0.85 - 0.5 x 0.9 is 36.22 degrees.
    assert found["tipping_deg_before"] == pytest.approx(36.22, abs=0.01)
    assert found["tipping_deg_after"] > found["tipping_deg_before"]
    assert any("does not unload" in caution["text"] for caution in found["cautions"])


def test_a_machine_file_with_mistakes_names_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('name = "x"\n[axles.rear]\nsize = "16.9-28"\nweels = 2\n', encoding="utf-8")
    assert main(["target", "--machine", str(wrong)]) == 2
    assert "axles.rear.weels" in capsys.readouterr().err


def test_the_picture_shows_level_and_valve(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    high, low = drawing(_ask(valve_at=12)), drawing(_ask(valve_at=4))
    assert high.count("~") > 1.6 * low.count("~")
    assert svg(_ask()).startswith("<svg")
    path = tmp_path / "wheel.svg"
    assert main(["target", "16.9-28", "--why", "--svg", str(path)]) == 0
    assert "valve at 12" in path.read_text(encoding="utf-8")
    assert "V valve at 12" in capsys.readouterr().out


def test_a_thousand_targets_in_one_call(capsys: pytest.CaptureFixture[str]) -> None:
    sizes = [row.size for row in published_fills()]
    thousand = (sizes * (1000 // len(sizes) + 1))[:1000]
    found = _json(capsys, *thousand)
    assert isinstance(found, list)
    assert len(found) == 1000


def test_a_target_that_is_full_already_is_told() -> None:
    with pytest.raises(TargetError, match="holds"):
        _ask(existing_l=400.0)


SCREENS = (
    ("16.9-28",), ("480/80R42",), ("VF 480/80R42 CFO", "--fluid", "cacl2:3.5lb/gal@83%"), ("5.50-16",),
    ("480/80R42", "--use", "loader", "--use", "road", "--use", "dual", "--tube", "--history", "chloride", "--coldest",
     "-20 degC", "--fluid", "water", "--valve", "rubber", "--working-pressure", "14 psi"),
    ("480/80R42 151A8", "--load", "front 2400 kg, rear 3600 kg", "--road-limit", "5500 kg", "--power", "140 hp"),
    ("16.9-28", "--holds", "20 gal", "--holds-fluid", "water", "--fluid", "cacl2:20%", "--inside", "sealant"),
)  # fmt: skip


@pytest.mark.parametrize("arguments", SCREENS)
def test_the_answer_fits_a_screen_and_begins_with_what_is_asked(
    arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["target", *arguments]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 24
    assert max(len(line) for line in lines) <= 80
    assert " gal (" in lines[0]
    assert " lb (" in lines[0]
    names = [line[2:14].strip() for line in lines]
    assert names.index("first ice") < names.index("pressure") < names.index("sure to")
    assert "--why" in lines[-1]


def test_why_has_every_caution_with_its_source(capsys: pytest.CaptureFixture[str]) -> None:
    found = _json(capsys, "480/80R42")
    assert isinstance(found, dict)
    assert main(["target", "480/80R42", "--why"]) == 0
    said = capsys.readouterr().out
    for caution in found["cautions"]:
        assert f"{caution['severity']}: {caution['text']} [{caution['source']}]" in said


def test_the_advice_for_radials_stands_beside_the_litres(capsys: pytest.CaptureFixture[str]) -> None:
    # 40 % at most for radials: Valtra BT operator's manual, p. 144.
    assert main(["target", "480/80R42"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "40 %" in " ".join(lines[1:4])
    assert main(["target", "480/80R42", "--valve-at", "4"]) == 0
    assert "RADIAL" not in capsys.readouterr().out


def test_marks_are_kept_in_what_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    found = _json(capsys, "vf480/80R42 CFO")
    assert isinstance(found, dict)
    assert (found["size"], found["size_as_marked"]) == ("480/80R42", "VF 480/80R42 CFO")
    assert main(["target", "vf480/80R42 CFO"]) == 0
    assert capsys.readouterr().out.startswith("VF 480/80R42 CFO: ")


def test_a_share_below_one_is_asked_back(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["target", "16.9-28", "--fill", "0.75"]) == 2
    assert "75 %?" in capsys.readouterr().err
    found = _json(capsys, "16.9-28", "--fill", "0.75%")
    assert isinstance(found, dict)
    assert found["fill_fraction"] == pytest.approx(0.0075)
