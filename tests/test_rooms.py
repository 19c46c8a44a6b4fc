"""Which room may know which: imports read from the source, so that nothing has to be run to break a rule."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FACES = {"books", "panel", "cli"}
"""What a person sees: may know everything, and nothing below may know it."""
FORBIDDEN = {
    "units": {"wheel", "fluid", "plan", "control", "field", "ledger", "shop", "run"} | FACES,
    "record": {"wheel", "fluid", "plan", "control", "meter", "field", "ledger", "shop", "run"} | FACES,
    "wheel": {"plan", "control", "field", "ledger", "shop", "run"} | FACES,
    "fluid": {"plan", "control", "field", "ledger", "shop", "run"} | FACES,
    "plan": {"control", "field", "ledger", "shop", "run"} | FACES,
    "control": {"field", "ledger", "shop", "run", "meter"} | FACES,
    "meter": {"wheel", "plan", "control", "field", "ledger", "shop", "run"} | FACES,
    "field": {"wheel", "fluid", "plan", "control", "ledger", "run"} | FACES,
    "ledger": {"field", "shop", "run", "control"} | FACES,
    "shop": FACES,
    "run": FACES,
}
PURE = ("control", "plan", "wheel", "fluid", "meter")
IMPURE = {
    "time", "datetime", "random", "secrets", "os", "socket", "serial", "pymodbus", "subprocess", "threading",
    "multiprocessing", "asyncio", "concurrent", "logging", "sqlite3", "signal",
}  # fmt: skip
GENERATORS = {"rig.fluid.make_tables"}
"""Scripts that make packaged data at a desk; the program never imports them."""
OUTSIDE = {"open", "print", "input", "exec", "eval"}


@dataclass(frozen=True)
class Import:
    """One imported name: the module it stands for, where, and whether it is needed when the module is loaded."""

    module: str
    line: int
    at_load: bool


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


SOURCES = {module_name(path): path for top in ("rig", "sim") for path in sorted((ROOT / top).rglob("*.py"))}


def imports_of(source: str, module: str, *, package: bool = False) -> list[Import]:
    """Every import of a module, also those in functions and those for the type checker only."""
    found: list[Import] = []

    def visit(node: ast.AST, *, at_load: bool) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.Import):
                found.extend(Import(alias.name, child.lineno, at_load) for alias in child.names)
            elif isinstance(child, ast.ImportFrom):
                found.extend(_from(child, module, package=package, at_load=at_load))
            else:
                later = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
                typing = isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test)
                visit(child, at_load=at_load and not later and not typing)

    visit(ast.parse(source), at_load=True)
    return found


def _from(node: ast.ImportFrom, module: str, *, package: bool, at_load: bool) -> Iterator[Import]:
    base = node.module or ""
    if node.level:
        above = module.split(".")
        above = above[: len(above) - node.level + (1 if package else 0)]
        base = ".".join([*above, *([base] if base else [])])
    for alias in node.names:
        deeper = f"{base}.{alias.name}"
        yield Import(deeper if deeper in SOURCES else base, node.lineno, at_load)


IMPORTS = {
    name: imports_of(path.read_text(encoding="utf-8"), name, package=path.name == "__init__.py")
    for name, path in SOURCES.items()
}


def room(module: str) -> str:
    """The room of a module of the controller; empty for anything else."""
    parts = module.split(".")
    return parts[1] if parts[0] == "rig" and len(parts) > 1 else ""


def in_room(name: str) -> list[tuple[str, Import]]:
    return [(module, found) for module, imports in IMPORTS.items() if room(module) == name for found in imports]


def test_the_reader_of_imports_sees_every_kind() -> None:
    source = (
        "import os.path\nfrom rig import units\nfrom rig.wheel import Cavity, section\n"
        "if TYPE_CHECKING:\n    import sim\ndef f():\n    import time\n"
        "from . import x\nfrom ..field.points import Point\n"
    )
    found = {(each.module, each.at_load) for each in imports_of(source, "rig.control.fake")}
    assert found == {
        ("os.path", True), ("rig.units", True), ("rig.wheel", True), ("rig.wheel.section", True), ("sim", False),
        ("time", False), ("rig.control", True), ("rig.field.points", True),
    }  # fmt: skip


def test_every_room_is_there_and_has_its_rule() -> None:
    rooms = {room(module) for module in SOURCES} - {""}
    assert rooms <= set(FORBIDDEN) | FACES, f"a new room without a rule: {rooms - set(FORBIDDEN) - FACES}"
    assert set(FORBIDDEN) <= rooms


def test_the_controller_never_imports_the_simulator() -> None:
    guilty = [
        f"{module}:{found.line}"
        for module, imports in IMPORTS.items()
        if module.split(".")[0] == "rig"
        for found in imports
        if found.module.split(".")[0] in ("sim", "tests")
    ]
    assert guilty == []


@pytest.mark.parametrize("name", sorted(FORBIDDEN))
def test_a_room_knows_only_what_it_may(name: str) -> None:
    guilty = [
        f"{module}:{found.line} imports {found.module}"
        for module, found in in_room(name)
        if room(found.module) in FORBIDDEN[name]
    ]
    assert guilty == []


SHOWN = {"unconfirmed", "unsafe", "values", "procedure", "state", "snapshot", "guards", "checks"}
"""What the page may know of the controller: its words and its figures, never what decides."""


OF_RUN = {"assembly", "clock_memory", "metering", "mistakes", "names", "outputs", "prover", "removal", "session",
          "settings", "shop_wheels"}  # fmt: skip
"""What the shop may know of the work with the pump: its settings and questions, never the loop."""


def test_the_shop_does_not_work_the_pump() -> None:
    guilty = [
        f"{module}:{found.line} imports {found.module}"
        for module, found in in_room("shop")
        if room(found.module) == "run" and found.module.split(".")[2] not in OF_RUN
    ]
    assert guilty == []


def test_the_page_shows_and_does_not_decide() -> None:
    guilty = [
        f"{module}:{found.line} imports {found.module}"
        for module, found in in_room("panel")
        if (room(found.module) == "control" and found.module.split(".")[2] not in SHOWN)
        or (room(found.module) == "field" and found.module != "rig.field.points")
    ]
    assert guilty == []


@pytest.mark.parametrize("name", PURE)
def test_a_pure_room_has_no_clock_no_chance_and_no_outside(name: str) -> None:
    guilty = [
        f"{module}:{found.line} imports {found.module}"
        for module, found in in_room(name)
        if found.module.split(".")[0] in IMPURE and module not in GENERATORS
    ]
    assert guilty == []


@pytest.mark.parametrize("name", PURE)
def test_a_pure_room_opens_and_prints_nothing(name: str) -> None:
    guilty = [
        f"{module}:{node.lineno} calls {node.func.id}"
        for module, path in SOURCES.items()
        if room(module) == name and module not in GENERATORS
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in OUTSIDE
    ]
    assert guilty == []


def test_nothing_imports_a_generator() -> None:
    assert [module for module, imports in IMPORTS.items() for found in imports if found.module in GENERATORS] == []


def test_the_simulated_plant_decides_nothing() -> None:
    # What the plant does must not come from the code that it is there to test.
    guilty = [
        f"{module}:{found.line} imports {found.module}"
        for module, imports in IMPORTS.items()
        if module.startswith(("sim.plant", "sim.judge"))
        for found in imports
        # The judge may know the shapes of what it reads, as types, and the names of the values.
        if (found.at_load or module.startswith("sim.plant")) and found.module != "rig.control.values"
        if room(found.module) in {"control", "plan", "field", "ledger", "shop", "run"} | FACES
    ]
    assert guilty == []


def test_no_cycles() -> None:
    graph = {
        module: sorted({found.module for found in imports if found.at_load and found.module in SOURCES} - {module})
        for module, imports in IMPORTS.items()
    }
    assert cycle_in(graph) == []


def cycle_in(graph: dict[str, list[str]]) -> list[str]:
    """One cycle of a graph, or nothing."""
    done: set[str] = set()

    def walk(node: str, path: list[str]) -> list[str]:
        if node in path:
            return [*path[path.index(node) :], node]
        if node in done:
            return []
        for target in graph.get(node, []):
            found = walk(target, [*path, node])
            if found:
                return found
        done.add(node)
        return []

    return next((found for node in graph if (found := walk(node, []))), [])


def test_a_cycle_would_be_found() -> None:
    assert cycle_in({"a": ["b", "c"], "b": [], "c": ["d"], "d": ["b", "a"]}) == ["a", "c", "d", "a"]
    assert cycle_in({"a": ["b", "c"], "b": ["c"], "c": []}) == []
