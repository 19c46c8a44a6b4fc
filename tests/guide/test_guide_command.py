"""`rig guide` as its reader has it: by name, by words, nearly right, as JSON, at the width of any terminal."""

from __future__ import annotations

import json

import pytest
from rich.cells import cell_len
from rich.console import Console

from rig.cli import main
from rig.cli.guiding import page
from rig.control.safety.guard import Guard
from rig.control.safety.guards import GUARDS
from rig.guide.search import near, search
from rig.guide.topics import contents, find, topics


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: guard.name)
def test_the_bare_name_of_an_alarm_is_its_entry(guard: Guard, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide", guard.name]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    for words in (guard.text, guard.first.replace("`", ""), "Likely causes", "To test it"):
        assert words in shown


def test_without_words_the_pages_are_listed_by_kind(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide"]) == 0
    shown = capsys.readouterr().out
    places = [shown.index(heading) for heading in ("A first day", "How to …", "Reference", "Background")]
    assert places == sorted(places)
    assert "(rig guide alarms)" in " ".join(shown.split())


@pytest.mark.parametrize(
    ("words", "topic"),
    [
        ("how-to/fill-a-wheel", "how-to/fill-a-wheel"),
        ("fill-a-wheel", "how-to/fill-a-wheel"),
        ("alarms", "reference/alarms"),
        ("rig fill", "commands/fill"),
        ("records/fill", "records/fill"),
        ("Pump", "configuration/pump"),
        ("The pump runs and nothing is counted.", "alarms/no_flow"),
        ("wiring", "reference/wiring"),
    ],
)
def test_a_topic_is_found_by_its_name_with_or_without_its_kind(words: str, topic: str) -> None:
    found = find(words)
    assert found is not None
    assert found.name == topic


@pytest.mark.parametrize(
    ("words", "among_the_first"),
    [
        ("dry_run", "configuration/pump"),
        ("prove the meter with a can", "how-to/prove-the-meter"),
        ("nothing is counted", "alarms/no_flow"),
        ("emergency stop wire", "alarms/emergency_stop"),
        ("void a record", "how-to/correct-a-mistake"),
        ("backups", "how-to/back-up-and-restore"),
        ("75 %", "background/level-at-the-valve"),
        ("termination 120 ohm", "reference/wiring"),
        ("--supply-cut", "commands/close"),
        ("net_u_l", "records/fill"),
    ],
)
def test_words_are_found_in_titles_and_texts_and_the_best_comes_first(words: str, among_the_first: str) -> None:
    assert among_the_first in [hit.topic for hit in search(words)[:5]]


@pytest.mark.parametrize("words", ['"', "'", "*", "(", "NEAR(a b", "a OR", "-x", "name : y", "%", "\x00", "{}"])
def test_no_mark_of_a_query_breaks_the_search(words: str) -> None:
    assert isinstance(search(words), list)


def test_a_name_that_is_nearly_right_gets_the_right_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert near("no_flwo")[0] == "no_flow"
    assert main(["guide", "ceilling"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "the guide has nothing about 'ceilling': did you mean" in said.err
    assert main(["guide", "xyzzyq"]) == 2
    assert "`rig guide` alone lists what there is" in capsys.readouterr().err


def test_json_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)["topics"]
    assert ("reference/alarms", "reference") in [(each["topic"], each["kind"]) for each in listed]
    assert main(["guide", "no_flow", "--json"]) == 0
    topic = json.loads(capsys.readouterr().out)
    assert topic["topic"] == "alarms/no_flow"
    assert topic["title"] == "The pump runs and nothing is counted."
    assert "**First:**" in topic["text"]
    assert main(["guide", "known", "can", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {"topic", "title", "excerpt"} == found["found"][0].keys()
    assert main(["guide", "xyzzyq", "--json"]) == 2
    assert json.loads(capsys.readouterr().out) == {"words": "xyzzyq", "found": [], "near": []}


def drawn(title: str, text: str, columns: int) -> list[str]:
    """The rows of a terminal of that width."""
    console = Console(width=columns, highlight=False, no_color=True)
    with console.capture() as captured:
        console.print(*page(title, text), sep="\n", width=columns)
    return captured.get().splitlines()


@pytest.mark.parametrize("columns", [40, *(pytest.param(wide, marks=pytest.mark.full) for wide in (80, 120))])
def test_nothing_runs_out_of_a_terminal_and_nothing_is_cut_off(columns: int) -> None:
    """An ellipsis of the terminal's own would stand for words that are lost."""
    for name, title, text in [("", "Guide", contents()), *((each.name, each.title, each.make()) for each in topics())]:
        rows = drawn(title, text, columns)
        assert max(map(cell_len, rows)) <= columns, name
        assert sum(row.count("…") for row in rows) == (title + text).count("…"), name


def test_what_was_found_fits_too(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    assert main(["guide", "pressure", "gauge"]) == 0
    assert max(map(cell_len, capsys.readouterr().out.splitlines())) <= 40
