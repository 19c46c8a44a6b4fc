"""All topics: the written pages, some of them completed from the program's tables, and the topics made of those tables.

A table's module is imported only when its topics are looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path

from rig.guide.topic import KINDS, Topic, sections, written
from rig.run.shipped import shipped

_EXAMPLES = ("demo", "demo-draw-down", "rs485-relays", "plc-tcp", "scale-line", "prices", "machines/example")
"""Configurations that come with the program."""


def topics() -> Iterator[Topic]:
    """Every topic."""
    for source in _SOURCES.values():
        yield from source()


def find(words: str) -> Topic | None:
    """The topic of this name, whole or without its kind, or of this title; of several the first."""
    asked = words.strip().strip("/").casefold()
    table = asked.partition("/")[0]
    sources = (_SOURCES[table],) if "/" in asked and table in _SOURCES else _SOURCES.values()
    return next((each for source in sources for each in source() if asked in _called(each)), None)


def file_of(topic: Topic) -> Path | None:
    """The file that a topic shows, to copy it; None of any other topic."""
    table, _, name = topic.name.partition("/")
    return shipped(f"{name}.toml") if table == "examples" else None


def contents() -> str:
    """The list of the written pages by kind, as Markdown."""
    kinds = ((heading, [each for each in written() if each.kind == kind]) for kind, heading in KINDS.items())
    return "\n\n".join(f"## {heading}\n\n{_listed(pages)}" for heading, pages in kinds)


def _called(topic: Topic) -> tuple[str, ...]:
    return tuple(each.casefold() for each in (topic.name, topic.last, topic.title, topic.title.partition(":")[0]))


def _listed(found: Iterable[Topic]) -> str:
    titles = ((each.title.replace("[", r"\[").replace("]", r"\]"), each.name) for each in found)
    return "\n".join(f"- [{title}]({name})" for title, name in titles)


def _pages() -> Iterator[Topic]:
    for page in written():
        table = page.last if page.last in _SOURCES else ""
        if table:
            yield Topic(page.name, page.title, partial(_with_list, page, table))
        elif complete := _COMPLETED.get(page.name):
            yield Topic(page.name, page.title, partial(_completed, page, complete))
        else:
            yield page


def _with_list(page: Topic, table: str) -> str:
    """A written page with the list of a table's topics in the place of its sections, which those topics hold."""
    return f"{sections(page.make())[0]}\n\n{_listed(_SOURCES[table]())}"


def _completed(page: Topic, complete: Callable[[str], str]) -> str:
    return complete(page.make())


def _alarms() -> Iterator[Topic]:
    from rig.guide.alarms import alarm_topics

    return alarm_topics()


def _commands() -> Iterator[Topic]:
    from rig.guide.commands import command_topics

    return command_topics()


def _configuration() -> Iterator[Topic]:
    from rig.guide.keys import key_topics

    return key_topics()


def _records() -> Iterator[Topic]:
    from rig.guide.records import record_topics

    return record_topics()


def _examples() -> Iterator[Topic]:
    for name in _EXAMPLES:
        text = shipped(f"{name}.toml").read_text(encoding="utf-8")
        first = text.removeprefix("# ").partition("\n")[0].partition(". ")[0].rstrip(".")
        yield Topic(f"examples/{name}", f"{name}.toml: {first}", f"```toml\n{text}```".__str__)


def _wiring(text: str) -> str:
    _, _, wiring = shipped("WIRING.md").read_text(encoding="utf-8").partition("\n")
    return f"{text}\n\n{wiring.strip()}"


def _prompts(text: str) -> str:
    from rig.guide.asked import with_prompts

    return with_prompts(text)


def _checks(text: str) -> str:
    from rig.guide.asked import with_checks

    return with_checks(text)


def _permissives(text: str) -> str:
    from rig.guide.asked import with_permissives

    return with_permissives(text)


def _points(text: str) -> str:
    from rig.guide.keys import with_points

    return with_points(text)


_SOURCES: Mapping[str, Callable[[], Iterator[Topic]]] = {
    "alarms": _alarms, "pages": _pages, "commands": _commands, "configuration": _configuration, "records": _records,
    "examples": _examples,
}  # fmt: skip
"""Where topics come from, by the first part of their names; in the order in which a bare name is looked up."""
_COMPLETED: Mapping[str, Callable[[str], str]] = {
    "reference/wiring": _wiring, "reference/prompts": _prompts, "reference/ready-check": _checks,
    "reference/not-ready": _permissives, "reference/points": _points,
}  # fmt: skip
"""Written pages that the program's tables or another file complete."""
