"""Checks on loading a tote, and the composition of the load. Reads; writes nothing."""

from __future__ import annotations

from collections.abc import Sequence

from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.totes import Tote, same_fluid

_EMPTY_L = 0.5
"""A smaller rest in a tote does not spoil another liquid. Assumed, no source."""


def parts(source: Tote | None, tote: Tote, volume_l: float, fluid: str, lot: str) -> list[tuple[str, str, float]]:
    """Liquid, lot and litres of a load; Refused if the source does not hold it."""
    if source is None:
        return [(fluid or tote.fluid, lot, volume_l)]
    if source.name == tote.name:
        raise Refused(
            Wording("stock.itself", "{tote} is not loaded out of itself: name another by --from")(tote=tote.title)
        )
    left_l = source.content.left_l
    if left_l is not None and left_l < volume_l:
        raise Refused(
            Wording(
                "stock.not_there",
                "{tote} holds {volume:volume} by the book, {more:volume} do not come out of it: check "
                "the volume, or dip it: `rig stock dip --tote {name} --volume Q`",
            )(tote=source.title, volume=left_l, more=volume_l, name=source.name)
        )
    shares = source.content.part(volume_l) if not (fluid or lot) else []
    return shares or [(fluid or next(iter(source.fluids), ""), lot, volume_l)]


def check_room(tote: Tote, volume_l: float) -> None:
    """Refuse a load above the tote's capacity."""
    held_l = max(tote.content.left_l or 0.0, 0.0)
    if tote.capacity_l is not None and held_l + volume_l > tote.capacity_l:
        raise Refused(
            Wording(
                "stock.no_room",
                "{tote} takes {capacity:volume} and holds {volume:volume} by the book: {more:volume} "
                "do not go in. If less stands in it, dip it first: `rig stock dip --volume Q`",
            )(tote=tote.title, capacity=tote.capacity_l, volume=held_l, more=volume_l)
        )


def check_liquid(settings: Settings | None, tote: Tote, fluids: Sequence[str]) -> None:
    """Refuse a liquid other than that in the tote."""
    held_l = tote.content.left_l
    if held_l is None or held_l < _EMPTY_L:
        return
    for held in tote.fluids:
        other = next((each for each in fluids if each and not same_fluid(settings, each, held)), None)
        if other is not None:
            raise Refused(
                Wording(
                    "stock.mixes",
                    "{tote} holds {volume:volume} of {held} by the book, and this is {other}: load another "
                    "tote, empty it first, or say --mixed to record the mix knowingly",
                )(tote=tote.title, volume=held_l, held=held, other=other)
            )
