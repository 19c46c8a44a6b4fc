"""The page's routes: requests become messages to the controller, its snapshot becomes pictures.

Looking and STOP need no sign-in (looking can be restricted); all else needs a signed-in person, and what moves the rig
needs the driver. It must not know the field, and it decides nothing about the fill.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import get_args

from pydantic import Field, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from rig.control.words.values import Request as Ask
from rig.control.words.values import RequestKind, Scope
from rig.fluid import FluidError
from rig.guide.search import prepare
from rig.ledger.book import CorrectedError
from rig.panel.asking import (
    EmptyForm,
    RinseForm,
    Touch,
    WheelForm,
    answer_view,
    answered,
    errand_of,
    look_asked,
    removal_of,
    rinse_of,
)
from rig.panel.catalogue import languages_of
from rig.panel.configuring import ConfigForm, config_view, write_config
from rig.panel.crew import Crew
from rig.panel.door import Act, Door, address_of
from rig.panel.faces import Faces
from rig.panel.film import film_view
from rig.panel.guard import Guarded
from rig.panel.guiding import guide_routes
from rig.panel.history import fill_view, fills_view, meter_view
from rig.panel.hub import Hub
from rig.panel.people import People, PeopleError
from rig.panel.prices import price_routes
from rig.panel.proving import ProveForm, proving_asked, provings_view, vessel_seen
from rig.panel.refusals import NO_OPERATION, misread, refused, says
from rig.panel.shell import index_page
from rig.panel.shop import Shop
from rig.panel.view import rig_view, stop_view
from rig.panel.worded import WordedResponse
from rig.plan.target import TargetError
from rig.record.base import RecordError
from rig.run.facade import Order, OrderKind, Work
from rig.run.messages import Asked, Controller, Forget, Judged, Ordered, SilentError, VesselRead
from rig.run.refused import Refused
from rig.run.settings import SettingsError
from rig.sentence import Wording, said_by
from rig.shop.plausible import Doubtful
from rig.units import QuantityError
from rig.wheel import SizeError, ValveError

_ASKED_WRONG = (QuantityError, SizeError, ValveError, FluidError, TargetError, PeopleError, Refused)

_BUSY = Wording("refused.busy", "the rig is busy")
_BUSY_SETTINGS = Wording("refused.busy_settings", "the rig is busy: the configuration is not changed now")
_NO_READING = Wording("refused.no_reading", "no reading is asked for")
_NO_VERDICT = Wording("refused.no_verdict", "no verdict is asked for")


_REQUESTS: dict[str, RequestKind] = {
    **{kind: kind for kind in get_args(RequestKind) if kind != "stop"},
    "leave": "stop",
}
"""The driver's operations; STOP has a route of its own."""
_NAMED = ("confirm", "answer")
_FORGETS: dict[str, tuple[Scope, ...]] = {"machine_moved": ("machine",), "new_shift": ("shift", "machine")}
"""The checks that are asked again after an operation."""
_STOP_S = 1.0
"""The page gives an answer to STOP a second; then it says that it is not known, and asks again."""


class OrderForm(Touch):
    """The next order."""

    kind: OrderKind
    fill_id: str = Field(default="", max_length=60)
    wheel: WheelForm = WheelForm()
    empty: EmptyForm = EmptyForm()
    rinse: RinseForm = RinseForm()
    prove: ProveForm = ProveForm()
    confirmed: tuple[str, ...] = Field(default=(), max_length=40)
    start: bool = True
    """Start at once; otherwise the start button at the gun starts it."""


class Stop(Touch):
    """A STOP."""

    escape: bool = False
    """By the Escape key."""


class Reading(Touch):
    """A typed reading of a vessel."""

    text: str = Field(max_length=60)


class Page:
    """The page of one rig."""

    def __init__(self, rig: Controller, people: People, config: str, code: str) -> None:
        """``code`` is what the first person of a new rig enters themself with."""
        self._rig = rig
        self._config = config
        self._filming = asyncio.Lock()
        self.door = Door(rig, people)
        self._shop = Shop(rig, self.door, config)
        self.crew = Crew(self.door, people, rig.settings, code)
        self._panel = rig.settings.panel
        self.hub = Hub(rig, self.door.sessions)
        about = {**rig_view(rig.settings), "looking": self._panel.looking}
        languages = languages_of(self._panel, without="office.")
        self.faces = Faces(languages, {"rig": about}, index_page, name=rig.settings.rig.name)

    # --- looking ------------------------------------------------------------------------------------------------

    async def index(self, request: Request) -> Response:
        """The page in the reader's language."""
        return self.faces.index(request)

    async def static(self, request: Request) -> Response:
        """A file of the page."""
        return self.faces.file(request)

    async def stream(self, request: Request) -> Response:
        """Pictures, several a second."""
        self.door.may_look(request)
        named = self.door.who(request) is not None
        return StreamingResponse(self.hub.stream(named=named), media_type="text/event-stream")

    async def trace(self, request: Request) -> Response:
        """The trace of the fill under way."""
        self.door.may_look(request)
        return WordedResponse(self.hub.trace())

    async def fills(self, request: Request) -> Response:
        """The latest fills."""
        self.door.person(request)
        return WordedResponse(await run_in_threadpool(fills_view, self._rig.settings))

    async def fill(self, request: Request) -> Response:
        """One fill with ticket and trace."""
        self.door.person(request)
        return WordedResponse(await run_in_threadpool(fill_view, self._rig.settings, request.path_params["fill_id"]))

    async def film(self, request: Request) -> Response:
        """A fill's recording on one time axis; one at a time, since it is run through the program again."""
        self.door.person(request)
        async with self._filming:
            film = await run_in_threadpool(film_view, self._rig.settings, request.path_params["fill_id"])
        return WordedResponse(film)

    async def meter(self, request: Request) -> Response:
        """The meter's health."""
        self.door.person(request)
        return WordedResponse(await run_in_threadpool(meter_view, self._rig.settings))

    async def provings(self, request: Request) -> Response:
        """The provings so far."""
        self.door.person(request)
        return WordedResponse(await run_in_threadpool(provings_view, self._rig.settings))

    async def settings(self, request: Request) -> Response:
        """The configuration explained, and the file to change; for the supervisor."""
        self.door.supervisor(request)
        view = await run_in_threadpool(config_view, self._rig.settings, Path(self._config))
        return WordedResponse({**view, "texts": self.faces.of(request).language.of_the_form})

    async def write_settings(self, request: Request) -> Response:
        """Write a new configuration for the next start; never while the rig is busy."""
        session = self.door.supervisor(request)
        form = ConfigForm.model_validate_json(await request.body())
        if self._rig.snapshot().busy:
            raise HTTPException(409, _BUSY_SETTINGS())
        settings, path = self._rig.settings, Path(self._config)
        return WordedResponse(await run_in_threadpool(write_config, settings, path, form, session.name))

    # --- acting -------------------------------------------------------------------------------------------------

    async def answer(self, request: Request) -> Response:
        """The answer for a wheel."""
        session = self.door.person(request)
        form = WheelForm.model_validate_json(await request.body())
        return WordedResponse(await run_in_threadpool(answer_view, self._rig, form, session.name))

    async def order(self, request: Request) -> Response:
        """Order a fill, a removal, a rinse, a proving or a look; resume or close an interrupted fill."""
        session = self.door.driver(request)
        form = OrderForm.model_validate_json(await request.body())
        if form.kind == "prove":
            self.door.supervisor(request)
        work = await run_in_threadpool(self._work, form, session.name)
        order = Order(form.id, form.kind, session.name, work, form.fill_id, form.confirmed, start=form.start)
        if not await self._rig.send(Ordered(order=order)):
            raise HTTPException(409, _BUSY())
        return WordedResponse({})

    def _work(self, form: OrderForm, by: str) -> Work | None:
        """Parse and check an order before it goes to the rig, so that an error is reported to its sender."""
        settings = self._rig.settings
        match form.kind:
            case "fill":
                errand = errand_of(self._rig, form.wheel, by, self._config)
                answered(self._rig, errand.question, errand.job, errand.position)
                return errand
            case "empty":
                return removal_of(settings, form.empty, by, self._config)
            case "rinse":
                return rinse_of(form.rinse, by, self._config)
            case "look":
                return look_asked(settings, form.wheel, by)
            case "prove":
                return proving_asked(settings, form.prove, by, self._config)
            case _:
                return None

    async def reading(self, request: Request) -> Response:
        """Take the vessel's reading after a run of a proving."""
        self.door.driver(request)
        self.door.supervisor(request)
        form = Reading.model_validate_json(await request.body())
        proof = self._rig.snapshot().proof
        if proof is None or not await self._rig.send(VesselRead(id=form.id, seen=vessel_seen(proof, form.text))):
            raise HTTPException(409, _NO_READING())
        return WordedResponse({})

    async def verdict(self, request: Request) -> Response:
        """Accept or reject the factor of a proving."""
        self.door.driver(request)
        self.door.supervisor(request)
        form = Act.model_validate_json(await request.body())
        if not await self._rig.send(Judged(id=form.id, taken=form.give)):
            raise HTTPException(409, _NO_VERDICT())
        return WordedResponse({})

    async def act(self, request: Request) -> Response:
        """Perform one operation for the driver."""
        session = self.door.driver(request)
        form = Act.model_validate_json(await request.body())
        operation = request.path_params["operation"]
        if operation in _FORGETS:
            await self._rig.send(Forget(scopes=_FORGETS[operation], by=session.name))
        elif operation in _REQUESTS:
            kind = _REQUESTS[operation]
            name = form.name if kind in _NAMED else ""
            await self._rig.send(Asked(request=Ask(form.id, kind, name, session.name)))
        else:
            raise HTTPException(404, NO_OPERATION())
        return WordedResponse({})

    async def stop(self, request: Request) -> Response:
        """STOP: from anyone, at any time. Escape stops only what runs."""
        form = Stop.model_validate_json(await request.body())
        view = stop_view(self._rig, time.monotonic())
        if view["ran"] or not form.escape:
            session = self.door.who(request)
            by = f"{session.name if session else 'STOP on a page'}, {address_of(request)}"
            await self._rig.send(Asked(request=Ask(form.id, "stop", by=by)), within_s=_STOP_S)
        return WordedResponse(view)

    async def stopped(self, request: Request) -> Response:
        """What is known of a STOP."""
        return WordedResponse(stop_view(self._rig, time.monotonic()))

    # --- the whole ----------------------------------------------------------------------------------------------

    def app(self) -> Guarded:
        """The page as an application."""

        def get(path: str, run: Callable[[Request], Awaitable[Response]]) -> Route:
            return Route(path, run, methods=["GET"])

        def post(path: str, run: Callable[[Request], Awaitable[Response]]) -> Route:
            return Route(path, run, methods=["POST"])

        routes = [
            get("/", self.index), get("/static/{name}", self.static),
            get("/api/me", self.door.me),
            get("/api/stream", self.stream), get("/api/trace", self.trace),
            get("/api/fills", self.fills), get("/api/fills/{fill_id}", self.fill),
            get("/api/fills/{fill_id}/film", self.film),
            get("/api/meter", self.meter),
            get("/api/settings", self.settings), post("/api/settings", self.write_settings),
            post("/api/sign-in", self.door.sign_in), post("/api/sign-out", self.door.sign_out),
            post("/api/clock", self.door.clock),
            post("/api/drive", self.door.drive), post("/api/hand-over", self.door.hand_over),
            post("/api/answer", self.answer), post("/api/order", self.order),
            get("/api/provings", self.provings), post("/api/reading", self.reading), post("/api/verdict", self.verdict),
            post("/api/stop", self.stop), get("/api/stop", self.stopped), post("/api/act/{operation}", self.act),
            *self._shop.routes(), *self.crew.routes(),
            *price_routes(self._rig.settings, self.door), *guide_routes(self.faces),
        ]  # fmt: skip
        handlers: dict[type[Exception], Callable[[Request, Exception], Awaitable[Response]]] = {
            HTTPException: refused,
            ValidationError: misread,
            CorrectedError: _meanwhile,
            Doubtful: _doubted,
            RecordError: _not_found,
            SettingsError: _unusable,
            SilentError: _silent,
            **dict.fromkeys(_ASKED_WRONG, _asked_wrong),
        }
        packing = Middleware(GZipMiddleware, minimum_size=400)
        app = Starlette(routes=routes, exception_handlers=handlers, lifespan=self._lifespan, middleware=[packing])
        return Guarded(app, self._panel.names, https=bool(self._panel.certificate))

    @contextlib.asynccontextmanager
    async def _lifespan(self, app: Starlette) -> AsyncIterator[None]:
        drawing = asyncio.create_task(self.hub.run())
        # Now, while hardly anybody waits for the page.
        reading = asyncio.create_task(run_in_threadpool(prepare))
        yield
        drawing.cancel()
        reading.cancel()


async def _not_found(request: Request, error: Exception) -> Response:
    return says(said_by(error), 404)


async def _silent(request: Request, error: Exception) -> Response:
    return says(said_by(error), 503)


async def _meanwhile(request: Request, error: Exception) -> Response:
    return says(said_by(error), 409)


async def _doubted(request: Request, error: Exception) -> Response:
    """Report doubts; the same form with ``sure`` is kept."""
    assert isinstance(error, Doubtful)
    return says(str(error), 422, doubts=list(error.doubts))


async def _asked_wrong(request: Request, error: Exception) -> Response:
    return says(said_by(error), 422)


async def _unusable(request: Request, error: Exception) -> Response:
    """A configuration's mistakes, for the fields of its form too."""
    assert isinstance(error, SettingsError)
    return says(said_by(error), 422, faults=list(error.faults))
