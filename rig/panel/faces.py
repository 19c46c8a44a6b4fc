"""A page in each of its languages, and which one a reader gets: the device's choice, else what its browser asks for.

It must not know what a page says.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from html import escape

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from rig.panel.assets import Asset, Assets, made
from rig.panel.catalogue import ENGLISH, Language
from rig.sentence import Wording

COOKIE = "rig_language"
"""Kept by the page on the device that chose."""
_VARY = {"Vary": "Accept-Language, Cookie"}
_MOST_ASKED = 20


@dataclass(frozen=True, slots=True)
class Face:
    """A page in one language."""

    language: Language
    assets: Assets
    html: str

    def dressed(self, html: str) -> str:
        """A page's text with its language and direction, and the addresses of its files."""
        code, direction = escape(self.language.code), self.language.direction
        return self.assets.placed(html.replace('<html lang="en">', f'<html lang="{code}" dir="{direction}">', 1))


class Faces:
    """A page in all its languages."""

    def __init__(
        self,
        languages: Mapping[str, Language],
        given: Mapping[str, object],
        html: Callable[[Mapping[str, str]], str],
        main: str = "app",
        name: str = "Rig",
    ) -> None:
        """``html`` makes the page of a language's texts; its program begins with ``main`` and has ``given``."""
        choice = [{"code": each.code, "name": each.texts["language_name"]} for each in languages.values()]
        self._faces: dict[str, Face] = {}
        self.files: dict[str, Asset] = {}
        for code, language in languages.items():
            assets = made({**given, "texts": language.texts, "languages": choice}, main, name)
            self._faces[code] = Face(language, assets, html(language.texts))
            self.files |= assets.files

    @property
    def english(self) -> Face:
        """The page in English, for whoever asks for no other language of it."""
        return self._faces[ENGLISH]

    def of(self, request: Request) -> Face:
        """The page in the language of this reader."""
        asked = [request.cookies.get(COOKIE, ""), *_accepted(request.headers.get("accept-language", ""))]
        found = (self._faces.get(code) or self._faces.get(code.split("-")[0]) for code in asked)
        return next((face for face in found if face), self.english)

    def index(self, request: Request) -> Response:
        """The page; nothing of it is sent anew while it is the same."""
        face = self.of(request)
        html = face.dressed(face.html)
        mark = f'W/"{hashlib.sha256(html.encode()).hexdigest()[:16]}"'
        headers = {"ETag": mark, "Cache-Control": "no-cache", **_VARY}
        if request.headers.get("if-none-match") == mark:
            return Response(status_code=304, headers=headers)
        return HTMLResponse(html, headers=headers)

    def file(self, request: Request) -> Response:
        """A file of the page by its name."""
        asset = self.files.get(request.path_params["name"])
        if asset is None:
            raise HTTPException(404, Wording("refused.no_file", "no such file: load the page again")())
        if "gzip" in request.headers.get("accept-encoding", ""):
            return Response(asset.packed, headers={**asset.headers, "Content-Encoding": "gzip"}, media_type=asset.media)
        return Response(asset.plain, headers=asset.headers, media_type=asset.media)


def _accepted(header: str) -> list[str]:
    """The languages of an Accept-Language header, the most wanted first (RFC 9110, 12.5.4)."""
    ranked = []
    for part in header.split(",")[:_MOST_ASKED]:
        code, _, weight = part.partition(";")
        try:
            quality = float(weight.strip().removeprefix("q=")) if weight else 1.0
        except ValueError:
            continue
        if quality > 0 and code.strip():
            ranked.append((quality, code.strip()))
    return [code for _, code in sorted(ranked, key=lambda each: -each[0])]
