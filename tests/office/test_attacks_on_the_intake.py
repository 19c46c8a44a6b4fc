"""Of drawn forged, changed, reordered, cut, replayed and grafted bundles none is taken in; the honest one is."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from attacking import ATTACKS, attacked, prepared
from offices import Desk, chain_in

from rig.office.intake import take_piece
from rig.office.keys import HEAD, StaleError
from rig.office.messages import Request, checked

COUNT = int(os.environ.get("RIG_ATTACKS", "500"))
"""How many are drawn; the figure in the decision is that of 100,000."""


@pytest.mark.timeout(3600)
def test_of_drawn_attacks_none_is_accepted(office: Desk, tmp_path: Path) -> None:
    attacker = prepared(tmp_path, office, 33)
    accepted = attacked(attacker, COUNT)
    print(f"{COUNT} attacks, {sum(accepted.values())} accepted {dict(accepted)}")
    assert accepted.total() == 0
    # The office did not simply refuse everything: the honest piece is still taken, once.
    piece = attacker.waiting()
    assert take_piece(office.register, office.key, attacker.other, piece) == len(piece.rows)
    assert take_piece(office.register, office.key, attacker.other, piece) == 0
    assert office.chain("truck-other") == chain_in(tmp_path / "other")


def test_a_message_is_heard_once(office: Desk, tmp_path: Path) -> None:
    attacker = prepared(tmp_path, office, 1)
    with pytest.raises(StaleError):
        office.ask("exchange", attacker.heard[0].model_dump_json())


@pytest.mark.parametrize("attack", ATTACKS, ids=lambda each: each.__name__)
def test_each_attack_is_one(office: Desk, tmp_path: Path, attack: object) -> None:
    """What is drawn differs from the honest piece, or is one that the office has: so its refusal says something."""
    attacker = prepared(tmp_path, office, 2)
    assert callable(attack)
    honest = attacker.waiting()
    for _ in range(20):
        piece = attack(attacker)
        assert piece != honest
    key = office.register.valid_key(attacker.other, 1)
    assert checked(honest, attacker.other, key, HEAD) == honest.records
    assert Request.read(attacker.heard[-1].text).pieces == (honest,)
