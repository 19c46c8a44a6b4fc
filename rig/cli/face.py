"""What a terminal shows while the pump may run: a region that is redrawn in place, or plain lines in a file or pipe.

On standard error, so that standard output contains only the result. The region fits any width from 40 columns on: the
state, one large figure, the alarm with its first action, the waiting question. On a low screen the figures give way.
"""

from __future__ import annotations

import contextlib
import sys
import termios
import time
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Protocol

from rig.books.wording import Progress, cannot_text, more_of, progress_line, progress_of, step_words, stopped_text
from rig.choice import Choice, typed_text
from rig.control.belief.suspects import likely
from rig.control.moves.decide import Decision
from rig.control.safety.unconfirmed import in_doubt, is_reported
from rig.control.words.values import Setup
from rig.units import gallons

if TYPE_CHECKING:
    from rich.console import Console, Group, RenderableType

_LINE_EVERY_S = 3.0
_REDRAW_EVERY_S = 0.2
_CRY_EVERY_S = 2.0
"""Interval at which outputs that cannot be switched off are reported again, with the terminal's bell."""
_SEGMENTS = (
    " _     _  _     _  _  _  _  _ ",
    "| |  | _| _||_||_ |_   ||_||_|",
    "|_|  ||_  _|  | _||_|  ||_| _|",
)
"""The ten digits as seven segments, three columns each."""


class Face(Protocol):
    """Shows decisions, the waiting question and alerts."""

    last: tuple[Setup, Decision] | None

    def __call__(self, setup: Setup, decision: Decision) -> None:
        """Show one scan, as often as a reader needs it."""
        ...

    def asks(self, question: str, choices: Sequence[Choice] = ()) -> None:
        """Show the waiting question and its answers until there is another; empty: none waits."""
        ...

    def alert(self, text: str) -> None:
        """Show a text at once, with the terminal's bell."""
        ...

    def shown(self) -> contextlib.AbstractContextManager[None]:
        """Show while the context lasts."""
        ...


class _Cry:
    """When outputs that cannot be switched off are reported again."""

    def __init__(self) -> None:
        self._at_s = 0.0

    def due(self, decision: Decision) -> bool:
        """Whether to report them now: at once, then at intervals."""
        now_s = time.monotonic()
        if not (is_reported(decision.state) and in_doubt(decision.state)) or now_s - self._at_s < _CRY_EVERY_S:
            return False
        self._at_s = now_s
        return True


class Lines:
    """Plain lines: progress every few seconds and at each step, stops and questions at once."""

    def __init__(self) -> None:
        self.last: tuple[Setup, Decision] | None = None
        self._asked = self._step = ""
        self._alarm: str | None = None
        self._at_s, self._cry = 0.0, _Cry()

    def __call__(self, setup: Setup, decision: Decision) -> None:
        """Print periodically, when the step changes, and on a stop."""
        self.last = setup, decision
        first_out, now_s, step = decision.state.alarms.first_out, time.monotonic(), step_words(decision)
        if first_out != self._alarm:
            self._alarm = first_out
            if first_out is not None:
                _say(_stopped(setup, decision, first_out))
        if self._cry.due(decision):
            self.alert(cannot_text(decision))
        if now_s - self._at_s >= _LINE_EVERY_S or step != self._step:
            self._at_s, self._step = now_s, step
            _say(progress_line(progress_of(setup, decision)))

    def asks(self, question: str, choices: Sequence[Choice] = ()) -> None:
        """Print a new question."""
        question = typed_text(question, choices).strip()
        if question and question != self._asked:
            _say(f"\n{question}")
        self._asked = question

    def alert(self, text: str) -> None:
        """Print a text at once."""
        _say(f"\a{text}")

    def shown(self) -> contextlib.AbstractContextManager[None]:
        """Nothing to be set up."""
        return contextlib.nullcontext()


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


class Region:
    """A region at the end of a terminal's text, redrawn in place."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.live import Live

        self.last: tuple[Setup, Decision] | None = None
        self._console = Console(stderr=True)
        self._live = Live(console=self._console, auto_refresh=False, transient=True, vertical_overflow="crop")
        self._question = ""
        self._at_s, self._cry = 0.0, _Cry()

    def __call__(self, setup: Setup, decision: Decision) -> None:
        """Redraw a few times a second."""
        self.last = setup, decision
        if self._cry.due(decision):
            self._console.bell()
        if time.monotonic() - self._at_s >= _REDRAW_EVERY_S:
            self._draw()

    def asks(self, question: str, choices: Sequence[Choice] = ()) -> None:
        """Replace the waiting question."""
        question = typed_text(question, choices).strip()
        if question != self._question:
            self._question = question
            self._draw()

    def alert(self, text: str) -> None:
        """Print a text above the region, or where there is none any more, with the bell."""
        from rich.text import Text

        self._console.bell()
        self._console.print(Text(text, style="bold red"))

    @contextlib.contextmanager
    def shown(self) -> Iterator[None]:
        """Show the region; typed characters do not disturb it. The last state stays behind as a line."""
        with self._live, _without_echo():
            yield
        if self.last is not None:
            _say(progress_line(progress_of(*self.last)))

    def _draw(self) -> None:
        if self._live.is_started and self.last is not None:
            self._at_s = time.monotonic()
            setup, decision = self.last
            progress, alarm, rows = progress_of(setup, decision), alarm_words(setup, decision), self._console.height - 1
            self._live.update(region(self._console, progress, alarm, self._question, rows), refresh=True)


def alarm_words(setup: Setup, decision: Decision) -> str:
    """Why the fill does not go on, what to do first, and where more is explained; empty while it does."""
    first_out = decision.state.alarms.first_out
    stopped = "" if first_out is None else _stopped(setup, decision, first_out)
    return "\n".join(filter(None, (cannot_text(decision), stopped)))


def _stopped(setup: Setup, decision: Decision, first_out: str) -> str:
    probable = likely(decision.state.alarms.evidence)
    return "\n  ".join(filter(None, (stopped_text(setup, decision, first_out), probable, more_of(first_out))))


def region(console: Console, progress: Progress, alarm: str, question: str, most_rows: int) -> Group:
    """The region's rows; where the screen is lower than all of it, the figures give way."""
    from rich.console import Group
    from rich.text import Text

    state = Text(f" {progress.step.upper()} ", style="reverse bold")
    kept: list[RenderableType] = [Text(text, style=style) for text, style in ((alarm, "bold red"), (question, "bold"))
                                  if text]  # fmt: skip
    rows = sum(len(console.render_lines(each)) for each in kept) + 1
    return Group(state, *_figures(progress, most_rows - rows), *kept)


def _figures(progress: Progress, rows: int) -> list[RenderableType]:
    """As many of the figures as have room, the most important first."""
    from rich.padding import Padding
    from rich.progress_bar import ProgressBar
    from rich.text import Text

    moved_l, target_l = max(progress.moved_l, 0.0), progress.target_l
    share = Text(f"of {target_l:.1f} L   {gallons(moved_l):.1f} of {gallons(target_l):.1f} gal {progress.where}")
    large: list[RenderableType] = [Text(row, no_wrap=True) for row in _large(f"{moved_l:.1f}")]
    small: list[RenderableType] = [Text(f"{moved_l:.1f} L", style="bold")]
    parts: list[list[RenderableType]] = [
        large if rows >= 9 else small,
        [Text(f"tyre {progress.tyre}", no_wrap=True)],
        [Text(progress.old, style="bold")] if progress.old else [],
        [Padding(ProgressBar(total=target_l or 1.0, completed=min(moved_l, target_l)), 0)],
        [share],
        [Text(f"flow {progress.flow}   left {progress.left}", no_wrap=True)],
    ]
    found: list[RenderableType] = []
    for part in parts:
        if len(found) + len(part) <= rows:
            found += part
    return found


def _large(figure: str) -> Iterator[str]:
    """Rows of a number in large digits."""
    for row, segments in enumerate(_SEGMENTS):
        yield " ".join(
            segments[3 * int(each) : 3 * int(each) + 3] if each.isdigit() else each if row == 2 else " "
            for each in figure
        )


@contextlib.contextmanager
def _without_echo() -> Iterator[None]:
    """Do not show what is typed, which would move the region; lines are still read whole."""
    try:
        before = termios.tcgetattr(sys.stdin)
    except (termios.error, ValueError, OSError):
        yield
        return
    silent = [*before[:3], before[3] & ~termios.ECHO, *before[4:]]
    termios.tcsetattr(sys.stdin, termios.TCSANOW, silent)
    try:
        yield
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSANOW, before)


def face() -> Face:
    """The face for standard error: a region on a terminal, else plain lines."""
    return Region() if sys.stderr.isatty() and sys.stdin.isatty() else Lines()
