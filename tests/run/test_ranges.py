"""Figures that cannot be are refused where they are entered, each with where its range comes from."""

from __future__ import annotations

import argparse

import pytest

from rig.cli.options import add_question_options, question_text
from rig.shop.questions import question_of
from rig.shop.ranges import OF_A_QUESTION
from rig.units import QuantityError


def asked(*words: str) -> object:
    parser = argparse.ArgumentParser()
    add_question_options(parser)
    return question_of(question_text(parser.parse_args(words)), "18.4-38")


@pytest.mark.parametrize(
    "word",
    [
        "--holds=-3 gal", "--holds=90000 gal", "--working-pressure=400 psi", "--working-pressure=-5 psi",
        "--start-pressure=400 psi", "--start-pressure=-20 psi", "--temp=500 degC", "--temp=-300 degC",
        "--coldest=-300 degC", "--coldest=80 degC",
    ],
)  # fmt: skip
def test_what_cannot_be_is_no_question(word: str) -> None:
    """Three gallons less than nothing inside were once filled on top."""
    with pytest.raises(QuantityError, match="cannot be"):
        asked(word)


def test_what_can_well_be_is_a_question() -> None:
    asked(
        "--holds=30 gal", "--working-pressure=16 psi", "--start-pressure=-1 psi", "--temp=5 degC", "--coldest=-30 degC"
    )


def test_every_range_says_where_it_comes_from() -> None:
    assert all(each.low < each.high and each.source for each in OF_A_QUESTION.values())
