"""The page of a commissioning: what is said, the question that waits with its answers as buttons, and STOP.

For the holder of the code that was printed where the commissioning was begun; there are no people yet. It decides
nothing: an answer goes to the dialogue as a typed line does. It must not know the field.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

from pydantic import Field, ValidationError
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from rig.choice import Choice
from rig.field.points import Strict
from rig.panel.catalogue import ENGLISH, STATIC, Language
from rig.panel.door import address_of, count_try
from rig.panel.faces import Faces
from rig.panel.guard import Guarded
from rig.panel.guiding import guide_routes
from rig.panel.people import Someone
from rig.panel.refusals import OLD_PAGE, misread, refused
from rig.panel.sessions import GONE_S, Session, Sessions, same
from rig.panel.shell import stop_part
from rig.panel.worded import WordedResponse

_COOKIE = "rig_commissioning"
_MOST_LINES = 2000


class CodeForm(Strict):
    """The code as typed."""

    code: str = Field(max_length=20)


class AnswerForm(Strict):
    """An answer to the question with that number."""

    number: int
    text: str = Field(max_length=400)


@dataclass(slots=True)
class Transcript:
    """What the page shows. The commissioning writes it, the server's thread reads it."""

    answered: Callable[[str], None]
    """Takes an answer to the waiting question."""
    lines: list[str] = field(default_factory=list)
    question: str | None = None
    choices: tuple[Choice, ...] = ()
    typed: bool = False
    number: int = 0
    """Of the latest question: an answer to an earlier one comes too late."""
    live: str = ""
    """What the rig does now, while it delivers."""
    loud: bool = False
    """Whether that is an alarm."""
    ended: str | None = None
    off: bool = False
    """Ended with every output switched off, and the device took it."""
    seen_s: float = -1e9
    """Monotonic time of the last look by the holder of the code."""
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def say(self, text: str) -> None:
        """Show a text."""
        with self._lock:
            self.lines.append(text)

    def ask(self, text: str, choices: Sequence[Choice] = (), *, typed: bool = True) -> None:
        """Show a question until it is answered; the same one once more keeps its number."""
        with self._lock:
            if (self.question, self.choices, self.typed) != (text, tuple(choices), typed):
                self.number += 1
            self.question, self.choices, self.typed = text, tuple(choices), typed

    def unask(self) -> None:
        """No question waits any more."""
        with self._lock:
            self.question, self.choices = None, ()

    def answer(self, number: int, text: str) -> bool:
        """Take an answer; returns False where its question does not wait any more."""
        with self._lock:
            if self.question is None or number != self.number:
                return False
            # The next one is put by whoever hears this answer.
            self.lines += [self.question, f"> {text or 'Enter'}"]
            self.question, self.choices = None, ()
        self.answered(text)
        return True

    def show(self, live: str, *, loud: bool) -> None:
        """Show what the rig does."""
        with self._lock:
            self.live, self.loud = live, loud

    def end(self, text: str, *, off: bool) -> None:
        """Show how it ended."""
        with self._lock:
            self.ended, self.off, self.live = text, off, ""
            self.question, self.choices = None, ()

    def away(self) -> bool:
        """Whether the holder of the code has not looked for some time."""
        return time.monotonic() - self.seen_s > GONE_S

    def view(self, after: int) -> dict[str, object]:
        """All that is shown, of the lines those ``after`` so many."""
        with self._lock:
            first = max(after, len(self.lines) - _MOST_LINES)
            asked = None if self.question is None else {
                "number": self.number, "text": self.question, "typed": self.typed,
                "choices": [{"key": each.key, "words": each.words} for each in self.choices],
            }  # fmt: skip
            return {
                "lines": self.lines[first:], "count": len(self.lines), "question": asked, "live": self.live,
                "loud": self.loud, "ended": self.ended,
            }  # fmt: skip


class CommissionPage:
    """The routes of one commissioning."""

    def __init__(
        self, transcript: Transcript, languages: Mapping[str, Language], code: str, stop: Callable[[str], None]
    ) -> None:
        """``stop`` ends the commissioning with everything off; it receives who pressed it."""
        self._transcript = transcript
        self._texts = languages[ENGLISH].texts
        self._code = code
        self._stop = stop
        self._sessions = Sessions()
        self._faces = Faces(languages, {"rig": {}}, _page, "commission")

    async def index(self, request: Request) -> Response:
        """The page; it shows nothing before the code."""
        return self._faces.index(request)

    async def enter(self, request: Request) -> Response:
        """Open a session for the code."""
        form = CodeForm.model_validate_json(await request.body())
        limits = count_try(self._sessions, request, "the code")
        if not same(form.code.replace(" ", ""), self._code):
            raise HTTPException(401, self._texts["code_wrong"])
        session = self._sessions.open(Someone("commissioning", "supervisor", ""), time.monotonic(), *limits)
        response = WordedResponse({"csrf": session.csrf})
        response.set_cookie(
            _COOKIE, session.token, path="/", httponly=True, samesite="strict", secure=request.url.scheme == "https"
        )
        return response

    async def look(self, request: Request) -> Response:
        """What is shown now."""
        session = self._holder(request)
        after = request.query_params.get("after", "0")
        self._transcript.seen_s = time.monotonic()
        seen = self._transcript.view(int(after) if after.isdecimal() else 0)
        return WordedResponse({**seen, "csrf": session.csrf})

    async def answer(self, request: Request) -> Response:
        """Take an answer to the waiting question."""
        session = self._holder(request)
        if not same(request.headers.get("x-csrf", ""), session.csrf):
            raise HTTPException(403, OLD_PAGE())
        form = AnswerForm.model_validate_json(await request.body())
        if not self._transcript.answer(form.number, form.text.strip()):
            raise HTTPException(409, self._texts["asked_no_more"])
        return WordedResponse({})

    async def stop(self, request: Request) -> Response:
        """STOP: from anyone, at any time."""
        ran = self._transcript.ended is None
        if ran:
            self._stop(f"STOP on a page, {address_of(request)}")
        return self._stopped(ran=ran)

    async def stopped(self, _request: Request) -> Response:
        """What is known of a STOP."""
        return self._stopped(ran=self._transcript.ended is None)

    def _stopped(self, *, ran: bool) -> Response:
        off = self._transcript.off
        # The device has answered each off; a look at the pump itself is the person's.
        return WordedResponse({"ran": ran, "off": off, "seen": off})

    def _holder(self, request: Request) -> Session:
        session = self._sessions.found(request.cookies.get(_COOKIE, ""), time.monotonic(), busy=True)
        if session is None:
            raise HTTPException(401, self._texts["code_first"])
        return session

    async def static(self, request: Request) -> Response:
        """A file of the page."""
        return self._faces.file(request)

    def app(self, names: Sequence[str] = (), *, https: bool) -> Guarded:
        """The page as an application."""
        routes = [
            Route("/", self.index), Route("/static/{name}", self.static),
            Route("/api/commission", self.look), Route("/api/commission", self.answer, methods=["POST"]),
            Route("/api/code", self.enter, methods=["POST"]),
            Route("/api/stop", self.stopped), Route("/api/stop", self.stop, methods=["POST"]),
            *guide_routes(self._faces),
        ]  # fmt: skip
        app = Starlette(routes=routes, exception_handlers={HTTPException: refused, ValidationError: misread})
        return Guarded(app, names, https=https)


def _page(texts: Mapping[str, str]) -> str:
    whole = (STATIC / "commission.html").read_text(encoding="utf-8")
    for name in ("commissioning", "code_ask", "enter", "guide"):
        whole = whole.replace(f"{{{name}}}", escape(texts[name]))
    return whole.replace("<!-- STOP -->", stop_part(texts))
