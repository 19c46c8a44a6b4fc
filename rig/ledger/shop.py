"""The shop's own data in its price file: its identity, the layout of its papers, tax rounding, its accounts.

Pure: tables to values. An address is a few lines; postcode, city and country are separate for those that need them so.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from decimal import Decimal, InvalidOperation
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from rig.sentence import Wording

Rounding = Literal["line", "sum"]
Units = Literal["us", "metric"]
_Text = Annotated[str, Field(max_length=120)]
ACCOUNTING_FIELDS = (
    "invoice", "type", "date", "due", "customer_number", "customer", "job", "text", "quantity", "unit", "price",
    "amount", "category", "account", "tax_percent", "tax", "tax_account", "currency", "cancels",
)  # fmt: skip
"""Allowed fields of a column of the accounting table."""


class Strict(BaseModel):
    """A table of the price file: immutable, and an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Party(Strict):
    """A party on a paper: a shop or a customer. ``country`` is the two letters of ISO 3166-1."""

    name: str = Field(min_length=1, max_length=120)
    address: tuple[_Text, ...] = Field(default=(), max_length=4)
    """Its lines as printed, without postcode and city if those are given separately."""
    postcode: _Text = ""
    city: _Text = ""
    country: str = Field(default="", pattern="^([A-Z]{2})?$")
    tax_number: _Text = ""
    phone: _Text = ""
    email: _Text = ""

    @field_validator("address", mode="before")
    @classmethod
    def _lines(cls, value: object) -> object:
        return [line.strip() for line in value.splitlines() if line.strip()] if isinstance(value, str) else value

    def lines(self) -> list[str]:
        """The address as printed under the name."""
        place = " ".join(part for part in (self.postcode, self.city) if part)
        return [*self.address, *([place] if place else [])]


class Shop(Party):
    """The table ``[shop]``."""

    terms: _Text = ""
    """Terms of payment, in words."""
    due_days: int | None = Field(default=None, ge=0, le=365)
    bank: _Text = ""
    """A line that states where to pay."""
    iban: str = Field(default="", max_length=34)
    logo: str = ""
    """A PNG or SVG file next to the price file; in the book, the digest of its stored picture."""
    units: Units = "metric"
    """Units printed first on paper."""
    paper: Literal["A4", "letter"] = "A4"
    zone: str = ""
    """Name of the papers' time zone, such as ``America/Chicago``; empty: the computer's."""
    invoice_prefix: str = Field(default="", max_length=12, pattern=r"^[\w./-]*$")
    """Prefix of each number: two trucks of one shop must not issue the same one."""

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

        if value:
            try:
                ZoneInfo(value)
            except (ZoneInfoNotFoundError, ValueError, OSError) as error:
                raise ValueError(
                    Wording(
                        "price_list.no_zone",
                        "'{value}' is no time zone of this computer; write for example Europe/Oslo",
                    )(value=value)
                ) from error
        return value


class TaxRule(Strict):
    """The table ``[tax]``: whether tax is rounded per line, or on the sum per rate."""

    rounding: Rounding = "line"
    name: str = Field(default="tax", min_length=1, max_length=20)


class Accounting(Strict):
    """The table ``[accounting]``: columns of the CSV by their headings, and accounts by category and rate."""

    columns: tuple[tuple[str, str], ...] = Field(min_length=1)
    """Heading and field, in order; a table in the file."""
    accounts: dict[str, str] = Field(default_factory=dict)
    tax_accounts: dict[str, str] = Field(default_factory=dict)
    """By percent, written as under ``[taxes]``."""
    delimiter: Literal[",", ";", "\t"] = ","
    decimal: Literal[".", ","] = "."
    date: str = "%Y-%m-%d"

    @field_validator("tax_accounts")
    @classmethod
    def _percents(cls, value: dict[str, str]) -> dict[str, str]:
        for percent in value:
            try:
                Decimal(percent)
            except InvalidOperation as error:
                raise ValueError(
                    Wording("price_list.no_percent", '\'{percent}\' is no percent: write for example "8.25" = "2200"')(
                        percent=percent
                    )
                ) from error
        return value

    @field_validator("columns", mode="before")
    @classmethod
    def _in_order(cls, value: object) -> object:
        return tuple(value.items()) if isinstance(value, dict) else value

    @field_validator("columns")
    @classmethod
    def _known_columns(cls, value: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
        for heading, field in value:
            if field not in ACCOUNTING_FIELDS:
                close = difflib.get_close_matches(field, ACCOUNTING_FIELDS, n=1, cutoff=0.5)
                hint = f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(ACCOUNTING_FIELDS)}"
                raise ValueError(
                    Wording("price_list.no_field", "'{heading}' = '{field}': no such field{hint}")(
                        heading=heading, field=field, hint=hint
                    )
                )
        return value


def party_of(document: Mapping[str, object]) -> Party:
    """The party in a record; other fields are ignored."""
    return Party.model_validate({name: document[name] for name in Party.model_fields if document.get(name)})


def head_lines(shop: Shop) -> Sequence[str]:
    """Lines under the shop's name on its papers."""
    tax = [f"Tax number {shop.tax_number}"] if shop.tax_number else []
    return [*shop.lines(), *(part for part in (shop.phone, shop.email) if part), *tax]
