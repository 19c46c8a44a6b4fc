"""The routes of the office's page: who may see it is :mod:`rig.panel.office.access`, what it says are documents.

It decides nothing and writes nothing. Costly readings run in threads, one at a time (:mod:`rig.panel.office.kept`).
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Hashable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from html import escape

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from rig.ledger.book import BookError
from rig.ledger.explaining import USUAL_DAYS
from rig.ledger.query import Place
from rig.office.contacts import Contacts
from rig.office.register import KeyBook
from rig.panel.catalogue import STATIC, languages_of
from rig.panel.faces import Faces
from rig.panel.guard import Guarded
from rig.panel.office.access import Area, Door
from rig.panel.office.figures import (
    fills_view,
    meters_view,
    stock_view,
    trucks_view,
    wheels_view,
    with_contacts,
    work_view,
)
from rig.panel.office.kept import Kept, View
from rig.panel.office.money import bills_view, month_bill_view, month_view
from rig.panel.people import People
from rig.panel.refusals import misread, refused, says
from rig.panel.worded import WordedResponse
from rig.run.refused import Refused
from rig.run.shop_panel import PanelTable
from rig.sentence import Wording, said_by
from rig.shop.fill_search import Wanted

WORK_DAYS = 90
"""Unbilled work and issued bills are of so many days. Assumed, no source."""
_LONGEST = 200
Asked = tuple[Hashable, Callable[[KeyBook], View]]
"""What is asked, by which its answer is kept, and how it is made."""


def _utc_now() -> datetime:
    return datetime.now(UTC)


class OfficePage:
    """The page of the office at a URL."""

    def __init__(self, url: str, people: People, contacts: Contacts, clock: Callable[[], datetime] = _utc_now) -> None:
        """``contacts`` has the trucks that the service beside this page has heard."""
        self._kept = Kept(url)
        self._door = Door(people)
        self._contacts = contacts
        self._clock = clock
        self._faces = Faces(languages_of(PanelTable()), {}, _whole, "office", "Office")

    def app(self, names: Sequence[str] = (), *, https: bool) -> Guarded:
        """The page as an application."""
        parts: dict[Area, Callable[[Request], Asked]] = {
            "trucks": lambda _: ("trucks", trucks_view),
            "meters": lambda _: ("meters", meters_view),
            "work": self._work, "bills": self._bills, "month": self._month,
            "stock": self._stock, "fills": _fills, "wheels": _wheels,
        }  # fmt: skip
        routes = [
            Route("/", self._page), Route("/static/{name}", self._static),
            Route("/api/me", self._door.me), Route("/api/sign-in", self._door.sign_in, methods=["POST"]),
            Route("/api/sign-out", self._door.sign_out, methods=["POST"]),
            *(Route(f"/api/{area}", self._part(area, asked)) for area, asked in parts.items()),
        ]  # fmt: skip
        app = Starlette(
            routes=routes,
            exception_handlers={
                HTTPException: refused, ValidationError: misread, Refused: _asked_wrong, BookError: _unreadable,
            },
            middleware=[Middleware(GZipMiddleware, minimum_size=400)],
        )  # fmt: skip
        return Guarded(app, names, https=https)

    def _part(self, area: Area, asked: Callable[[Request], Asked]) -> Callable[[Request], Awaitable[Response]]:
        async def answer(request: Request) -> Response:
            self._door.refuse_others(request, area)
            view = await run_in_threadpool(self._kept.answer, *asked(request))
            if area == "trucks":
                view = with_contacts(view, self._contacts)
            return WordedResponse({"now": self._clock().isoformat(timespec="seconds"), **view})

        return answer

    async def _page(self, request: Request) -> Response:
        """The page; it shows nothing before the sign-in."""
        return self._faces.index(request)

    async def _static(self, request: Request) -> Response:
        return self._faces.file(request)

    def _since(self, days: int) -> str:
        """Begin of a day so many days ago, so that an answer is kept for a day."""
        return f"{(self._clock() - timedelta(days=days)).date().isoformat()}T00:00:00.000+00:00"

    def _work(self, request: Request) -> Asked:
        since, day = self._since(WORK_DAYS), _day(request, "day")
        return ("work", since, day), lambda book: work_view(book, since, day)

    def _bills(self, _request: Request) -> Asked:
        since = self._since(WORK_DAYS)
        return ("bills", since), lambda book: bills_view(book, since)

    def _stock(self, _request: Request) -> Asked:
        since, until = self._since(USUAL_DAYS), self._since(-1)
        return ("stock", since), lambda book: stock_view(book, since, until)

    def _month(self, request: Request) -> Asked:
        month, customer = _text(request, "month") or self._clock().strftime("%Y-%m"), _text(request, "customer")
        if customer:
            return ("month", month, customer), lambda book: month_bill_view(book, month, customer)
        return ("month", month), lambda book: month_view(book, month)


def _whole(texts: Mapping[str, str]) -> str:
    return (STATIC / "office.html").read_text(encoding="utf-8").replace("{title}", escape(texts["office.title"]))


def _fills(request: Request) -> Asked:
    customer, before = _text(request, "customer"), _place(_text(request, "before"))
    since, until = _day(request, "since"), _day(request, "until")
    # The day after sorts behind every time of the last day.
    wanted = Wanted((), _text(request, "wheel"), _text(request, "truck"), since, until and f"{until}~")
    return ("fills", customer, wanted, before), lambda book: fills_view(book, customer, wanted, before)


def _wheels(request: Request) -> Asked:
    customer = _text(request, "customer")
    if not customer:
        raise Refused(Wording("refused.whose_wheels", "whose wheels? write a customer's name or number")())
    return ("wheels", customer), lambda book: wheels_view(book, customer)


def _text(request: Request, name: str) -> str:
    text = request.query_params.get(name, "").strip()
    if len(text) > _LONGEST:
        raise Refused(Wording("refused.too_long", "{name}: at most {most:number} characters")(name=name, most=_LONGEST))
    return text


def _day(request: Request, name: str) -> str:
    text = _text(request, name)
    try:
        return text and datetime.strptime(text, "%Y-%m-%d").replace(tzinfo=UTC).date().isoformat()
    except ValueError as error:
        raise Refused(
            Wording("refused.no_day", "{name} '{text}': write a day, for example 2026-11-30")(name=name, text=text)
        ) from error


def _place(text: str) -> Place | None:
    """The place from which a page goes on, as the page before gave it; Refused for anything else."""
    try:
        match json.loads(text or "null"):
            case None:
                return None
            case [str(at), str(truck), int(serial)]:
                return at, truck, serial
    except ValueError:
        pass
    raise Refused(Wording("refused.no_place", "this is no place in the list of fills: search anew")())


async def _asked_wrong(_request: Request, error: Exception) -> Response:
    return says(said_by(error), 422)


async def _unreadable(_request: Request, error: Exception) -> Response:
    return says(said_by(error), 503)
