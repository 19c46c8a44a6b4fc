"""The shop's price list on the page: shown to a supervisor, and kept anew as a whole. It must not know the rig."""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from rig.books.prices import keep_list, list_now
from rig.ledger.pricing import By, Per, PriceError, prices_of
from rig.panel.asking import Touch
from rig.panel.door import Door
from rig.panel.jobs import View, book_of_rig, book_to_keep
from rig.panel.worded import WordedResponse
from rig.record.notes import Prices
from rig.run.refused import Refused
from rig.run.settings import Settings, SettingsError
from rig.sentence import Wording

if TYPE_CHECKING:
    from rig.ledger.book import Book

_BLANK: dict[str, object] = {
    "name": "", "currency": "", "minimum": "0", "fluids": {},
    "taxes": dict.fromkeys(("fluid", "parts", "service"), "0"),
}  # fmt: skip
"""What a first list is made from."""

_THE_LIST = Wording("price_list.itself", "the price list")


class PricesForm(Touch):
    """A whole price list, and the serial number of the one that it was made from."""

    prices: dict[str, object]
    was: int = Field(ge=0)


def prices_view(book: Book) -> View:
    """The list in force with its serial number, 0 where there is none, and what can be chosen in it."""
    record = list_now(book)
    standing = Prices.of(record).prices if record else _BLANK
    return {
        "serial": record.serial if record else 0, "prices": standing, "by": get_args(By), "per": get_args(Per),
    }  # fmt: skip


def keep(settings: Settings, form: PricesForm) -> View:
    """Keep a list in place of the one that the form was made from; every mistake is named, and nothing kept then."""
    try:
        prices = prices_of(form.prices, _THE_LIST())
    except PriceError as error:
        raise SettingsError(str(error), error.lines) from error
    with book_to_keep(settings) as book:
        standing = list_now(book)
        if form.was != (standing.serial if standing else 0):
            raise Refused(
                Wording("refused.prices_changed", "another price list was kept meanwhile: load the page again")()
            )
        keep_list(book, prices)
        return prices_view(book)


def price_routes(settings: Settings, door: Door) -> list[Route]:
    """The routes."""

    def seen() -> View:
        with book_of_rig(settings) as book:
            return prices_view(book)

    async def listed(request: Request) -> Response:
        door.supervisor(request)
        return WordedResponse(await run_in_threadpool(seen))

    async def kept(request: Request) -> Response:
        door.supervisor(request)
        form = PricesForm.model_validate_json(await request.body())
        return WordedResponse(await run_in_threadpool(keep, settings, form))

    return [Route("/api/prices", listed, methods=["GET"]), Route("/api/prices", kept, methods=["POST"])]
