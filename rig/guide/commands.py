"""Every command, from the command line's own table and parsers."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from functools import partial

from rig.cli.commands import COMMANDS, parser_of
from rig.guide.topic import Topic


def command_topics() -> Iterator[Topic]:
    """A topic for each command."""
    for texts in COMMANDS.values():
        for name, text in texts.items():
            yield Topic(f"commands/{name}", f"rig {name}: {text[:1].lower()}{text[1:]}", partial(_text, name))


def _text(name: str) -> str:
    parser = parser_of(name)
    usage = " ".join(parser.format_usage().split()).removeprefix("usage: ")
    lines = [_line(parser, each) for each in parser._actions if not isinstance(each, argparse._HelpAction)]
    return "\n\n".join([f"    {usage}", "\n".join(lines), "All of them: [commands](reference/commands)."])


def _line(parser: argparse.ArgumentParser, action: argparse.Action) -> str:
    takes = (
        ""
        if action.nargs == 0
        else action.metavar or (action.dest if not action.option_strings else action.dest.upper())
    )
    names = ", ".join(f"{each} {takes}".strip() for each in action.option_strings) or str(takes)
    said = (action.help or "") % {**vars(action), "prog": parser.prog}
    choices = f"one of {', '.join(map(str, action.choices))}" if action.choices and action.nargs != 0 else ""
    text = "; ".join(filter(None, (said, choices)))
    return f"- `{names}`{f': {text}' if text else ''}"
