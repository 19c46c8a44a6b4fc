"""The page of `rig commission --page`: its server, and the person at it as the session and a delivery see them."""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from rig.books.wording import progress_of
from rig.choice import Choice
from rig.cli.face import alarm_words
from rig.cli.terminal import Terminal, Typed
from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.run.person import Person
from rig.run.settings import Settings
from rig.run.shop_panel import PanelTable, loopback

if TYPE_CHECKING:
    from rig.panel.commissioning import Transcript

_LAST_S = 3.0
"""How long the page is served after the end, so that it shows how it ended."""


@dataclass(slots=True)
class PageFace:
    """The person at the page. The console shows what is said, too."""

    transcript: Transcript
    typed: Typed
    by: str

    def say(self, text: str) -> None:
        """Show a text."""
        print(text, file=sys.stderr, flush=True)
        self.transcript.say(text)

    async def ask(self, text: str, choices: Sequence[Choice] = (), *, typed: bool = True) -> str | None:
        """Put a question and wait for its answer; None after a STOP."""
        self.transcript.show("", loud=False)
        self.transcript.ask(text, choices, typed=typed)
        return await self.typed.next()

    def person(self, settings: Settings) -> Person:
        """The same person, for a delivery into the can."""
        terminal = Terminal(self.by, settings, _Present(self.transcript, self.typed))
        terminal.face = _Delivery(self.transcript)
        return terminal

    def watch(self, setup: Setup, decision: Decision) -> None:
        """Show a scan of a delivery."""
        alarm = alarm_words(setup, decision)
        now = progress_of(setup, decision)
        figures = f"{now.moved_l:.1f} of {now.target_l:.1f} L\n{now.step}, flow {now.flow}, left {now.left}"
        self.transcript.show("\n".join(filter(None, (alarm, figures, now.old))), loud=bool(alarm))


class _Present(Typed):
    """The page's answers while the pump may run: a page that does not look any more is a lost terminal."""

    def __init__(self, transcript: Transcript, typed: Typed) -> None:
        super().__init__()
        self._transcript = transcript
        self._typed = typed

    def take(self) -> str | None:
        return None if self._transcript.away() else self._typed.take()


@dataclass(slots=True)
class _Delivery:
    """Puts the questions of a delivery on the page, each once until there is another."""

    transcript: Transcript
    last: tuple[Setup, Decision] | None = None
    _asked: tuple[str, Sequence[Choice]] = ("", ())

    def __call__(self, setup: Setup, decision: Decision) -> None:
        self.last = setup, decision

    def asks(self, question: str, choices: Sequence[Choice] = ()) -> None:
        if (question, choices) == self._asked:
            return
        self._asked = question, choices
        if question or choices:
            self.transcript.ask(question, choices, typed=False)
        else:
            self.transcript.unask()

    def alert(self, text: str) -> None:
        self.transcript.say(text)

    def shown(self) -> contextlib.AbstractContextManager[None]:
        return contextlib.nullcontext()


@contextlib.contextmanager
def page_face(options: argparse.Namespace, by: str) -> Iterator[PageFace]:
    """Serve the page while the body runs, and a little longer; its address and code are printed on standard error.

    Over https with the rig's own certificate wherever others can reach it.
    """
    from rig.panel.catalogue import languages_of
    from rig.panel.commissioning import CommissionPage, Transcript
    from rig.panel.listening import listening
    from rig.panel.own_certificate import fingerprint, own_address, own_certificate, own_names
    from rig.panel.phone import address_of, code_of
    from rig.panel.server import served
    from rig.panel.sessions import new_code

    typed, code, https = Typed(), new_code(), not loopback(options.host)
    transcript = Transcript(typed.put)
    panel = PanelTable()
    if https:
        made = own_certificate(options.config.parent, own_names(), datetime.now(UTC))
        panel = PanelTable(certificate=str(made), key=str(made))
        print(f"certificate SHA-256 {fingerprint(made)}", file=sys.stderr)

    def stop(_by: str) -> None:
        # A question that waits hears that nobody answers any more; what runs hears the stop signal.
        typed.put(None)
        os.kill(os.getpid(), signal.SIGTERM)

    page = CommissionPage(transcript, languages_of(panel), code, stop)
    with contextlib.closing(listening(options.host, options.port)) as bound:
        host, port = bound.getsockname()[:2]
        with served(page.app(own_names() if https else (), https=https), panel, bound):
            url = address_of(host, port, own=own_address(), https=https)
            print(f"Commissioning: {url}  code {code}", file=sys.stderr, flush=True)
            if sys.stderr.isatty():
                print(code_of(host, f"{url}#{code}"), file=sys.stderr, flush=True)
            try:
                yield PageFace(transcript, typed, by)
            finally:
                if not transcript.away():
                    time.sleep(_LAST_S)
