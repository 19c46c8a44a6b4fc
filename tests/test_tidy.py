"""The limits of the house: sizes, docstrings, words that must not be claimed, places that may catch everything."""

from __future__ import annotations

import ast
import re
import statistics
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
CODE = sorted(path for top in ("rig", "sim") for path in (ROOT / top).rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
TEXTS = [
    path
    for top in ("rig", "sim", "config", "tests", "docs")
    for path in sorted((ROOT / top).rglob("*"))
    if path.suffix in {".py", ".toml", ".md", ".json", ".csv", ".html", ".js", ".css", ".txt"}
] + [path for path in sorted(ROOT.iterdir()) if path.suffix in {".md", ".toml", ".cfg"}]

LONGEST_FUNCTION = 60
LONGEST_FILE = 400
MEDIAN_FUNCTION = 10

BROAD = {
    (
        "rig/cli/commands.py",
        "main",
    ): "an error without an exit status is raised again",
    ("rig/units.py", "parse"): "pint lets many kinds of exception out of its parser; each means: no quantity",
    ("rig/field/modbus.py", "_call"): "the library's decoders let foreign exceptions out on malformed frames",
    ("rig/ledger/journal.py", "_transaction"): "rolled back and raised again, whatever it was",
    ("sim/devices.py", "action"): "the library would turn it into an exception reply; raised again where it is seen",
}
"""Where anything may be caught, and why. A new place needs a reason here."""


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


Function = ast.FunctionDef | ast.AsyncFunctionDef


def functions(path: Path) -> list[Function]:
    return [node for node in ast.walk(parsed(path)) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]


def length(function: Function) -> int:
    return (function.end_lineno or function.lineno) - function.lineno + 1


def test_there_is_something_to_look_at() -> None:
    assert len(CODE) > 50
    assert any(named(path) == "rig/control/moves/decide.py" for path in CODE)


def test_test_files_have_names_of_their_own() -> None:
    """Without packages the test runner imports them by their bare names; two of one name break the collection."""
    names = [path.name for path in TESTS if path.name.startswith("test_")]
    assert not {name for name in names if names.count(name) > 1}


def test_functions_are_short() -> None:
    long = [
        f"{named(path)}:{function.lineno} {function.name} has {length(function)} lines"
        for path in CODE
        for function in functions(path)
        if length(function) > LONGEST_FUNCTION
    ]
    assert long == []


def test_half_of_the_functions_are_very_short() -> None:
    lengths = [length(function) for path in CODE for function in functions(path)]
    assert statistics.median(lengths) <= MEDIAN_FUNCTION


def test_files_are_short() -> None:
    lines = {named(path): len(path.read_text(encoding="utf-8").splitlines()) for path in [*CODE, *TESTS]}
    assert {name: count for name, count in lines.items() if count > LONGEST_FILE} == {}


def test_every_module_says_what_it_is_for() -> None:
    silent = [named(path) for path in [*CODE, *TESTS] if len(ast.get_docstring(parsed(path)) or "") < 20]
    assert silent == []


# --- words ----------------------------------------------------------------------------------------------------------

CLAIM = re.compile(
    r"legal[- ]for[- ]trade|type[- ]approved|\bcertified\b|\bcertificate of\b|safety[- ]rated|\bSIL ?[1-4]\b"
    r"|\bapproved\b|\bguarantee[ds]?\b|\bfail[- ]?safe\b|100 ?% (?:safe|accurate)",
    re.IGNORECASE,
)
DENIAL = re.compile(r"\b(?:not|no|nor|never|without|neither|none|cannot|isn't|refuse[sd]?)\b|NOT_", re.IGNORECASE)
OWN_PATH = re.compile(r"(?<![\w.:/\\-])/(?:work|opt(?!/ballast-rig)|root|home|Users|mnt|srv)/\w|\b[A-Z]:\\\\?Users")
UNFINISHED = re.compile(r"\b(?:TODO|FIXME|XXX|HACK)\b")


def lines_with(pattern: re.Pattern[str], text: str) -> list[tuple[int, str]]:
    return [(number, line) for number, line in enumerate(text.splitlines(), 1) if pattern.search(line)]


def claims(text: str) -> list[int]:
    """Lines that claim what this is not; a denial on the line or the one before is what we want to read."""
    lines = ["", *text.splitlines()]
    return [number for number, line in lines_with(CLAIM, text) if not DENIAL.search(f"{lines[number - 1]} {line}")]


def found_in_texts(find: object) -> list[str]:
    assert callable(find)
    return [
        f"{named(path)}:{number}"
        for path in TEXTS
        if path != Path(__file__).resolve()
        for number in find(path.read_text(encoding="utf-8"))
    ]


def test_a_claim_is_told_from_a_denial() -> None:
    assert claims("A certified meter.\n\nThis is legal for trade.\nSafety-rated stop.") == [1, 3, 4]
    assert claims("This rig is not\ncertified, and no part of it is legal-for-trade.") == []


def test_nothing_is_claimed_that_is_not_so() -> None:
    assert found_in_texts(claims) == []


def test_no_path_of_one_machine() -> None:
    assert OWN_PATH.search("see /home/jo/rig") is not None
    assert OWN_PATH.search("a 400/home/x ratio") is None
    assert found_in_texts(lambda text: [number for number, _ in lines_with(OWN_PATH, text)]) == []


def test_nothing_is_left_for_later() -> None:
    assert found_in_texts(lambda text: [number for number, _ in lines_with(UNFINISHED, text)]) == []


# --- catching everything --------------------------------------------------------------------------------------------


def broad_places(tree: ast.Module) -> list[str]:
    """Names of the functions that catch every exception, or swallow every one."""
    places: list[str] = []

    def visit(node: ast.AST, inside: str) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.ExceptHandler) and _broad(child.type):
                places.append(inside)
            if isinstance(child, ast.Call) and ast.unparse(child.func).endswith("suppress"):
                places.extend(inside for argument in child.args if _broad(argument))
            is_function = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef)
            visit(child, child.name if is_function else inside)  # type: ignore[attr-defined]

    visit(tree, "")
    return places


def _broad(kind: ast.expr | None) -> bool:
    if isinstance(kind, ast.Tuple):
        return any(_broad(each) for each in kind.elts)
    return kind is None or (isinstance(kind, ast.Name) and kind.id in ("Exception", "BaseException"))


def test_a_broad_catch_is_seen() -> None:
    source = (
        "def f():\n    try:\n        pass\n    except (OSError, Exception):\n        pass\n"
        "def g():\n    with contextlib.suppress(Exception):\n        pass\n"
        "def h():\n    try:\n        pass\n    except ValueError:\n        pass\n"
        "try:\n    pass\nexcept:\n    pass\n"
    )
    assert broad_places(ast.parse(source)) == ["f", "g", ""]


def test_everything_is_caught_only_where_there_is_a_reason() -> None:
    found = sorted((named(path), place) for path in CODE for place in broad_places(parsed(path)))
    assert found == sorted(BROAD)


# --- tests and papers -----------------------------------------------------------------------------------------------


def test_tests_neither_mock_nor_sleep_the_thread() -> None:
    guilty = [
        f"{named(path)}:{node.lineno}"
        for path in TESTS
        for node in ast.walk(parsed(path))
        if (isinstance(node, ast.Import | ast.ImportFrom) and "mock" in ast.unparse(node))
        or (isinstance(node, ast.Call) and ast.unparse(node.func) == "time.sleep")
    ]
    assert guilty == []


@pytest.mark.parametrize(
    ("name", "about"),
    [
        ("README.md", "what it is, run it in five minutes, limits of use"),
        ("DEVELOPERS.md", "rooms, the path of a litre and of a touch, how to add and to test"),
        ("LICENSE", "terms"),
    ],
)
def test_the_papers_are_there(name: str, about: str) -> None:
    path = ROOT / name
    assert path.exists(), f"{name} is missing; it should say: {about}"
    assert len(path.read_text(encoding="utf-8")) > 500, f"{name} says too little; it should say: {about}"


def test_the_readme_says_what_this_is_not() -> None:
    path = ROOT / "README.md"
    assert path.exists(), "README.md is missing"
    text = path.read_text(encoding="utf-8").lower()
    for word in ("simulated", "emergency stop", "legal for trade"):
        assert word in text, f"README.md does not speak of {word!r}"
