"""Access control of the office's page: who sees what, in one table, and sign-in. It must not know what is shown.

A stranger sees nothing, not even names. Sessions, PINs and the limit of tries are those of a rig's page.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Literal

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from rig.panel.door import SignIn, count_try
from rig.panel.people import OFFICE_ROLES, OfficeRole, People
from rig.panel.refusals import OLD_PAGE, SIGN_IN, WRONG_PIN
from rig.panel.sessions import Session, Sessions, same
from rig.panel.worded import WordedResponse
from rig.sentence import Wording

Area = Literal["trucks", "work", "bills", "month", "stock", "fills", "wheels", "meters"]
_MONEY: frozenset[OfficeRole] = frozenset({"owner", "bookkeeper"})
_ALL: frozenset[OfficeRole] = frozenset(OFFICE_ROLES)
ACCESS: Mapping[Area, frozenset[OfficeRole]] = {
    "trucks": _ALL, "work": _ALL, "bills": _MONEY, "month": _MONEY,
    "stock": _ALL, "fills": _ALL, "wheels": _ALL, "meters": _ALL,
}  # fmt: skip
"""Who sees which part of the page. Prices and sums of money are in ``bills`` and ``month`` alone."""
_COOKIE = "rig_office"


class Door:
    """Access control for every route of the page."""

    def __init__(self, people: People) -> None:
        self._people = people
        self._sessions = Sessions()

    def person(self, request: Request) -> Session:
        """Require a signed-in person who is still entered, in the same role."""
        session = self._sessions.found(request.cookies.get(_COOKIE, ""), time.monotonic(), busy=False)
        if session is None:
            raise HTTPException(401, SIGN_IN())
        if (session.name, session.role) not in [(each.name, each.role) for each in self._people.all()]:
            self._sessions.close(session)
            raise HTTPException(401, Wording("refused.entry_changed", "sign in again: your entry was changed")())
        if request.method != "GET" and not same(request.headers.get("x-csrf", ""), session.csrf):
            raise HTTPException(403, OLD_PAGE())
        return session

    def refuse_others(self, request: Request, area: Area) -> None:
        """Require somebody whose role sees a part of the page."""
        if self.person(request).role not in ACCESS[area]:
            raise HTTPException(
                403,
                Wording("refused.role", "not for your role; for: {roles}")(roles=", ".join(sorted(ACCESS[area]))),
            )

    async def sign_in(self, request: Request) -> Response:
        """Open a session for a name and PIN."""
        form = SignIn.model_validate_json(await request.body())
        name = " ".join(form.name.split())
        limits = count_try(self._sessions, request, name.casefold())
        someone = await run_in_threadpool(self._people.known, name, form.pin)
        if someone is None:
            raise HTTPException(401, WRONG_PIN())
        session = self._sessions.open(someone, time.monotonic(), *limits)
        response = WordedResponse(_about(session))
        response.set_cookie(
            _COOKIE, session.token, path="/", httponly=True, samesite="strict", secure=request.url.scheme == "https"
        )
        return response

    async def sign_out(self, request: Request) -> Response:
        """End the session."""
        self._sessions.close(self.person(request))
        response = WordedResponse({})
        response.delete_cookie(_COOKIE, path="/")
        return response

    async def me(self, request: Request) -> Response:
        """Who is signed in here, and what they see."""
        return WordedResponse(_about(self.person(request)))


def _about(session: Session) -> dict[str, object]:
    areas = [area for area, roles in ACCESS.items() if session.role in roles]
    return {"name": session.name, "role": session.role, "csrf": session.csrf, "areas": areas}
