"""Every sentence of the program with its key: read from the sources, so that none is missed that no test runs."""

from __future__ import annotations

import ast
import json
from functools import cache
from pathlib import Path

from rig.control.safety.guards import GUARDS
from rig.guide.keys import key_wordings
from rig.panel.catalogue import STATIC
from rig.sentence import Wording, quantity_wordings

ROOT = Path(__file__).resolve().parents[2]
_BY_ROW = ("rig/control/words/alarm_words.py", "rig/sentence.py", "rig/guide/keys.py")
"""Make wordings of tables too: of the interlocks, of quantities by fault and kind, of the configuration by key."""


@cache
def wordings() -> dict[str, str]:
    """The English words of every sentence by their keys. AssertionError for one that is not written out, or twice."""
    found: dict[str, str] = {}
    for path in sorted((ROOT / "rig").rglob("*.py")):
        name = path.relative_to(ROOT).as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or ast.unparse(node.func) != "Wording":
                continue
            words = [each.value for each in node.args if isinstance(each, ast.Constant)]
            if name in _BY_ROW and len(words) < 2:
                continue
            assert len(words) == 2, f"{name}:{node.lineno}: key and words are not written out"
            key, text = map(str, words)
            assert key not in found, f"{name}:{node.lineno}: {key} has other words elsewhere"
            found[key] = text
    for guard in GUARDS:
        found |= {f"alarm.{guard.name}.text": guard.words, f"alarm.{guard.name}.first": guard.first_words}
    return found | key_wordings() | quantity_wordings()


def crossed(told: object) -> str:
    """The English text of what has crossed to the page as a sentence, or as a text."""
    if not isinstance(told, dict):
        return str(told)
    given = told.get("values", {})
    values = {name: crossed(each) if isinstance(each, dict) else each for name, each in given.items()}
    return Wording(told["key"], told["words"])(**values)


def texts(name: str = "texts.json") -> dict[str, str]:
    """A file of texts."""
    found: dict[str, str] = json.loads((STATIC / name).read_text(encoding="utf-8"))
    return found
