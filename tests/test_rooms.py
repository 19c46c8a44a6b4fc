"""Which room may know which: the contracts in pyproject.toml hold, no module imports itself by way of others, and the
pure rooms open and print nothing."""

from __future__ import annotations

import ast
import graphlib
from pathlib import Path

import grimp
import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parents[1]
PURE = ("control", "plan", "wheel", "fluid", "meter", "commission")
OUTSIDE = {"open", "print", "input", "exec", "eval"}


def test_the_contracts_hold() -> None:
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True) == 0


def test_no_cycles() -> None:
    """Imports in functions count as well; those for the type checker only do not."""
    graph = grimp.build_graph("rig", "sim", exclude_type_checking_imports=True, cache_dir=None)
    imports = {module: graph.find_modules_directly_imported_by(module) - {module} for module in graph.modules}
    graphlib.TopologicalSorter(imports).prepare()


@pytest.mark.parametrize("room", PURE)
def test_a_pure_room_opens_and_prints_nothing(room: str) -> None:
    guilty = [
        f"{path.name}:{node.lineno} calls {node.func.id}"
        for path in sorted((ROOT / "rig" / room).rglob("*.py"))
        if path.name != "make_tables.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in OUTSIDE
    ]
    assert guilty == []
