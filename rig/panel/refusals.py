"""Refusals as JSON responses with their status. It must not know what was asked."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from rig.panel.worded import WordedResponse
from rig.sentence import Sentence, Wording

SIGN_IN = Wording("refused.sign_in", "sign in first")
OLD_PAGE = Wording("refused.old_page", "this page is from an earlier sign-in: load it again")
WRONG_PIN = Wording("refused.wrong_pin", "name or PIN is wrong")
NO_OPERATION = Wording("refused.no_operation", "no such operation")
NO_QUOTE = Wording("refused.no_quote", "job '{job}' has no quote: make one first")


def says(text: str, status: int, **more: object) -> Response:
    """A refusal in words; as a sentence, too, where it is one."""
    told = {"told": text} if isinstance(text, Sentence) else {}
    return WordedResponse({"error": str(text), **told, **more}, status)


async def refused(_request: Request, error: Exception) -> Response:
    """A refusal that names its own status."""
    assert isinstance(error, HTTPException)
    return says(error.detail, error.status_code)


async def misread(_request: Request, _error: Exception) -> Response:
    """A form that this version of the page does not send."""
    return says(Wording("refused.misread", "not understood: load the page again")(), 422)
