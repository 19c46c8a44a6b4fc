"""What the record of work with the pump says of its own litres: the one place where that is judged.

Every record holds ``delivery``, ``billable`` and ``not_billable_because``, written by :func:`statement`; whoever bills,
matches, teaches or prints reads them by :func:`delivery_in` and the words here. It
must not know how a volume was counted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, get_args

from rig.units import show_pressure, show_volume

Delivery = Literal["known", "nothing", "not known"]
"""``known``: the record can be billed by itself. ``nothing``: no more than the meter could not measure anyway; there is
nothing to bill and nobody to ask. ``not known``: the record cannot tell where its litres are, a person's figure can."""
_KNOWN_TO = 0.05
"""A volume is known where its uncertainty at 95 % is at most this share of it. The shop's rule, no source."""

_LEAST_L = 0.37854
"""A tenth of a gallon, the least that a bill has: the least quantity of a record that does not hold its meter's."""


def delivery_of(net_l: float, net_u_l: float, least_l: float) -> Delivery:
    """Whether a net volume, either way, is known; ``net_u_l`` at 95 %, ``least_l`` the meter's least quantity.

    Nothing at all is consistent with nothing, and at most less than the meter is good for.
    """
    moved_l = abs(net_l)
    if moved_l > 0 and net_u_l <= _KNOWN_TO * moved_l:
        return "known"
    return "nothing" if moved_l <= net_u_l and moved_l + net_u_l < least_l else "not known"


def statement(net_l: float, net_u_l: float, least_l: float) -> dict[str, object]:
    """The fields of a record that say whether it can be billed by itself, and why not."""
    delivery = delivery_of(net_l, net_u_l, least_l)
    counted = f"{show_volume(abs(net_l))} ± {net_u_l:.1f} L"
    why = {
        "known": None,
        "nothing": f"nothing that could be measured was moved ({counted}; least quantity {least_l:g} L)",
        "not known": f"where the litres are is not known within 5 % ({counted}): "
        "a person's figure is needed, by scale, level or chart",
    }
    return {"delivery": delivery, "billable": delivery == "known", "not_billable_because": why[delivery]}


def delivery_in(record: Mapping[str, object]) -> Delivery:
    """What a record says of its litres; one that was written before records said so is judged by its uncertainty."""
    said = record.get("delivery")
    net_l, u_l = record.get("net_l"), record.get("net_u_l")
    if said is None and isinstance(net_l, int | float) and isinstance(u_l, int | float):
        return delivery_of(net_l, u_l, _LEAST_L)
    return next((each for each in get_args(Delivery) if each == said), "known")


def moved_words(record: Mapping[str, object], show: Callable[[float], str] = show_volume) -> str:
    """What went in, or came out of a wheel, as a person reads it: the figure only where the record knows it."""
    drawn = record.get("recovered_l") is not None
    moved_l, delivery = _litres(record, "recovered_l" if drawn else "net_l"), delivery_in(record)
    if delivery == "known":
        return show(moved_l)
    if record.get("measured_by", "pulses") in ("pulses", "total"):
        passed_l = _litres(record, "forward_l") - _litres(record, "returned_l")
        counted = f"{show(-passed_l if drawn else passed_l)} passed the meter"
    else:
        counted = f"{show(moved_l)} counted"
    what = "not known" if delivery == "not known" else "nothing that could be measured"
    return f"{what} ({counted}, ± {_litres(record, 'net_u_l'):z.1f} L)"


def pressure_left_words(record: Mapping[str, object], show: Callable[[float], str] = show_pressure) -> str:
    """What the tyre holds at the end as a person reads it: a rest after the last movement, else that none was read."""
    read, low, high = (record.get(name) for name in ("final_static_kpa", "final_low_kpa", "final_high_kpa"))
    # Before records told an interval they kept the last rest, whatever came after it.
    after = "final_low_kpa" in record or record.get("outcome") == "complete"
    if isinstance(read, int | float) and after:
        return f"{show(read)} at rest"
    if isinstance(low, int | float) and isinstance(high, int | float):
        return f"not read at rest; between {show(low)} and {show(high)} by the air space"
    return "not read at rest"


def _litres(record: Mapping[str, object], name: str) -> float:
    value = record.get(name) or 0.0
    assert isinstance(value, int | float), name
    return float(value)
