"""Commands run in a shop's folder: with what they print as one text, or with status and both streams."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from shop_books import fill_of, journal_with

from rig.cli import main


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of the records of a rig in the folder that commands are run in."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig-data").mkdir()
    return tmp_path / "rig-data"


@pytest.fixture
def run(data: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Run a command in an empty shop, expect its status, and return all that it prints."""
    journal_with(data)

    def run_one(*words: str, status: int = 0) -> str:
        assert main(list(words)) == status, capsys.readouterr()
        captured = capsys.readouterr()
        return captured.out + captured.err

    return run_one


@pytest.fixture
def ran(data: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Run a command in a shop with two fills; returns status, output and errors."""
    journal_with(data, fill_of("a"), fill_of("b", 10, net_l=259.9, position="rear right"))

    def run_one(*words: str) -> tuple[int, str, str]:
        status = main(list(words))
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return run_one
