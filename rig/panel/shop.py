"""The page's routes around a fill: jobs, findings after a fill, documents, stock.

Reads and writes the book, outside the controller's loop. It must not know the field, and it moves nothing.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from rig.books.tag_read import codes_in, wheel_of
from rig.panel import after, converting, customers, jobs, of_office, stock, undoing
from rig.panel.asking import Touch, wheels_view
from rig.panel.door import Door
from rig.panel.drafts import Draft, Drafts, DropForm
from rig.panel.guard import PICTURE
from rig.panel.refusals import NO_OPERATION
from rig.panel.worded import WordedResponse
from rig.run.messages import Controller

_REMEMBERED = 512


class Shop:
    """The page's requests to the book."""

    def __init__(self, rig: Controller, door: Door, config: str) -> None:
        self._rig = rig
        self._config = config
        self._door = door
        self._settings = rig.settings
        self._drafts = Drafts(Path(rig.settings.rig.data))
        self._handled: deque[str] = deque(maxlen=_REMEMBERED)
        self._comparing = asyncio.Lock()
        self._reading = asyncio.Lock()
        self._compared: tuple[object, jobs.View] | None = None

    def routes(self) -> list[Route]:
        """The routes."""
        return [
            Route("/api/wheels", self.wheels, methods=["GET"]),
            Route(PICTURE, self.tag, methods=["POST"]),
            Route("/api/jobs", self.jobs, methods=["GET"]),
            Route("/api/jobs", self.keep_job, methods=["POST"]),
            Route("/api/drafts", self.drafts, methods=["GET"]),
            Route("/api/drafts", self.keep_draft, methods=["POST"]),
            Route("/api/drafts/drop", self.drop_draft, methods=["POST"]),
            Route("/api/jobs/{job:path}/put-away", self.put_away, methods=["POST"]),
            Route("/api/jobs/{job:path}/quote", self.quote, methods=["POST"]),
            Route("/api/jobs/{job:path}/accept-quote", self.accept_quote, methods=["POST"]),
            Route("/api/jobs/{job:path}/quote.pdf", self.quote_paper, methods=["POST"]),
            Route("/api/jobs/{job:path}/conversion", self.conversion, methods=["GET"]),
            Route("/api/jobs/{job:path}/conversion", self.convert, methods=["POST"]),
            Route("/api/jobs/{job:path}/note", self.note, methods=["POST"]),
            Route("/api/jobs/{job:path}/bill.pdf", self.bill, methods=["POST"]),
            Route("/api/jobs/{job:path}/invoice.pdf", self.invoice, methods=["POST"]),
            Route("/api/jobs/{job:path}/ticket.pdf", self.ticket, methods=["POST"]),
            # Last: a job's name may contain a slash.
            Route("/api/jobs/{job:path}", self.job, methods=["GET"]),
            Route("/api/compare", self.compare, methods=["GET"]),
            Route("/api/stock", self.stock, methods=["GET"]),
            Route("/api/stock", self.enter_stock, methods=["POST"]),
            Route("/api/office", self.office, methods=["GET"]),
            Route("/api/sites", self.sites, methods=["GET"]),
            Route("/api/customers", self.customers, methods=["GET"]),
            Route("/api/customers", self.keep_customer, methods=["POST"]),
            Route("/api/customers/{number}", self.customer, methods=["GET"]),
            Route("/api/customers/{number}/sites", self.keep_site, methods=["POST"]),
            Route("/api/records", self.records, methods=["GET"]),
            Route("/api/records/{serial:int}/{act}", self.undo, methods=["POST"]),
            Route("/api/fills/{fill_id}/after", self.after, methods=["POST"]),
            Route("/api/fills/{fill_id}/note", self.note_of_fill, methods=["POST"]),
            Route("/api/fills/{fill_id}/ticket.pdf", self.ticket, methods=["POST"]),
        ]

    async def _look(self, request: Request, look: Callable[[], object]) -> Response:
        self._door.person(request)
        return WordedResponse(await run_in_threadpool(look))

    async def _once(self, request_id: str, act: Callable[[], object], look: Callable[[], object]) -> Response:
        """Act on the first request of an id; a repeat only reads. A failed request was not done and may be repeated."""
        if request_id in self._handled:
            return WordedResponse(await run_in_threadpool(look))
        self._handled.append(request_id)
        done = False
        try:
            reply = WordedResponse(await run_in_threadpool(act))
            done = True
        finally:
            if not done:
                self._handled.remove(request_id)
        return reply

    async def wheels(self, request: Request) -> Response:
        """The shop's own wheels, read afresh: they may be taught again while the page is served."""
        return await self._look(request, lambda: wheels_view(self._settings))

    async def tag(self, request: Request) -> Response:
        """The wheel whose label is in a photograph; one at a time."""
        self._door.person(request)
        picture = await request.body()
        async with self._reading:
            return WordedResponse(asdict(await run_in_threadpool(lambda: wheel_of(self._settings, codes_in(picture)))))

    # --- jobs ---------------------------------------------------------------------------------------------------

    async def jobs(self, request: Request) -> Response:
        """Every job that has wheels."""
        return await self._look(request, lambda: jobs.jobs_view(self._settings))

    async def job(self, request: Request) -> Response:
        """One job."""
        return await self._look(request, lambda: jobs.one_view(self._settings, request.path_params["job"]))

    async def keep_job(self, request: Request) -> Response:
        """Make a job, or replace the list of wheels of one."""
        session = self._door.person(request)
        form = jobs.JobForm.model_validate_json(await request.body())
        kept = await run_in_threadpool(jobs.keep, self._rig, form, session.name)
        await run_in_threadpool(self._drafts.drop, session.name, form.job)
        return WordedResponse(kept)

    async def drafts(self, request: Request) -> Response:
        """The jobs that the person has half entered."""
        session = self._door.person(request)
        found = await run_in_threadpool(self._drafts.of, session.name)
        return WordedResponse([each.model_dump() for each in found])

    async def keep_draft(self, request: Request) -> Response:
        """Keep a job as far as it is entered."""
        session = self._door.person(request)
        await run_in_threadpool(self._drafts.keep, session.name, Draft.model_validate_json(await request.body()))
        return WordedResponse({})

    async def drop_draft(self, request: Request) -> Response:
        """Discard a draft."""
        session = self._door.person(request)
        form = DropForm.model_validate_json(await request.body())
        await run_in_threadpool(self._drafts.drop, session.name, form.job)
        return WordedResponse({})

    async def put_away(self, request: Request) -> Response:
        """Put away a job that is not to be done."""
        session = self._door.person(request)
        form, job = jobs.AwayForm.model_validate_json(await request.body()), request.path_params["job"]
        return WordedResponse(await run_in_threadpool(jobs.put_away, self._settings, job, form, session.name))

    async def quote(self, request: Request) -> Response:
        """Quote a job, or quote it again."""
        self._door.person(request)
        form, job = Touch.model_validate_json(await request.body()), request.path_params["job"]
        return await self._once(
            form.id, lambda: jobs.quote(self._settings, job), lambda: jobs.one_view(self._settings, job)
        )

    async def accept_quote(self, request: Request) -> Response:
        """Accept a job's quote."""
        session = self._door.person(request)
        form, job = jobs.AcceptForm.model_validate_json(await request.body()), request.path_params["job"]
        return await self._once(
            form.id,
            lambda: jobs.accept(self._settings, job, form, session.name),
            lambda: jobs.one_view(self._settings, job),
        )

    async def quote_paper(self, request: Request) -> Response:
        """A job's quote as PDF."""
        self._door.person(request)
        document = await run_in_threadpool(jobs.quote_pdf, self._settings, request.path_params["job"])
        return Response(document, media_type="application/pdf")

    async def compare(self, request: Request) -> Response:
        """Compare the wheels in the book; one request at a time reads it, and only where it has grown since."""
        self._door.person(request)
        async with self._comparing:
            heads = await run_in_threadpool(jobs.heads_of, self._settings)
            if self._compared is None or self._compared[0] != heads:
                self._compared = heads, await run_in_threadpool(jobs.compare_view, self._settings)
            return WordedResponse(self._compared[1])

    # --- another liquid -----------------------------------------------------------------------------------------

    async def conversion(self, request: Request) -> Response:
        """The steps of a change of liquid."""
        job = request.path_params["job"]
        return await self._look(request, lambda: converting.conversion_view(self._settings, job))

    async def convert(self, request: Request) -> Response:
        """Plan another liquid for wheels of a job."""
        session = self._door.person(request)
        form, job = converting.ConvertForm.model_validate_json(await request.body()), request.path_params["job"]
        planned = await run_in_threadpool(converting.convert, self._settings, self._config, job, form, session.name)
        return WordedResponse(planned)

    async def note(self, request: Request) -> Response:
        """Note a step done by hand, or a part for the bill."""
        session = self._door.person(request)
        form, job = converting.NoteForm.model_validate_json(await request.body()), request.path_params["job"]
        return await self._once(
            form.id,
            lambda: converting.note_work(self._settings, self._config, job, form, session.name),
            lambda: converting.conversion_view(self._settings, job),
        )

    async def bill(self, request: Request) -> Response:
        """A job's bill as PDF, to look at: only for a signed-in person, since it shows who pays what."""
        self._door.person(request)
        document = await run_in_threadpool(converting.bill_pdf, self._settings, request.path_params["job"])
        return Response(document, media_type="application/pdf")

    async def invoice(self, request: Request) -> Response:
        """Issue a job's invoice as PDF, under a number of its own."""
        self._door.person(request)
        document = await run_in_threadpool(converting.invoice_pdf, self._settings, request.path_params["job"])
        return Response(document, media_type="application/pdf")

    # --- after a fill -------------------------------------------------------------------------------------------

    async def after(self, request: Request) -> Response:
        """Keep the findings at a wheel once it was aired up."""
        session = self._door.person(request)
        form = after.AfterForm.model_validate_json(await request.body())
        fill_id = request.path_params["fill_id"]
        return await self._once(
            form.id,
            lambda: after.keep_after(self._settings, fill_id, form, session.name),
            lambda: after.after_of(self._settings, fill_id),
        )

    async def ticket(self, request: Request) -> Response:
        """A ticket as PDF; the print is kept in the book, so the request changes something."""
        self._door.person(request)
        document = await run_in_threadpool(lambda: after.ticket_pdf(self._settings, **request.path_params))
        return Response(document, media_type="application/pdf")

    # --- mistakes -----------------------------------------------------------------------------------------------

    async def records(self, request: Request) -> Response:
        """Records of the book, and the corrections possible."""
        asked = {name: request.query_params.get(name, "") for name in ("job", "fill_id", "kinds")}
        return await self._look(request, lambda: undoing.records_view(self._settings, **asked))

    async def undo(self, request: Request) -> Response:
        """Correct or void a record, or take its void back; only a supervisor where money or meter depend on it."""
        session, serial = self._door.person(request), request.path_params["serial"]
        act = next((each for each in undoing.ACTS if each == request.path_params["act"]), None)
        if act is None:
            raise HTTPException(404, NO_OPERATION())
        form = undoing.UndoForm.model_validate_json(await request.body())
        if await run_in_threadpool(undoing.for_supervisor, self._settings, serial):
            self._door.supervisor(request)
        return await self._once(
            form.id,
            lambda: undoing.undo(self._settings, self._config, serial, act, form, session.name),
            lambda: undoing.records_view(self._settings),
        )

    async def note_of_fill(self, request: Request) -> Response:
        """Keep a supervisor's figure of what a fill put in, or spilled."""
        session, fill_id = self._door.supervisor(request), request.path_params["fill_id"]
        form = undoing.FillNoteForm.model_validate_json(await request.body())
        return await self._once(
            form.id,
            lambda: undoing.note_of_fill(self._settings, self._config, fill_id, form, session.name),
            lambda: undoing.records_view(self._settings, fill_id=fill_id),
        )

    # --- stock --------------------------------------------------------------------------------------------------

    async def stock(self, request: Request) -> Response:
        """The contents of the totes."""
        return await self._look(request, lambda: stock.stock_view(self._settings))

    async def enter_stock(self, request: Request) -> Response:
        """Keep a person's report on a tote."""
        session = self._door.person(request)
        form = stock.StockForm.model_validate_json(await request.body())
        return await self._once(
            form.id,
            lambda: stock.enter_stock(self._settings, form, session.name),
            lambda: stock.stock_view(self._settings),
        )

    # --- the office ---------------------------------------------------------------------------------------------

    async def office(self, request: Request) -> Response:
        """What this truck has of its office."""
        return await self._look(request, lambda: of_office.office_view(self._settings))

    async def sites(self, request: Request) -> Response:
        """The customers' sites."""
        return await self._look(request, lambda: of_office.sites_view(self._settings))

    # --- customers ----------------------------------------------------------------------------------------------

    async def customers(self, request: Request) -> Response:
        """The customers by name."""
        return await self._look(request, lambda: customers.list_view(self._settings))

    async def customer(self, request: Request) -> Response:
        """One customer with sites."""
        return await self._look(request, lambda: customers.customer_view(self._settings, request.path_params["number"]))

    async def keep_customer(self, request: Request) -> Response:
        """Enter a customer, or change one."""
        session = self._door.person(request)
        form = customers.FactsForm.model_validate_json(await request.body())
        return await self._once(
            form.id,
            lambda: customers.keep_customer(self._settings, form, session.name),
            lambda: customers.kept_view(self._settings, form),
        )

    async def keep_site(self, request: Request) -> Response:
        """Enter a site of a customer, or change one."""
        session, whose = self._door.person(request), request.path_params["number"]
        form = customers.FactsForm.model_validate_json(await request.body())
        return await self._once(
            form.id,
            lambda: customers.keep_site(self._settings, whose, form, session.name),
            lambda: customers.customer_view(self._settings, whose),
        )
