"""How a page says no: the words of a refusal as JSON with its status. It must not know what was asked."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from rig.panel.told import Told
from rig.sentence import Sentence


def says(text: str, status: int) -> Response:
    """A refusal in words; as a sentence, too, where it is one."""
    return Told({"error": str(text), **({"told": text} if isinstance(text, Sentence) else {})}, status)


async def refused(_request: Request, error: Exception) -> Response:
    """A refusal that names its own status."""
    assert isinstance(error, HTTPException)
    return says(error.detail, error.status_code)


async def misread(_request: Request, _error: Exception) -> Response:
    """A form that this version of the page does not send."""
    return says("not understood: load the page again", 422)
