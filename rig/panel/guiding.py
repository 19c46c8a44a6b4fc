"""The guide on the page: an address for each topic, search, and STOP. Readable without sign-in; moves nothing.

Its text is the program's own, the question a reader's: both are escaped, and no markup of either is passed on.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from html import escape
from itertools import pairwise
from urllib.parse import quote

from markdown_it import MarkdownIt
from markdown_it.renderer import RendererProtocol
from markdown_it.token import Token
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from rig.guide.search import near, search
from rig.guide.topics import contents, find
from rig.panel.faces import Faces
from rig.panel.shell import stop_part

_LONGEST = 100
"""Characters of a question."""
_MANY = 6
"""Headings from which a page begins with a list of them."""
Texts = Mapping[str, str]
Sent = tuple[str, int]
"""A page's text and status."""


def guide_routes(faces: Faces) -> list[Route]:
    """The routes. The guide itself is in English; what stands around it is in the reader's language."""

    async def listed(request: Request) -> Response:
        asked = request.query_params.get("q", "")[:_LONGEST].strip()
        return await sent(request, _found if asked else _contents, asked)

    async def topic(request: Request) -> Response:
        return await sent(request, _topic, request.path_params["name"][:_LONGEST])

    async def sent(request: Request, make: Callable[[Texts, str], Sent], asked: str) -> Response:
        face = faces.of(request)
        html, status = await run_in_threadpool(make, face.language.texts, asked)
        return HTMLResponse(face.dressed(html), status)

    return [Route("/guide", listed, methods=["GET"]), Route("/guide/{name:path}", topic, methods=["GET"])]


def html_of(text: str) -> str:
    """Markdown of the guide as HTML: no markup passed through, links to topics, headings with names, nothing inline."""
    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    parser.add_render_rule("code_block", _commands)
    tokens = parser.parse(text)
    heads = list(_heads(tokens))
    for token in tokens:
        if token.type == "fence":
            # Drawings and files keep their lines: they scroll sideways, by key, too.
            token.attrSet("tabindex", "0")
        for inner in token.children or ():
            if inner.type == "link_open":
                inner.attrSet("href", f"/guide/{inner.attrs['href']}")
    for number, (head, _) in enumerate(heads):
        head.attrSet("id", f"part-{number}")
    ways = "".join(f'<li><a href="#part-{number}">{escape(words)}</a></li>' for number, (_, words) in enumerate(heads))
    body: str = parser.renderer.render(tokens, parser.options, {})
    return f"<ul>{ways}</ul>{body}" if len(heads) >= _MANY else body


def _commands(_: RendererProtocol, tokens: Sequence[Token], at: int, *__: object) -> str:
    """Each line of a block of commands by itself, so that one which is wrapped can be distinguished from the next."""
    return f"<pre>{''.join(f'<code>{escape(line)}</code>' for line in tokens[at].content.splitlines())}</pre>\n"


def _heads(tokens: list[Token]) -> Iterator[tuple[Token, str]]:
    """The headings and their words."""
    for head, inline in pairwise(tokens):
        if head.type == "heading_open":
            yield head, re.sub(r"[`*]", "", inline.content)


def _contents(texts: Texts, _: str) -> Sent:
    return _page(texts, texts["guide"], html_of(contents()))


def _topic(texts: Texts, name: str) -> Sent:
    if not name:
        return _contents(texts, name)
    topic = find(name)
    return _found(texts, name) if topic is None else _page(texts, topic.title, html_of(topic.make()))


def _found(texts: Texts, asked: str) -> Sent:
    hits = search(asked)
    if hits:
        items = (
            f'<li><a href="/guide/{quote(hit.topic)}">{escape(hit.title)}</a><p>{escape(hit.excerpt)}</p></li>'
            for hit in hits
        )
        return _page(texts, asked, f"<ul>{''.join(items)}</ul>", asked)
    close = near(asked)
    said = f"<p>{escape(texts['guide_nothing'])}</p>"
    if close:
        ways = "".join(f'<li><a href="/guide?q={quote(each)}">{escape(each)}</a></li>' for each in close)
        said += f"<p>{escape(texts['guide_near'])}</p><ul>{ways}</ul>"
    return _page(texts, asked, said, asked, status=404)


def _page(texts: Texts, title: str, body: str, asked: str = "", status: int = 200) -> Sent:
    said = {name: escape(texts[name]) for name in ("guide", "guide_back", "guide_find", "guide_go")}
    said |= {"title": escape(title), "asked": escape(asked), "body": body, "stop": stop_part(texts)}
    return _WHOLE.format_map(said), status


_WHOLE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<link rel="icon" href="/static/icon.svg">
<link rel="stylesheet" href="/static/style.css">
<script type="module" src="/static/guide.js"></script>
</head>
<body class="guide">
<header id="top"><a class="link" href="/guide">{guide}</a><a class="link" id="back" href="/">{guide_back}</a></header>
<main id="work">
<form id="find" role="search"><label for="q">{guide_find}</label>
<div><input id="q" type="search" value="{asked}" maxlength="100"><button class="do">{guide_go}</button></div></form>
<article lang="en" dir="ltr"><h1>{title}</h1>
{body}</article>
</main>
{stop}
</body>
</html>
"""
