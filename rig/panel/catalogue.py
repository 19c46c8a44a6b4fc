"""The page's files, and its texts in each language. It must not know requests.

``texts.json`` has the page's own texts in English; the controller's sentences bring their English words with them. The
file of another language, ``texts.CODE.json``, has both.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rig.run.shop_panel import PanelTable

STATIC = Path(__file__).resolve().parent / "static"
ENGLISH = "en"
OF_THE_FORM = ("config.", "form.", "key.", "summary.", "wiring.")
"""Begin the keys of texts that come with the configuration, when its form is opened."""
_OWN = (ENGLISH, "de")
_RIGHT_TO_LEFT = frozenset({"ar", "arc", "ckb", "dv", "fa", "he", "ku", "ps", "sd", "syr", "ug", "ur", "yi"})
"""Languages written from right to left (IANA language subtags; the scripts of Unicode CLDR)."""


@dataclass(frozen=True, slots=True)
class Language:
    """A language of the page: its code (BCP 47), and its texts by their keys."""

    code: str
    texts: Mapping[str, str]
    of_the_form: Mapping[str, str] = field(default_factory=dict)
    """Further texts, which come with the configuration's form."""

    @property
    def direction(self) -> str:
        """The value of ``dir``."""
        return "rtl" if self.code.split("-")[0].casefold() in _RIGHT_TO_LEFT else "ltr"


def texts_of(panel: PanelTable) -> dict[str, str]:
    """The page's texts in English, with those that the shop words otherwise."""
    return _read(STATIC / "texts.json") | (_read(Path(panel.texts)) if panel.texts else {})


def languages_of(panel: PanelTable, without: str = "") -> dict[str, Language]:
    """Every language of the page by its code, with the shop's own; what a file lacks stays English.

    ``without`` begins the keys of texts that another page has.
    """
    english = texts_of(panel)
    files = {code: STATIC / f"texts.{code}.json" for code in _OWN if code != ENGLISH}
    files |= {path.stem: path for path in sorted(Path(panel.languages).glob("*.json"))} if panel.languages else {}
    texts = {ENGLISH: english, **{code: english | _read(path) for code, path in files.items()}}
    return {code: _language(code, given, without) for code, given in texts.items()}


def _language(code: str, texts: dict[str, str], without: str) -> Language:
    late = {key: text for key, text in texts.items() if key.startswith(OF_THE_FORM)}
    own = {key: text for key, text in texts.items() if key not in late and not (without and key.startswith(without))}
    return Language(code, own, late)


def _read(path: Path) -> dict[str, str]:
    found: dict[str, str] = json.loads(path.read_text(encoding="utf-8"))
    return found
