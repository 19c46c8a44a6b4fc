"""What the page can reach, by the names that its code uses: every function, so that none is missed that no test runs.

A name stands for all that has it, so this is too much rather than too little; what is called by a text alone is missed.
"""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
Place = tuple[str, str]
"""A module and what is in it: a function, a class, a method, a table."""
STARTS = ("rig.panel.", "rig.run.facade", "rig.run.desk", "rig.run.service")
ELSEWHERE = ("rig.cli", "rig.commission", "rig.install", "rig.office", "rig.run.commissioning")
"""The terminal, the commissioning, and what trucks and office send to each other."""
_OF_A_RAISE = {"HTTPException": 1}
"""Place of the words among an error's arguments, where it is not the first."""


class Program:
    """Every definition of the program, and what each uses."""

    def __init__(self) -> None:
        self.defined: dict[Place, ast.AST] = {}
        self._methods: defaultdict[str, list[Place]] = defaultdict(list)
        self._imported: dict[str, dict[str, Place]] = {}
        for path in sorted((ROOT / "rig").rglob("*.py")):
            module = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            tree = ast.parse(path.read_text(encoding="utf-8"))
            self._imported[module] = {
                each.asname or each.name: (node.module, each.name)
                for node in ast.walk(tree)
                if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("rig")
                for each in node.names
            }  # type: ignore[misc]  # such a module has a name
            for node in tree.body:
                self._define(module, node)

    def _define(self, module: str, node: ast.stmt) -> None:
        if isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            self.defined |= {(module, each.id): node for each in targets if isinstance(each, ast.Name)}
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            self.defined[module, node.name] = node
        for inner in node.body if isinstance(node, ast.ClassDef) else ():
            if isinstance(inner, ast.FunctionDef | ast.AsyncFunctionDef):
                place = module, f"{node.name}.{inner.name}"  # type: ignore[attr-defined]  # it is the class
                self.defined[place] = inner
                self._methods[inner.name].append(place)

    def _named(self, module: str, name: str) -> Place | None:
        for _ in range(5):
            if (module, name) in self.defined:
                return module, name
            module, name = self._imported.get(module, {}).get(name, ("", ""))
        return None

    def _used(self, place: Place) -> Iterator[Place]:
        module, name = place
        node = self.defined[place]
        parts: list[ast.AST] = [node]
        if isinstance(node, ast.ClassDef):
            # Its fields and bases; of its methods those that are run unasked, the others where their names are used.
            unasked = [each for each in node.body if isinstance(each, ast.FunctionDef) and _is_unasked(each)]
            yield from ((module, f"{name}.{each.name}") for each in unasked)
            parts = [*node.bases, *(each for each in node.body if isinstance(each, ast.AnnAssign))]
        for each in (inner for part in parts for inner in ast.walk(part)):
            if isinstance(each, ast.Name) and (found := self._named(module, each.id)):
                yield found
            elif isinstance(each, ast.Attribute):
                yield from self._methods[each.attr]

    def reached(self) -> set[Place]:
        """All that is used from STARTS on, but for what is ELSEWHERE."""
        found: set[Place] = set()
        waiting = [place for place in self.defined if place[0].startswith(STARTS)]
        while waiting:
            place = waiting.pop()
            if place not in found and not place[0].startswith(ELSEWHERE):
                found.add(place)
                waiting += self._used(place)
        return found


def _is_unasked(method: ast.FunctionDef) -> bool:
    return method.name in ("__init__", "__post_init__") or any(
        "valid" in ast.unparse(each) for each in method.decorator_list
    )


def plain_refusals() -> dict[str, list[str]]:
    """By ``module.function``: errors that the page can reach and that are raised with a text instead of a sentence."""
    program = Program()
    found: defaultdict[str, list[str]] = defaultdict(list)
    for module, name in sorted(program.reached()):
        node = program.defined[module, name]
        for each in ast.walk(node) if not isinstance(node, ast.ClassDef) else ():
            if isinstance(each, ast.Raise) and isinstance(each.exc, ast.Call) and (text := _plain_text(each.exc)):
                found[f"{module}.{name}"].append(text)
    return found


def _plain_text(raised: ast.Call) -> str:
    place = _OF_A_RAISE.get(ast.unparse(raised.func), 0)
    for words in raised.args[place : place + 1]:
        joined = isinstance(words, ast.Call) and isinstance(words.func, ast.Attribute) and words.func.attr == "join"
        if joined or isinstance(words, ast.Constant | ast.JoinedStr | ast.BinOp | ast.IfExp):
            return ast.unparse(words)
        if isinstance(words, ast.Call) and ast.unparse(words.func) == "str":
            return ast.unparse(words)
    return ""
