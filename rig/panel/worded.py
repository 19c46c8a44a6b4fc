"""How sentences cross to a page: with key, words and values, of which it makes its reader's language and units."""

from __future__ import annotations

from starlette.responses import JSONResponse

from rig.sentence import Sentence


def worded(document: object) -> object:
    """``document`` with each sentence in it as an object of ``key``, ``words`` and ``values``; all else as it is."""
    if isinstance(document, Sentence):
        if not document.key:
            return str(document)
        values = {"values": worded(document.values)} if document.values else {}
        return {"key": document.key, "words": document.wording, **values}
    if isinstance(document, dict):
        return {name: worded(value) for name, value in document.items()}
    if isinstance(document, list | tuple):
        return [worded(value) for value in document]
    return document


class WordedResponse(JSONResponse):
    """A document with sentences."""

    def render(self, content: object) -> bytes:
        """The document as it is sent."""
        return super().render(worded(content))
