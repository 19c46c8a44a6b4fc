"""The guide cannot go stale: every table has its text and no other, every link a topic, every command its options."""

from __future__ import annotations

import ast
import re
import shlex
from argparse import ArgumentParser
from collections.abc import Iterator
from pathlib import Path

import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token

import rig.control
from rig.cli.commands import COMMANDS, parser_of
from rig.control.safety.guards import GUARDS
from rig.control.safety.permissives import PERMISSIVES
from rig.control.words.prompts import PROMPTS
from rig.field.points import Strict
from rig.guide.alarms import simulated
from rig.guide.asked import ready_checks
from rig.guide.keys import WIRED, described
from rig.guide.topic import Topic, of_page, written
from rig.guide.topics import contents, find, topics
from rig.record.kinds import KINDS
from rig.run.mistakes import tables_in
from rig.run.settings import Settings
from sim.faults import read_fault

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
ALL = {topic.name: topic for topic in topics()}


def tokens(text: str) -> Iterator[Token]:
    """Every token of a Markdown text, those within a line included."""
    for token in MarkdownIt().enable("table").parse(text):
        yield token
        yield from token.children or ()


def names_in_calls(module: str, function: str) -> set[str]:
    """The first arguments, as written, of every call of a function in a file or folder of the controller."""
    where = Path(rig.control.__path__[0]) / module
    trees = (ast.parse(path.read_text(encoding="utf-8")) for path in ([where] if module else where.rglob("*.py")))
    calls = (node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Call) and node.args)
    named = (call.args[0] for call in calls if ast.unparse(call.func).rpartition(".")[2] == function)
    return {each.value for each in named if isinstance(each, ast.Constant)}


def test_every_alarm_has_causes_and_a_test_and_no_text_is_of_another() -> None:
    texts = of_page("reference/alarms")
    assert set(texts) == {guard.name for guard in GUARDS}
    for name, text in texts.items():
        causes, found, test = text.partition("\nTest: ")
        assert causes.startswith("1. "), name
        assert found, name
        assert len(test) > 10, name


def test_what_is_said_to_show_an_alarm_can_be_asked_of_the_simulator() -> None:
    shown = [each for each in map(simulated, of_page("reference/alarms")) if each is not None]
    assert len(shown) > 15
    for each in shown:
        read_fault(each.fault)
        assert f"examples/{each.config}" in ALL


@pytest.mark.parametrize(
    ("page", "table"),
    [
        ("reference/prompts", {name.replace("_", " ") for name in PROMPTS}),
        ("reference/ready-check", set(ready_checks())),
        ("reference/not-ready", {name for name, _ in PERMISSIVES}),
        ("reference/points", WIRED),
    ],
)
def test_every_row_of_a_table_has_its_text_and_no_text_is_of_another(page: str, table: set[str]) -> None:
    assert {name.replace("_", " ") for name in of_page(page)} == {name.replace("_", " ") for name in table}


def test_the_tables_hold_all_that_the_controller_asks() -> None:
    assert names_in_calls("", "ask") == set(PROMPTS)
    assert names_in_calls("words/checks.py", "_check") == set(ready_checks())


def models(of: type[Strict]) -> Iterator[type[Strict]]:
    for field in of.model_fields.values():
        for inner in tables_in(field.annotation):
            yield inner
            yield from models(inner)


def test_every_key_of_the_configuration_is_told_and_says_what_it_is() -> None:
    told = "\n".join(topic.make() for name, topic in ALL.items() if name.startswith("configuration/"))
    for model in models(Settings):
        said = described(model)
        for key in model.model_fields:
            assert len(said[key].text) > 5, f"{model.__name__}.{key}"
            assert f".{key}`: " in told, f"{model.__name__}.{key}"
    assert '`limits.ceiling`: a pressure such as "18 psi"; otherwise 20.0 psi (138 kPa). ' in told
    assert '`rig.atmosphere`: a pressure such as "18 psi", at least 7.3 psi (50 kPa)' in told


def test_every_command_is_told_with_its_options() -> None:
    for texts in COMMANDS.values():
        for name in texts:
            text = ALL[f"commands/{name}"].make()
            options = [word for action in parser_of(name)._actions for word in action.option_strings]
            assert all(f"`{word}" in text or f", {word}" in text for word in options if word not in ("-h", "--help"))


def test_every_kind_of_record_is_told_with_its_fields() -> None:
    assert {f"records/{kind.replace(' ', '-')}" for kind in KINDS} < set(ALL)
    text = ALL["records/fill"].make()
    assert "- `net_l`: number. Into the wheel or vessel; below zero for what came out." in text
    assert "- `outcome`: one of “complete”, “stopped”, “aborted”." in text
    # What a list of a record holds is told below it.
    assert "## BillLine" in ALL["records/bill"].make()


def links(text: str) -> set[str]:
    return {str(token.attrs["href"]) for token in tokens(text) if token.type == "link_open"}


@pytest.mark.parametrize("topic", ALL.values(), ids=lambda topic: topic.name)
def test_a_topic_has_a_title_and_its_links_lead_to_topics(topic: Topic) -> None:
    text = topic.make()
    assert topic.title
    assert text.strip()
    assert links(text) <= set(ALL)
    assert find(topic.name) is not None


def test_every_written_page_is_listed_and_every_topic_can_be_reached_from_there() -> None:
    assert links(contents()) == {page.name for page in written()}
    seen: set[str] = set()
    ahead = [*links(contents())]
    while ahead:
        name = ahead.pop()
        if name not in seen:
            seen.add(name)
            ahead += links(ALL[name].make())
    assert set(ALL) == seen


# --- commands that the texts give ------------------------------------------------------------------------------------


def lines_of_commands(text: str) -> Iterator[str]:
    """The commands that stand in blocks of their own."""
    for token in tokens(text):
        if token.type in ("code_block", "fence"):
            found = (re.sub(r"^(\.venv/bin/|sudo (-u \S+ )?)", "", line) for line in token.content.splitlines())
            # Two spaces set off what is said of a command.
            yield from (line.partition("  ")[0] for line in found if line.startswith("rig "))


def in_sentences(text: str) -> Iterator[str]:
    """The commands that stand in a sentence, options of which may be missing."""
    found = (token.content for token in tokens(text) if token.type == "code_inline")
    yield from (each for each in found if re.match(r"rig \w", each))


def written_texts() -> list[tuple[str, str]]:
    return [("README", README), *((page.name, ALL[page.name].make()) for page in written())]


@pytest.mark.parametrize(("name", "text"), written_texts(), ids=lambda each: each if "\n" not in each else "")
def test_the_commands_that_a_page_gives_can_be_typed(name: str, text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: ArgumentParser, message: str) -> None:
        raise AssertionError(f"{name}: {message}")

    monkeypatch.setattr(ArgumentParser, "error", refuse)
    for line in lines_of_commands(text):
        _, command, *words = shlex.split(line)
        parser_of(command).parse_args(words)
    for sentence in in_sentences(text):
        _, command, *words = shlex.split(sentence)
        known = parser_of(command)._option_string_actions
        assert all(word in known for word in words if word.startswith("--")), f"{name}: {sentence}"


def test_the_readme_is_one_page_that_leads_to_the_guide() -> None:
    assert len(README.splitlines()) < 120
    named = [words for words in re.findall(r"rig guide ([\w-]+)", README) if words != "prove"]
    assert len(named) > 3
    assert all(find(words) is not None for words in named)
    # What CI takes out of it, word for word (.ci/run).
    assert [line for line in README.splitlines() if "pip install -e '.[test]'" in line] == [
        "    python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/python -m pytest"
    ]


def test_links_of_the_readme_lead_to_files() -> None:
    for where in links(README):
        assert where.startswith("#") or (ROOT / where).exists(), where
