"""What every page carries in its own text: STOP with its words and script, there before anything else is.

It must not know people, nor a request.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from html import escape

from rig.panel.catalogue import STATIC

STOP_SCRIPT = (STATIC / "stop.js").read_text(encoding="utf-8")
SCRIPT_HASH = f"sha256-{base64.b64encode(hashlib.sha256(STOP_SCRIPT.encode()).digest()).decode()}"
"""For the policy that allows this inline script and no other."""
_SAID = ("pressed", "sent", "off", "seen", "nothing", "unknown", "not_off", "not_seen")
_PLACE = "<!-- STOP -->"


def stop_part(texts: Mapping[str, str]) -> str:
    """The rail with STOP, the places of words, and the script."""
    words = json.dumps({name: texts[f"stop_{name}"] for name in _SAID}, ensure_ascii=False)
    return (
        '<footer id="foot"><div id="act"></div><button type="button" id="stop" class="stop" data-part="stop" '
        f'aria-keyshortcuts="Escape" data-words="{escape(words)}">{escape(texts["stop"])}</button></footer>\n'
        '<div id="words"><div id="stop-said" role="alert"></div>'
        '<div id="said" role="status" aria-live="polite"></div></div>\n'
        f"<script>{STOP_SCRIPT}</script>"
    )


def index_page(texts: Mapping[str, str]) -> str:
    """The page, whole."""
    return (STATIC / "index.html").read_text(encoding="utf-8").replace(_PLACE, stop_part(texts))
