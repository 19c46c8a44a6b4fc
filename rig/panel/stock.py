"""The totes for the page: the contents of each by the book, and a person's reports: loaded, dipped, connected.

The form's fields go through the parser of the command line's options, so both accept the same words. It must not know
requests.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from rig.books.stock import add_stock, keep_entry, stock_document
from rig.books.where import options_of
from rig.panel.asking import Touch
from rig.panel.jobs import book_of_rig, book_to_keep
from rig.run.settings import Settings
from rig.shop.totes import totes_of

_TEXT = Field(default="", max_length=60)


class StockForm(Touch):
    """A person's report on a tote; an empty field is not reported."""

    action: Literal["load", "dip", "connect", "tote"]
    tote: str = _TEXT
    volume: str = _TEXT
    within: str = _TEXT
    source: str = _TEXT
    """Loaded out of this tote or yard tank."""
    lot: str = _TEXT
    fluid: str = _TEXT
    reorder: str = _TEXT
    capacity: str = _TEXT
    mixed: bool = False
    sure: bool = False


def stock_view(settings: Settings) -> dict[str, object]:
    """Every tote, the connected one first."""
    with book_of_rig(settings) as book:
        return stock_document(totes_of(book))


def enter_stock(settings: Settings, form: StockForm, by: str) -> dict[str, object]:
    """Keep a person's report; returns every tote with the new state. QuantityError, Refused."""
    given = form.model_dump(exclude={"id", "action", "source", "mixed", "sure"}) | {"from": form.source, "by": by}
    words = [f"--{name}={text.strip()}" for name, text in given.items() if text.strip()]
    words += [f"--{name}" for name in ("mixed", "sure") if getattr(form, name)]
    options = options_of(add_stock, "stock", [form.action, *words])
    with book_to_keep(settings) as book:
        keep_entry(book, options, settings, once=form.id)
        return stock_document(totes_of(book))
