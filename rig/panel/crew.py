"""People on the page: a supervisor enters and removes them; the first of a new rig enters themself by a code.

The code is printed where the page was started, and only while nobody is entered. It must not know requests to the rig.
"""

from __future__ import annotations

import asyncio

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from rig.field.points import Strict
from rig.panel.asking import Touch
from rig.panel.door import Door
from rig.panel.people import People, PeopleError, Role
from rig.panel.sessions import same
from rig.panel.worded import WordedResponse
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.second_copy import after_record


class FirstForm(Strict):
    """The code, and who enters themself."""

    code: str = Field(max_length=20)
    name: str = Field(max_length=80)
    pin: str = Field(max_length=20)


class PersonForm(Touch):
    """A person to be entered, or entered anew with another PIN or role."""

    name: str = Field(max_length=80)
    role: Role = "technician"
    pin: str = Field(max_length=20)


class NameForm(Touch):
    """A person to be removed."""

    name: str = Field(max_length=80)


class Crew:
    """The routes."""

    def __init__(self, door: Door, people: People, settings: Settings, code: str) -> None:
        """``code`` lets the first person in; it is void where somebody is entered."""
        self._door = door
        self._people = people
        self._settings = settings
        self.code = "" if people.all() else code
        self._first = asyncio.Lock()

    def routes(self) -> list[Route]:
        """The routes."""
        return [
            Route("/api/first", self.first, methods=["POST"]),
            Route("/api/people", self.listed, methods=["GET"]),
            Route("/api/people", self.enter, methods=["POST"]),
            Route("/api/people/remove", self.remove, methods=["POST"]),
        ]

    async def first(self, request: Request) -> Response:
        """Enter the first person, a supervisor, and sign them in."""
        form = FirstForm.model_validate_json(await request.body())
        limits = self._door.tried(request, "the code")
        async with self._first:
            if not self.code or self._people.all():
                raise HTTPException(409, Wording("refused.not_first", "somebody is entered already: sign in")())
            if not same(form.code.replace(" ", ""), self.code):
                raise HTTPException(
                    401,
                    Wording("refused.wrong_code", "this is not the code that was printed where the page was started")(),
                )
            await self._kept(form.name, "supervisor", form.pin)
            self.code = ""
        someone = next(iter(self._people.all()))
        return await self._door.opened(request, someone, limits)

    async def listed(self, request: Request) -> Response:
        """Everyone, for the supervisor."""
        self._door.supervisor(request)
        return self._everyone()

    async def enter(self, request: Request) -> Response:
        """Enter a person."""
        self._door.supervisor(request)
        form = PersonForm.model_validate_json(await request.body())
        if form.role != "supervisor":
            self._not_the_last(form.name)
        await self._kept(form.name, form.role, form.pin)
        return self._everyone()

    async def remove(self, request: Request) -> Response:
        """Remove a person; whatever pages they have open are signed out."""
        self._door.supervisor(request)
        form = NameForm.model_validate_json(await request.body())
        self._not_the_last(form.name)
        self._people.remove(form.name)
        self._door.sessions.close_all_of(form.name)
        after_record(self._settings, wait_s=0.0)
        return self._everyone()

    async def _kept(self, name: str, role: Role, pin: str) -> None:
        await run_in_threadpool(self._people.add, name, role, pin)
        # Whoever has another role or PIN now signs in with it.
        self._door.sessions.close_all_of(name)
        after_record(self._settings, wait_s=0.0)

    def _not_the_last(self, name: str) -> None:
        others = [each for each in self._people.all() if each.name.casefold() != name.casefold()]
        if not any(each.role == "supervisor" for each in others):
            raise PeopleError(
                Wording("refused.last_supervisor", "this is the only supervisor: enter another one first")()
            )

    def _everyone(self) -> Response:
        return WordedResponse([{"name": each.name, "role": each.role} for each in self._people.all()])
