"""The page's files, and its texts with what the shop has translated."""

from __future__ import annotations

import json
from pathlib import Path

from rig.run.shop_panel import PanelTable

STATIC = Path(__file__).resolve().parent / "static"


def texts_of(panel: PanelTable) -> dict[str, str]:
    """All texts of the page, one catalogue."""
    own = json.loads((STATIC / "texts.json").read_text(encoding="utf-8"))
    shop = json.loads(Path(panel.texts).read_text(encoding="utf-8")) if panel.texts else {}
    return {**own, **shop}
