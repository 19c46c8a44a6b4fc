"""Size marks: families, awkward spellings, messages."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.wheel import NoRoomError, SizeError, cavity_of, read_size
from rig.wheel.known import KNOWN_SIZES

FAMILIES = {
    "16.9-28": ("drive", "bias drive"),
    "16.9R28": ("drive", "radial drive"),
    "30.5L-32": ("drive", "bias drive"),
    "18.4-16.1": ("drive", "bias drive"),
    "480/80R42": ("metric", "radial drive"),
    "12.5/80-18": ("metric", "bias drive"),
    "370R20": ("metric", "radial drive"),
    "8-16": ("compact", "bias drive"),
    "6.00-16": ("front", "front"),
    "9.50-24": ("front", "front"),
    "9.5-24": ("drive", "bias drive"),
    "11L-15": ("implement", "implement"),
    "10.0/75-15.3": ("implement", "implement"),
    "11R22.5": ("implement", "implement"),
    "10-16.5": ("skid", "skid"),
    "33x15.50-16.5": ("skid", "skid"),
    "26x12.00-12": ("turf", "turf"),
    "205/50-10": ("turf", "turf"),
    "10.0/80-12": ("implement", "implement"),
    "600/50-22.5": ("flotation", "flotation"),
    "66x43.00-25": ("flotation", "flotation"),
    "17.5-25": ("earthmover", "earthmover"),
    "23.5R25": ("earthmover", "earthmover"),
    "14.00-24": ("earthmover", "earthmover"),
    "35/65R33": ("earthmover", "earthmover"),
    "7.00-12": ("forklift", "forklift"),
    "18x7-8": ("forklift", "forklift"),
    "200/50-10": ("forklift", "forklift"),
}

# Spelling that people use -> what is on the tyre.
AWKWARD = {
    " 16.9 - 28 ": "16.9-28",
    "16,9x28 tire": "16.9-28",
    "16.9–28": "16.9-28",
    "16.9 28": "16.9-28",
    "16.9/14-28": "16.9-28",
    "14-28": "16.9-28",
    "16.9 R 28 139A8": "16.9R28",
    "480 80 r42": "480/80R42",
    "IF 480/80R42 151A8": "480/80R42",
    "vf480/80R42 NRO": "480/80R42",
    "20.8R42 (520/85R42)": "20.8R42",
    "LSW1250/35R46": "1250/35R46",
    "26 x 12 - 12": "26x12.00-12",
    "26×12.00–12 NHS 4PR": "26x12.00-12",
    "26/12-12": "26x12.00-12",
    "23x8.5-12 rear tyre": "23x8.50-12",
    "15x4 1/2-8": "15x4.5-8",
    "11L-15SL": "11L-15",
    "11l15": "11L-15",
    "17.5LR24": "17.5LR24",
    "600-16": "6.00-16",
    "7.50x16 F-2": "7.50-16",
    "10X16.5 NHS": "10-16.5",
    "Size 23.5 R25**": "23.5R25",
    "12.4 D 24": "12.4-24",
    "R-1 18.4-38 8PR": "18.4-38",
    "9.5-36 8 PR": "9.5-36",
    "LT215/75R15": "215/75R15",
    "1400-24": "14.00-24",
    "12.5 / 80 - 18 IMP": "12.5/80-18",
    "R4 16.9-24": "16.9-24",
    "19.5L-24 R-4": "19.5L-24",
    "12-16.5 R4": "12-16.5",
    "340/80R18 IND": "340/80R18",
    "27x12LL-15": "27x12.00-15",
}

UNREADABLE = (
    "",
    "banana",
    "16.9",
    "16.9-",
    "-28",
    "0-0",
    "480/80",
    "480/80R",
    "169-28",
    "28-16.9",
    "9/9/9",
    "16.9-28/30",
    "16.9-2800",
    "1e9-28",
    "nan-28",
    "99999/80R42",
    "480/800R42",
    "26x28-12",
    "12x12-12",
    "48/80R42",
    "30/65-24",
    "16.9\x0028",
    "16.9-28" * 40,
)


@pytest.mark.parametrize(("text", "family"), [(text, pair[0]) for text, pair in FAMILIES.items()])
def test_families(text: str, family: str) -> None:
    found = read_size(text)
    assert found.family == family
    assert found.tyre_class == FAMILIES[text][1]
    assert found.text == text


@pytest.mark.parametrize(("text", "canonical"), AWKWARD.items())
def test_awkward_spelling(text: str, canonical: str) -> None:
    assert read_size(text).text == canonical


def test_an_old_code_says_how_it_was_read() -> None:
    assert "14-28" in read_size("14-28").remark
    assert any("14-28" in note for note in cavity_of(read_size("14-28")).notes)


@pytest.mark.parametrize("text", UNREADABLE)
def test_unreadable_sizes_get_the_forms(text: str) -> None:
    with pytest.raises(SizeError, match=r"480/80R42.*11L-15") as caught:
        read_size(text)
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize(
    ("text", "near"), [("169-28", "16.9-28"), ("28-16.9", "16.9-28"), ("480/80", "480/80R42"), ("26x12", "26x12.00-12")]
)
def test_unreadable_sizes_get_the_nearest_known(text: str, near: str) -> None:
    with pytest.raises(SizeError, match=rf"nearest known sizes:.*{near}"):
        read_size(text)


def test_every_known_size_reads_as_itself_and_has_a_cavity() -> None:
    for size in KNOWN_SIZES:
        found = read_size(size)
        assert found.text == size
        cavity = cavity_of(found)
        assert 0 < cavity.low_l < cavity.volume_l < cavity.high_l
        assert 0.62 < cavity.fraction_at_clock(12) < 0.90


@given(st.text(max_size=30))
def test_any_text_reads_or_is_refused(text: str) -> None:
    try:
        found = read_size(text)
    except SizeError as error:
        advice = str(error)
    else:
        advice = read_size(found.text).text
        assert advice == found.text
    assert advice


@given(st.sampled_from(KNOWN_SIZES), st.sampled_from(["lower", "spaces", "comma", "tail"]))
def test_spelling_does_not_change_the_size(size: str, how: str) -> None:
    told = {
        "lower": size.lower(),
        "spaces": size.replace("-", " - ").replace("R", " R "),
        "comma": size.replace(".", ","),
        "tail": f"{size} 8PR TL",
    }[how]
    assert read_size(told).text == size


widths = st.floats(2, 60).map(lambda w: f"{w:.1f}")
rims = st.sampled_from([4, 6, 8, 10, 12, 14, 15, 15.3, 16, 16.1, 16.5, 20, 22.5, 24, 25, 28, 33, 38, 46, 51, 63])
marks = st.one_of(
    st.builds(lambda w, r: f"{w}-{r:g}", widths, rims),
    st.builds(lambda w, r: f"{w}L-{r:g}", widths, rims),
    st.builds(lambda w, r: f"{w}0-{r:g}", widths, rims),
    st.builds(lambda w, a, r: f"{w}/{a}R{r:g}", st.integers(100, 1400), st.integers(25, 100), rims),
    st.builds(lambda d, w, r: f"{d}x{w}-{r:g}", st.integers(8, 80), widths, rims),
)


@given(marks)
def test_whatever_reads_has_a_sound_cavity(mark: str) -> None:
    try:
        cavity = cavity_of(read_size(mark))
    except SizeError:
        return
    assert 0 < cavity.low_l < cavity.volume_l < cavity.high_l < 3 * cavity.volume_l
    assert 0.5 < cavity.fraction_at_clock(12) < 1
    level = cavity.level_of_fraction(0.4)
    assert cavity.fraction_at_level(level) == pytest.approx(0.4, abs=1e-4)


# What is marked on tyres, from makers' lists, from memory.
MARKED = {
    "IF 480/80R42 151A8": "IF 480/80R42",
    "vf380/90R46 CFO": "VF 380/90R46 CFO",
    "LSW1250/35R46": "LSW 1250/35R46",
    "26x12.00-12 NHS 4PR": "26x12.00-12 NHS",
    "14-17.5NHS": "14-17.5 NHS",
    "16.9-28": "16.9-28",
}


@pytest.mark.parametrize(("text", "shown"), MARKED.items())
def test_marks_of_strength_and_service_are_kept(text: str, shown: str) -> None:
    assert read_size(text).shown == shown


# Press-on bands by outside x width x hub: common sizes of forklift trucks, from memory.
@pytest.mark.parametrize(
    "text",
    ["18x7x12 1/8", "18x7x12-1/8", "16 1/4x6x11 1/4", "21x7x15", "22x9x16", "16x5x10 1/2", "10x5x6.5",
     "18x7-8 solid", "28x9-15 super-elastic", "10-16.5 foam filled", "12-16.5 flat-proofed", "press-on 21x8x15"],
)  # fmt: skip
def test_a_tyre_without_an_air_space_takes_no_liquid(text: str) -> None:
    with pytest.raises(NoRoomError, match="no liquid goes in"):
        read_size(text)


@pytest.mark.parametrize("text", ["22x9-15", "23x10.50-12", "33x15.50-16.5", "20x10-10", "35/65R33", "15x4 1/2-8"])
def test_a_low_air_tyre_is_no_press_on_tyre(text: str) -> None:
    assert cavity_of(read_size(text)).volume_l > 0
