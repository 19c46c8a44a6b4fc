"""Access control of the page: identity, permission to look, act or set up, sign-in, and hand-over of the controls.

Looking and STOP need no sign-in (looking can be restricted); all else needs a signed-in person, and what moves the rig
needs the driver. It must not know the field, nor the content of a request.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Collection

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from rig.field.points import Strict
from rig.panel.asking import Touch
from rig.panel.clock import ClockForm, keep_clock, offered
from rig.panel.people import People, PeopleError, Someone
from rig.panel.refusals import OLD_PAGE, SIGN_IN, WRONG_PIN
from rig.panel.sessions import FREE_TRIES, FREE_TRIES_ANYWHERE, Session, Sessions, same
from rig.panel.worded import WordedResponse
from rig.run.messages import Controller
from rig.sentence import Wording

COOKIE = "rig_session"


class SignIn(Strict):
    """Name and PIN."""

    name: str = Field(max_length=40)
    pin: str = Field(max_length=20)
    at: str = Field(default="", max_length=40)
    """The time of the browser's device."""


class Act(Touch):
    """One touch, of a prompt or a check, or an answer yes or no."""

    name: str = Field(default="", max_length=60)
    """Which prompt or check."""
    give: bool = True


def address_of(request: Request) -> str:
    """The address that a request came from."""
    return request.client.host if request.client else "?"


def count_try(sessions: Sessions, request: Request, whom: str) -> Collection[str]:
    """Count a try at ``whom``'s secret; HTTPException 429 after too many. Returns what a success resets.

    From one address a name is soon closed; from everywhere late, so that a neighbour locks nobody out.
    """
    now_s, address = time.monotonic(), f"from {address_of(request)}"
    limits = {f"{whom} {address}": FREE_TRIES, address: FREE_TRIES, whom: FREE_TRIES_ANYWHERE}
    pause_s = max(sessions.pause_s(each, now_s) for each in limits)
    if pause_s > 0:
        raise HTTPException(
            429, Wording("refused.tries", "too many tries: wait {seconds:number} s")(seconds=math.ceil(pause_s))
        )
    for each, free in limits.items():
        sessions.wrong(each, now_s, free)
    return limits


class Door:
    """Access control for every route of the page."""

    def __init__(self, rig: Controller, people: People) -> None:
        self._rig = rig
        self._people = people
        self.sessions = Sessions()
        self._looking = rig.settings.panel.looking
        self._stamp, self._entered = people.stamp(), dict[str, Someone]()
        self._sign_out_changed()

    def _sign_out_changed(self) -> None:
        """Sign out whose entry another program has changed or removed, as the exchange with the office does."""
        # A file that cannot be read signs nobody out: STOP must be heard.
        with contextlib.suppress(PeopleError):
            stamp = self._people.stamp()
            if self._entered and stamp == self._stamp:
                return
            entered = {each.name.casefold(): each for each in self._people.all()}
            for name, before in self._entered.items():
                if entered.get(name) != before:
                    self.sessions.close_all_of(before.name)
            self._stamp, self._entered = stamp, entered

    def who(self, request: Request) -> Session | None:
        """The session of this browser, or None."""
        self._sign_out_changed()
        token = request.cookies.get(COOKIE, "")
        return self.sessions.found(token, time.monotonic(), busy=self._rig.snapshot().busy) if token else None

    def person(self, request: Request) -> Session:
        """Require a signed-in person, and the token for a request that changes something."""
        session = self.who(request)
        if session is None:
            raise HTTPException(401, SIGN_IN())
        if request.method != "GET" and not same(request.headers.get("x-csrf", ""), session.csrf):
            raise HTTPException(403, OLD_PAGE())
        return session

    def driver(self, request: Request) -> Session:
        """Require the person with the controls."""
        session = self.person(request)
        if self.sessions.driver is not session:
            raise HTTPException(409, Wording("refused.not_driver", "another page has the controls")())
        return session

    def supervisor(self, request: Request) -> Session:
        """Require a signed-in supervisor."""
        session = self.person(request)
        if session.role != "supervisor":
            raise HTTPException(403, Wording("refused.not_supervisor", "for the supervisor")())
        return session

    def may_look(self, request: Request) -> None:
        """Require permission to look."""
        if not self._looking:
            self.person(request)

    # --- sign-in ------------------------------------------------------------------------------------------------

    async def sign_in(self, request: Request) -> Response:
        """Open a session for a name and PIN."""
        form = SignIn.model_validate_json(await request.body())
        limits = self.tried(request, form.name.casefold())
        someone = await run_in_threadpool(self._people.known, form.name, form.pin)
        if someone is None:
            raise HTTPException(401, WRONG_PIN())
        return await self.opened(request, someone, limits, form.at)

    def tried(self, request: Request, whom: str) -> Collection[str]:
        """Count a try at a secret before it is checked, so that concurrent tries count too; 429 after too many."""
        return count_try(self.sessions, request, whom)

    async def opened(self, request: Request, someone: Someone, limits: Collection[str], at: str = "") -> Response:
        """Sign someone in; ``at`` is the time of their device."""
        self._sign_out_changed()
        session = self.sessions.open(someone, time.monotonic(), *limits)
        clock = await run_in_threadpool(offered, self._rig.settings, at)
        response = WordedResponse({**self._me(session), "clock": clock})
        response.set_cookie(
            COOKIE, session.token, path="/", httponly=True, samesite="strict", secure=request.url.scheme == "https"
        )
        return response

    async def clock(self, request: Request) -> Response:
        """Keep a signed-in person's answer about the clock."""
        session = self.person(request)
        form = ClockForm.model_validate_json(await request.body())
        return WordedResponse(await run_in_threadpool(keep_clock, self._rig.settings, form, session.name))

    async def sign_out(self, request: Request) -> Response:
        """End the session."""
        self.sessions.close(self.person(request))
        response = WordedResponse({})
        response.delete_cookie(COOKIE, path="/")
        return response

    async def me(self, request: Request) -> Response:
        """Who is signed in here; polled every few seconds, which also shows that this page is still open."""
        return WordedResponse(self._me(self.who(request)))

    def _me(self, session: Session | None) -> dict[str, object]:
        if session is None:
            return {"name": None, "names": [each.name for each in self._people.all()]}
        return {"name": session.name, "role": session.role, "id": session.id, "csrf": session.csrf}

    async def drive(self, request: Request) -> Response:
        """Take the controls, or request them."""
        session = self.person(request)
        return WordedResponse({"drives": self.sessions.ask_to_drive(session, time.monotonic())})

    async def hand_over(self, request: Request) -> Response:
        """Give the controls to the person who requests them, or keep them."""
        form = Act.model_validate_json(await request.body())
        self.sessions.hand_over(self.person(request), give=form.give)
        return WordedResponse({})
