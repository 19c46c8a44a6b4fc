"""What a command that only answers does not load: a technician waits for each of these at every start."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = {
    "sqlalchemy", "alembic", "pint", "numpy", "pymodbus", "serial", "asyncio", "starlette", "uvicorn", "fpdf", "argon2",
    "rich", "segno", "cryptography",
}  # fmt: skip
PRINT_LOADED = """
import sys
from rig.cli import main
try:
    main(sys.argv[1:])
finally:
    print(*sys.modules, file=sys.stderr)
"""


@pytest.mark.parametrize("words", [["--help"], ["target", "16.9-28"], ["target", "--help"], ["fluid", "beet"]])
def test_an_answer_needs_no_bus_no_book_no_page_and_no_units_library(words: list[str]) -> None:
    done = subprocess.run([sys.executable, "-c", PRINT_LOADED, *words], capture_output=True, text=True, check=True)
    assert done.stdout
    assert set(done.stderr.split()) & HEAVY == set()


def test_whoever_signs_in_is_added_without_the_page() -> None:
    done = subprocess.run(
        [sys.executable, "-c", PRINT_LOADED, "people", "--help"], capture_output=True, text=True, check=True
    )
    assert set(done.stderr.split()) & {"starlette", "uvicorn", "sqlalchemy", "fpdf"} == set()
