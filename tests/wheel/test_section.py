"""Volume and level integrals, against Pappus's theorem, circle segments and a sum over many thin rings."""

import math

import pytest

from rig.wheel.section import Section


def _thin_rings(section: Section, level_m: float, count: int = 20000) -> float:
    """Volume below a level by brute force: many thin rings, each cut by its own chord."""
    low, high = section.rim_radius_m - section.well_depth_m, section.crown_radius_m
    step = (high - low) / count
    total = 0.0
    for k in range(count):
        r = low + (k + 0.5) * step
        share = 1 - math.acos(max(-1.0, min(1.0, level_m / r))) / math.pi
        total += 2 * math.pi * r * section.width_at(r) * share * step
    return total


TYRE = Section(0.3556, 0.30, 0.40, 0.35, 0.135, 2.1, 0.02, 0.19)
FLAT = Section(0.19, 0.15, 0.27, 0.20, 0.07, 3.3, 0.01, 0.1)


def test_elliptic_section_follows_pappus() -> None:
    # Pappus's second theorem: volume = area of the section times the path of its centroid.
    ellipse = Section(0.3, 0.2, 0.24, 0.0, 0.1, 2.0, 0.0, 0.0)
    exact = math.pi / 4 * 0.2 * 0.24 * 2 * math.pi * 0.4
    assert ellipse.volume_m3() == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize("level", [0.0, 0.1, 0.3, 0.35, 0.45])
def test_square_section_follows_circle_segments(level: float) -> None:
    # A ring of square section: the area between two circles below a line, from the segment formula.
    square = Section(0.3, 0.2, 0.2, 0.2, 0.1, 400.0, 0.0, 0.0)

    def above(radius: float) -> float:
        if level >= radius:
            return 0.0
        return radius**2 * math.acos(level / radius) - level * math.sqrt(radius**2 - level**2)

    assert square.volume_above_m3(level) == pytest.approx(0.2 * (above(0.5) - above(0.3)), rel=4e-3, abs=1e-5)


@pytest.mark.parametrize("section", [TYRE, FLAT])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.53, 0.7, 0.9, 0.99])
def test_level_integral_matches_thin_rings(section: Section, share: float) -> None:
    level = share * section.crown_radius_m
    whole = section.volume_m3()
    assert 1 - section.volume_above_m3(level) / whole == pytest.approx(_thin_rings(section, level) / whole, abs=2e-4)


def test_surface_is_the_rate_of_the_volume() -> None:
    for level in (0.05, 0.2, 0.40, 0.55):
        step = 1e-5
        rate = (TYRE.volume_above_m3(level - step) - TYRE.volume_above_m3(level + step)) / (2 * step)
        assert TYRE.surface_m2(level) == pytest.approx(rate, rel=1e-3)
