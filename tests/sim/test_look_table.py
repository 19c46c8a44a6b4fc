"""The table of looks with air: a small one, whose rooms lie within what is stated, and its false alarms and hits."""

from __future__ import annotations

from sim.look_table import GAUGES, WAYS, look_table, looked


def test_stated_rooms_hold_and_a_fifth_inside_shows() -> None:
    seen = [looked(seed, WAYS[1], 0.5, 0.0) for seed in range(60)]
    assert all(each.rooms for each in seen)
    inside = sum(abs(each.rooms[0].litres - each.true_l) <= each.rooms[0].u_l for each in seen)
    assert inside >= 52


def test_a_line_for_each_way_gauge_and_content() -> None:
    lines: list[str] = []
    look_table(1, 1, 1, lines.append)
    assert len(lines) == 2 + 2 * len(WAYS) * len(GAUGES)
    assert len({line.count("|") for line in lines}) == 1
