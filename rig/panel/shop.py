"""The page's addresses around a fill: jobs, what is told after a wheel, papers, stock.

Reads and writes the book, away from the controller's loop. It must not know the field, and it moves nothing.
"""

from __future__ import annotations

from collections.abc import Callable

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from rig.panel import after, jobs, stock
from rig.panel.door import Door
from rig.run.facade import Facade


class Shop:
    """What the page asks of the book."""

    def __init__(self, facade: Facade, door: Door) -> None:
        self._facade = facade
        self._door = door
        self._settings = facade.settings

    def routes(self) -> list[Route]:
        """The addresses."""
        return [
            Route("/api/jobs", self.jobs, methods=["GET"]),
            Route("/api/jobs", self.keep_job, methods=["POST"]),
            Route("/api/jobs/{job}", self.job, methods=["GET"]),
            Route("/api/jobs/{job}/ticket.pdf", self.ticket, methods=["POST"]),
            Route("/api/stock", self.stock, methods=["GET"]),
            Route("/api/stock", self.tell_stock, methods=["POST"]),
            Route("/api/fills/{fill_id}/after", self.after, methods=["POST"]),
            Route("/api/fills/{fill_id}/ticket.pdf", self.ticket, methods=["POST"]),
        ]

    async def _look(self, request: Request, look: Callable[[], object]) -> Response:
        self._door.may_look(request)
        return JSONResponse(await run_in_threadpool(look))

    # --- jobs ---------------------------------------------------------------------------------------------------

    async def jobs(self, request: Request) -> Response:
        """Every job that has wheels."""
        return await self._look(request, lambda: jobs.jobs_view(self._settings))

    async def job(self, request: Request) -> Response:
        """One job."""
        return await self._look(request, lambda: jobs.one_view(self._settings, request.path_params["job"]))

    async def keep_job(self, request: Request) -> Response:
        """Make a job, or give one another list of wheels."""
        session = self._door.person(request)
        form = jobs.JobForm.model_validate_json(await request.body())
        return JSONResponse(await run_in_threadpool(jobs.keep, self._facade, form, session.name))

    # --- after a fill -------------------------------------------------------------------------------------------

    async def after(self, request: Request) -> Response:
        """What was found at a wheel once it was aired up."""
        session = self._door.person(request)
        form = after.AfterForm.model_validate_json(await request.body())
        fill_id = request.path_params["fill_id"]
        return JSONResponse(await run_in_threadpool(after.keep_after, self._settings, fill_id, form, session.name))

    async def ticket(self, request: Request) -> Response:
        """A ticket as PDF: a print, which the book keeps, and so a request that changes something."""
        self._door.person(request)
        document = await run_in_threadpool(lambda: after.ticket_pdf(self._settings, **request.path_params))
        return Response(document, media_type="application/pdf")

    # --- stock --------------------------------------------------------------------------------------------------

    async def stock(self, request: Request) -> Response:
        """What is in the totes."""
        return await self._look(request, lambda: stock.stock_view(self._settings))

    async def tell_stock(self, request: Request) -> Response:
        """What a person tells of a tote."""
        session = self._door.person(request)
        form = stock.StockForm.model_validate_json(await request.body())
        return JSONResponse(await run_in_threadpool(stock.tell_stock, self._settings, form, session.name))
