"""Configurations: read whole, or refused with file, key and what to write, all mistakes at once."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from locked_away import unreadable
from shop import GONE, REAL, changed, mistakes, number, settings
from wrong_keys import ONE_LINE

from rig.run.settings import SettingsError, load_settings, settings_of

FOLDER = Path(__file__).parents[2] / "config"
CONFIGS = sorted(set(FOLDER.glob("*.toml")) - {FOLDER / "prices.toml"})


# --- what is read ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.name)
def test_the_configurations_that_come_along_are_sound(path: Path) -> None:
    assert load_settings(path).rig.simulated is path.name.startswith("demo")


def test_quantities_come_out_in_the_programs_units() -> None:
    read = settings(pump__flow="8 gpm", limits__ceiling="1.2 bar", pipe__hose_bore="1 in", tote__content="237.8 gal",
                    rig__atmosphere="84 kPa", meter__k_factor="378.5411784 pulse/gal")  # fmt: skip
    # NIST SP 811, appendix B.8: 1 gal/min = 0.0630902 L/s, 1 gal = 3.785412 L.
    assert read.pump.flow == pytest.approx(8 * 0.0630902, rel=1e-6)
    assert read.limits.ceiling == pytest.approx(120)
    assert read.pipe.hose_bore == pytest.approx(0.0254)
    assert read.tote.content == pytest.approx(237.8 * 3.785412, rel=1e-6)
    assert read.meter.k_factor == pytest.approx(100)


def test_what_may_be_left_out() -> None:
    read = settings(points__output_timeout=GONE, points__estop_ok=GONE, points__tote_level=GONE)
    assert read.clock.scale == 1
    assert not read.rig.simulated
    assert not read.rig.unattended
    assert read.meter.proven_on is None


def test_zero_is_allowed_where_it_means_something() -> None:
    read = settings(flush__seconds="0 s", pump__start_lag="0 s", pump__coast="0 s", tote__heel="0 L",
                    pipe__suction_volume="0 L", limits__floor="0 psi", pipe__gauge_height="-0.2 m")  # fmt: skip
    assert (read.flush.seconds, read.limits.floor) == (0, 0)
    assert read.pipe.gauge_height == pytest.approx(-0.2)


def test_two_links_to_one_gateway_and_equal_addresses_in_other_units_and_tables_are_fine() -> None:
    read = settings_of(changed({
        "links.far": {"kind": "tcp", "host": "192.0.2.8"},
        "points.tyre_pressure": {**number("input", 2, "i16", quantity="psi"), "unit": 2},
        "points.fluid_temp": {**number("input", 2, "i16", quantity="degC"), "link": "far"},
        "points.flow_rate": number("holding", 2, "i16", quantity="gpm"),
    }), "shop.toml")  # fmt: skip
    assert len(read.points) == 11


# --- one mistake, one line ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("changes", "line"), [row[1:] for row in ONE_LINE], ids=[row[0] for row in ONE_LINE])
def test_one_mistake_gives_its_line(changes: dict[str, object], line: str) -> None:
    found = mistakes(changes)
    assert any(each.startswith(line) for each in found), found
    told = {each.partition(":")[0] for each in found}
    # Nothing else is said, but for limits that the change puts out of order.
    assert told - {"limits", "limits.trip"} <= {line.partition(":")[0]}, found
    assert len(found) == len(told), found


def test_a_missing_key_without_default_hides_what_is_between_tables_but_nothing_of_its_own() -> None:
    found = mistakes({"pump.flow": "40", "limits.trip": "40 psi", "rig.nmae": 1})
    assert [line.partition(":")[0] for line in found] == ["rig.nmae", "pump.flow"]


def test_35_psi_itself_and_minus_3_are_allowed() -> None:
    assert settings(limits__floor="-3 psi", air_out__method="draw-down").limits.floor == pytest.approx(
        -20.68427, rel=1e-6
    )
    assert settings(limits__trip="35 psi", limits__ceiling="34 psi", pump__relief="35 psi").limits.trip > 241


def test_every_mistake_at_once_even_between_tables() -> None:
    found = mistakes({
        "rig.nmae": 1,
        "pump.slip": -1,
        "limits.trip": "40 psi",
        "points.pump_reverse.address": 0,
        "points.tote_level.scale": 0,
        "points.tote_lvel": number("input", 9, "u16"),
        "points.line_pressure.link": "oi",
        "clock.scale": 5,
        "pump.relief_returns": "tyre",
    })  # fmt: skip
    keys = [line.partition(":")[0] for line in found]
    assert sorted(keys) == [
        "clock.scale", "limits.trip", "points.line_pressure.link", "points.pump_reverse", "points.tote_level",
        "points.tote_lvel", "pump.relief_returns", "pump.slip", "rig.nmae",
    ]  # fmt: skip


def test_a_point_that_is_wrong_is_not_called_missing_as_well() -> None:
    found = mistakes({"points.line_pressure.table": "inputs", "limits.trip": "40 psi"})
    assert [line.partition(":")[0] for line in found] == ["points.line_pressure.table", "limits.trip"]


# --- files ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["[rig", "name = ", "[a]\n[a]", "a = 1\na = 2", "rig = { name = 'x'", 'name = "\\q"', "x = 1..2", "\0"],
)
def test_a_file_that_is_no_toml(tmp_path: Path, text: str) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=re.escape(f"{path}: is not TOML: ")):
        load_settings(path)


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_bytes(b"\xff\xfe\x00rig")
    with pytest.raises(SettingsError, match="is not TOML"):
        load_settings(path)


def test_a_file_that_is_not_there_or_may_not_be_read(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"none\.toml: cannot be read \(No such file or directory\)"):
        load_settings(tmp_path / "none.toml")
    with pytest.raises(SettingsError, match=r"cannot be read \(Is a directory\)"):
        load_settings(tmp_path)
    with unreadable() as path, pytest.raises(SettingsError, match=r"cannot be read \(Permission denied\)"):
        load_settings(path)


def test_an_empty_file_names_every_table_that_is_needed(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text("")
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    needed = {line.split(": ")[1] for line in str(caught.value).splitlines()}
    assert needed == {"rig", "links", "points", "meter", "pipe", "pump", "air_out", "tote"}


# --- anything -------------------------------------------------------------------------------------------------------

ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=8), inner, max_size=2),
    max_leaves=4,
)
KEYS = [f"{table}.{key}" for table, keys in REAL.items() for key in keys] + [
    f"points.{name}.{key}" for name, point in REAL["points"].items() for key in point
]


@given(st.dictionaries(st.sampled_from([*REAL, *KEYS]), ANYTHING, min_size=1, max_size=3))
@hypothesis_settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_stands_there_it_is_read_or_refused_with_keys(changes: dict[str, Any]) -> None:
    document = {**changed({}), **{key: value for key, value in changes.items() if "." not in key}}
    for key, value in changes.items():
        *tables, last = key.split(".")
        table: Any = document
        for name in tables:
            table = table.get(name) if isinstance(table, dict) else None
        if isinstance(table, dict):
            table[last] = value
    try:
        settings_of(document, "shop.toml")
    except SettingsError as error:
        lines = str(error).splitlines()
    else:
        lines = []
    assert all(line.startswith("shop.toml: ") for line in lines)
