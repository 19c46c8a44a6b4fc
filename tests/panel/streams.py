"""The page's stream as a program reads it: a whole picture at first, then what has changed."""

from __future__ import annotations

import json
from typing import Any

Picture = dict[str, Any]


def merged(before: Picture, line: str) -> Picture:
    """The picture after a line of the stream; the same as before after a line that is no picture."""
    if not line.startswith("data: "):
        return before
    told: Picture = json.loads(line.removeprefix("data: "))
    if "whole" in told:
        whole: Picture = told["whole"]
        return whole
    within = told.pop("in_fill", None)
    return {**before, **told, **({"fill": {**before["fill"], **within}} if within else {})}
