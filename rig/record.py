"""What the record of work with the pump says of its own litres: the one place where that is judged.

Every record holds ``delivery``, ``billable`` and ``not_billable_because``, written by :func:`statement`; whoever bills,
matches, teaches or prints reads them by :func:`delivery_in`. It must not know how a volume was counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, get_args

from rig.units import show_volume

Delivery = Literal["known", "nothing", "not known"]
"""``known``: the record can be billed by itself. ``nothing``: no more than the meter could not measure anyway; there is
nothing to bill and nobody to ask. ``not known``: the record cannot tell where its litres are, a person's figure can."""
_KNOWN_TO = 0.05
"""A volume is known where its uncertainty at 95 % is at most this share of it. The shop's rule, no source."""


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
    """What a record says of its litres; of one that was written before records said so, that they are known."""
    said = record.get("delivery")
    return next((each for each in get_args(Delivery) if each == said), "known")
