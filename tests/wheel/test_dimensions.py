"""Outside lengths against makers' data sheets, and against UN R106 annex 5 as remembered."""

import csv
import statistics
from importlib.resources import files
from pathlib import Path

import pytest

from rig.wheel import Measured, geometric_cavity, liquid_at_valve, read_size
from rig.wheel.designation import Family
from rig.wheel.dimensions import outline_of

# size, outside diameter mm, section width mm. MAXAM MS502 (L5S, extra-deep tread), Mitas SK-05, Antego ATW-009, -010
# and -017 data sheets; 14.9R28 to 18.4R26: a conventional-to-metric size table on a web page (dnv-containers.com).
SHEETS = [
    ("12.00R24", 1276, 313),
    ("18.00R25", 1677, 500),
    ("17.5R25", 1408, 433),
    ("20.5R25", 1547, 532),
    ("23.5R25", 1666, 605),
    ("26.5R25", 1796, 675),
    ("29.5R25", 1928, 772),
    ("29.5R29", 2011, 783),
    ("35/65R33", 2069, 894),
    ("12-16.5", 836, 305),
    ("15x6.00-6", 358, 155),
    ("18x7.00-8", 457, 178),
    ("18x8.50-8", 455, 215),
    ("20x8.00-8", 480, 206),
    ("20x10.00-10", 500, 242),
    ("23x10.50-12", 570, 259),
    ("18x6.50-8", 470, 165),
    ("205/50-10", 460, 198),
    ("225/45-10", 460, 216),
    ("14.9R28", 1367, 378),
    ("14.9R30", 1417, 378),
    ("16.9R28", 1435, 429),
    ("18.4R26", 1450, 467),
]
# UN R106 annex 5, from memory.
REGULATION = [
    ("8.3-24", 995, 211),
    ("9.5-24", 1050, 241),
    ("11.2-28", 1205, 284),
    ("12.4-24", 1160, 315),
    ("13.6-38", 1565, 345),
    ("16.9-34", 1585, 429),
    ("18.4-38", 1755, 467),
    ("20.8-38", 1835, 528),
    ("23.1-26", 1605, 587),
    ("30.5L-32", 1820, 775),
    ("17.5L-24", 1241, 445),
    ("11L-15", 777, 279),
    ("12.5L-15", 823, 318),
    ("6.00-16", 735, 160),
    ("7.50-16", 805, 205),
    ("10.00-16", 895, 274),
    ("480/80R42", 1835, 480),
    ("520/85R38", 1849, 520),
    ("600/65R38", 1745, 600),
    ("800/70R32", 1933, 800),
    ("600/50-22.5", 1172, 611),
]


def _errors(rows: list[tuple[str, int, int]]) -> tuple[list[float], list[float]]:
    found = [(outline_of(read_size(size), Measured()), diameter, section) for size, diameter, section in rows]
    return (
        [abs(1000 * o.diameter_m / diameter - 1) for o, diameter, _ in found],
        [abs(1000 * o.section_m / section - 1) for o, _, section in found],
    )


def test_rules_against_data_sheets() -> None:
    # The MS502 sheet's extra-deep tread stands 3 % over the standard tread that the rule is for.
    diameters, sections = _errors(SHEETS)
    assert statistics.median(diameters) <= 0.02
    assert max(diameters) <= 0.055
    assert statistics.median(sections) <= 0.02
    assert max(sections) <= 0.05


def test_rules_against_the_regulation() -> None:
    diameters, sections = _errors(REGULATION)
    assert statistics.median(diameters) <= 0.005
    assert max(diameters) <= 0.025
    assert statistics.median(sections) <= 0.02
    assert max(sections) <= 0.065


def test_most_sheets_lie_inside_the_stated_spread() -> None:
    inside = 0
    for size, diameter, section in SHEETS + REGULATION:
        o = outline_of(read_size(size), Measured())
        inside += abs(1000 * o.diameter_m / diameter - 1) <= o.diameter_u
        inside += abs(1000 * o.section_m / section - 1) <= o.section_u
    assert inside >= 0.85 * 2 * len(SHEETS + REGULATION)


@pytest.mark.parametrize("size", ["16.9-28", "26x12.00-12", "480/80R42"])
def test_a_tape_measure_narrows_the_spread(size: str) -> None:
    rule = outline_of(read_size(size), Measured())
    taped = outline_of(read_size(size), Measured(diameter_m=rule.diameter_m, section_m=rule.section_m))
    assert taped.diameter_u < rule.diameter_u
    assert taped.section_u < rule.section_u


ROWS = list(csv.DictReader(files("rig.wheel").joinpath("dimensions.csv").read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["size"])
def test_every_row_of_the_table_is_used_as_it_stands(row: dict[str, str]) -> None:
    d = read_size(row["size"])
    o = outline_of(d, Measured())
    assert (d.text, d.family, d.rim_in) == (row["size"], row["family"], float(row["rim_in"]))
    assert d.width_in == pytest.approx(float(row["width_in"]), abs=1e-3)
    assert 1000 * o.diameter_m == pytest.approx(float(row["diameter_mm"]))
    assert 1000 * o.section_m == pytest.approx(float(row["section_mm"]))
    assert row["source"].endswith("from memory") or "data sheet" in row["source"] or "catalogue" in row["source"]


# Diameters as read on 2026-11-30. eurogrip: Agriculture tyres technical catalogue of 21 May 2025, by the table
# bronnen/banden/eurogrip-2025-05.csv of the public GitHub repository akabart/Voorloop-bereken-module (it doubts its
# own reading of 13.6-38 and 15.5-38). quoted: farm data books of Firestone and Titan, as quoted in a public GitHub
# repository; the books were not read. Patterns differ in tread: TR72 is a deep one.
READ = list(csv.DictReader(Path(__file__).with_name("read_diameters.csv").read_text(encoding="utf-8").splitlines()))
AGREES = {"drive": 0.006, "front": 0.009, "skid": 0.015}


def _off(row: dict[str, str]) -> float:
    return float(row["diameter_mm"]) / 1000 / outline_of(read_size(row["size"]), Measured()).diameter_m - 1


def test_a_row_that_names_the_catalogue_has_its_diameter() -> None:
    named = [row for row in ROWS if "diameter as in" in row["source"]]
    assert len(named) == 20
    for row in named:
        offs = [abs(_off(read)) for read in READ if (read["size"], read["source"]) == (row["size"], "eurogrip")]
        assert min(offs) <= AGREES[row["family"]], row["size"]
    for row in ROWS:
        if row["source"].startswith("Eurogrip"):
            assert any(r["size"] == row["size"] and float(r["diameter_mm"]) == float(row["diameter_mm"]) for r in READ)


def test_read_diameters_by_family(capsys: pytest.CaptureFixture[str]) -> None:
    listed = {row["size"] for row in ROWS if row["source"].startswith("Eurogrip")}
    rows = [(read_size(row["size"]).family, _off(row)) for row in READ if row["size"] not in listed]
    with capsys.disabled():
        print()
        for family in sorted({family for family, _ in rows}):
            offs = [off for each, off in rows if each == family]
            print(f"{family}: n {len(offs)}, mean {100 * statistics.fmean(offs):+.2f} %, ", end="")
            print(f"sd {100 * statistics.pstdev(offs):.2f}, worst {100 * max(offs, key=abs):+.2f} %")

    def offs(family: Family) -> list[float]:
        return [off for each, off in rows if each == family]

    # Tread of one size differs, at most by 4.6 %; the middle of what is read is the table's, but for compact tyres.
    for family in ("drive", "front", "flotation"):
        assert abs(statistics.median(offs(family))) <= 0.006
        assert max(map(abs, offs(family))) <= 0.046
    assert -0.05 <= statistics.fmean(offs("compact")) <= -0.04


def test_a_width_has_its_section_on_another_rim_too() -> None:
    # 18.4-26 and 18.4-38 are listed, 18.4-28 is not: the section is theirs.
    o = outline_of(read_size("18.4-28"), Measured())
    assert o.section_m == pytest.approx(0.467)
    assert (o.diameter_m - o.rim_m) / 2 == pytest.approx((1.450 - 26 * 0.0254) / 2, rel=0.005)


# Metric marks and the inch size that a trade's interchange table puts beside them; that a practitioner expects the
# metric one about 2 % under it: common practice, no source.
TWINS = [
    ("280/85R24", "11.2R24"), ("320/85R24", "12.4R24"), ("340/85R28", "13.6R28"), ("380/85R28", "14.9R28"),
    ("420/85R28", "16.9R28"), ("460/85R38", "18.4R38"), ("520/85R38", "20.8R38"),
]  # fmt: skip


def test_metric_radials_hold_about_what_their_inch_twins_hold() -> None:
    holds = {size: liquid_at_valve(geometric_cavity(read_size(size))) for pair in TWINS for size in pair}
    differences = [holds[metric] / holds[inch] - 1 for metric, inch in TWINS]
    assert statistics.fmean(differences) == pytest.approx(-0.02, abs=0.015)
    assert max(abs(each + 0.02) for each in differences) <= 0.05


def test_a_width_that_no_table_has_is_told_with_its_neighbours() -> None:
    notes = geometric_cavity(read_size("16.8-28")).notes
    assert any("16.9, 15.5" in note and "look at the mark again" in note for note in notes)
    assert not geometric_cavity(read_size("16.9-46")).notes
