"""Every kind of sealed record with its type, and the JSON schema of all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from rig.record.base import OWN, VERSION, Document, Sealed, adapter
from rig.record.commissioning import Commissioned
from rig.record.notes import (
    SHARED,
    Charge,
    Chart,
    ClockSaid,
    Connect,
    Conversion,
    Customer,
    Dip,
    Figure,
    Finish,
    HandWork,
    Holds,
    Job,
    JobWheels,
    Load,
    Named,
    NotInChart,
    Offered,
    Picture,
    Prices,
    Printed,
    Restored,
    Returned,
    Rinsed,
    Shared,
    Site,
    Spilled,
    Taught,
    ToteFacts,
    Void,
)  # fmt: skip
from rig.record.papers import Bill, Invoice, Quote
from rig.record.proving import Event, MeterCheck, Proving
from rig.record.work import PumpWork

if TYPE_CHECKING:
    from pydantic_core.core_schema import NullableSchema

KINDS: dict[str, type[Sealed]] = {
    "fill": PumpWork, "vessel": PumpWork, "return": Returned, "rinse": Rinsed, "spill": Spilled, "charge": Charge,
    "step": HandWork, "holds": Holds, "finish": Finish, "figure": Figure, "conversion": Conversion, "job": Job,
    "wheels of a job": JobWheels, "customer": Customer, "site": Site, "tote": ToteFacts, "load": Load, "dip": Dip,
    "yard": Dip, "connect": Connect, "wheel": Taught, "quote": Quote, "bill": Bill, "invoice": Invoice,
    "prices": Prices, "logo": Picture, "print": Printed, "named": Named, "clock": ClockSaid, "restored": Restored,
    "void": Void, "chart": Chart, "not in chart": NotInChart, "event": Event, "proving": Proving,
    "commissioning": Commissioned,
    **{f"{SHARED}{kind}": Shared for kind in get_args(Offered)},
}  # fmt: skip
"""The type of each kind. Counted work of the kinds ``return`` and ``rinse`` is :class:`PumpWork` as well."""
_COUNTED = ("return", "rinse")


def read_kind(kind: str, text: str) -> Sealed:
    """Read the JSON of a record by its kind; RecordError if this version cannot, as a kind of a newer one."""
    said = KINDS.get(kind, Sealed).read(text)
    return PumpWork.read(text) if kind in _COUNTED and getattr(said, "number", None) is not None else said


def schema() -> Document:
    """The JSON schema (draft 2020-12) of what each kind says; keys that it does not name are of newer versions."""
    from pydantic import TypeAdapter
    from pydantic.json_schema import GenerateJsonSchema

    class Untitled(GenerateJsonSchema):
        def field_title_should_be_set(self, schema: object) -> bool:
            return False

        def nullable_schema(self, schema: NullableSchema) -> dict[str, Any]:
            made = super().nullable_schema(schema)
            types = [each.get("type") for each in made.get("anyOf", ()) if each.keys() == {"type"}]
            return {"type": types} if len(types) == len(made.get("anyOf", ())) > 0 else made

    sealed: dict[type[Sealed], None] = dict.fromkeys((Sealed, *KINDS.values(), PumpWork, MeterCheck))
    bases: list[type[Sealed]] = [base for of in sealed for base in of.mro() if issubclass(base, Sealed)]
    places, found = TypeAdapter.json_schemas(
        # Classes are hashable.
        [(of.__name__, "validation", adapter(of)) for of in dict.fromkeys(bases)],  # type: ignore[arg-type]
        schema_generator=Untitled,
    )
    defs = found["$defs"]
    del defs["Sealed"]["properties"][OWN]
    common = {*defs["Sealed"]["properties"]}
    for of in sealed:
        if of is Sealed:
            continue
        own = defs[of.__name__]
        own["properties"] = {name: each for name, each in own["properties"].items() if name not in {OWN, *common}}
        own["allOf"] = [places["Sealed", "validation"]]
        for name, each in own["properties"].items():
            # A field is described in the class that has it first.
            above = (defs[base.__name__]["properties"].get(name, {}) for base in of.mro() if base in bases)
            each.update(next(({"description": found["description"]} for found in above if "description" in found), {}))
    kinds: Document = {kind: places[of.__name__, "validation"] for kind, of in KINDS.items()}
    kinds |= {kind: {"anyOf": [kinds[kind], places["PumpWork", "validation"]]} for kind in _COUNTED}
    only_above = {base.__name__ for base in bases} - {of.__name__ for of in sealed}
    head: Document = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Records of the ballast rig's book",
        "description": f"Version {VERSION}. Each kind of record with the JSON of its body; units are last in a name.",
    }
    used = {name: each for name, each in defs.items() if name not in only_above}
    return {**head, "type": "object", "properties": kinds, "$defs": used}
