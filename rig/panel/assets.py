"""The page's files as they are sent: a program, a style sheet and a picture, named by their content, made at start.

The program is bundled from its modules here, so that a shop needs no build step. It must not know people, nor requests.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from rig.panel.catalogue import STATIC

_IMPORT = re.compile(r"^import (\{[^}]*\}|\* as \w+) from '\./([\w-]+)\.js';\n", re.MULTILINE)
_EXPORT = re.compile(r"^export ((?:async )?function|const|class) (\w+)", re.MULTILINE)
_FOREVER = "public, max-age=31536000, immutable"
GIVEN = "given"
"""Name of the module that the server writes: what does not change while the page is served."""
SHARED = ("dom", "net", "units", "words")
"""Modules of the program that those which are loaded late have from it (`late.js`)."""
_LATE = ("customers", "film", "look", "settings", "stock", "tag")
_PLOTS = STATIC / "vendor" / "uplot-1.6.32.min.js"
"""uPlot 1.6.32 (MIT, uplot-LICENSE.txt beside it) as published, for the films; loaded with the first one."""


class BundleError(ValueError):
    """Modules that cannot be bundled; the text says which and why."""


def bundle(main: str, given: Mapping[str, object]) -> str:
    """One module from ``main`` and all that it imports, in their order; exports what ``main`` exports.

    Only the forms of import and export that the page uses are understood; a circle of imports is refused.
    """
    whole: dict[str, str] = {GIVEN: f"const from_given = {json.dumps(given, ensure_ascii=False)};\n"}
    _add(main, whole, ())
    exported = ", ".join(_exports(_source(main)))
    return f"{''.join(whole.values())}export const {{ {exported} }} = {_variable(main)};\n"


def late(name: str) -> str:
    """A module that is loaded when it is wanted: a function ``made`` of what it needs and the program has in any case.

    Other modules that it imports come with it.
    """
    whole = dict.fromkeys(SHARED, "")
    _add(name, whole, ())
    own = "".join(whole.values())
    given = ", ".join(f"{other}: {_variable(other)}" for other in SHARED)
    return f"export const made = ({{ {given} }}) => {{\n{own}return {_variable(name)};\n}};\n"


def _add(name: str, whole: dict[str, str], under: tuple[str, ...]) -> None:
    if name in under:
        raise BundleError(f"{' imports '.join([*under, name])}: modules import each other in a circle")
    if name in whole:
        return
    source = _source(name)
    for _, other in _IMPORT.findall(source):
        _add(other, whole, (*under, name))
    whole[name] = f"const {_variable(name)} = (() => {{\n{_body(name, source)}\n}})();\n"


def _body(name: str, source: str) -> str:
    """A module as the body of a function that returns what it exports."""
    body = _EXPORT.sub(r"\1 \2", _IMPORT.sub(_taken, source))
    if re.search(r"^(?:import|export) ", body, re.MULTILINE):
        raise BundleError(f"{name}.js: an import or export in a form that the bundle does not know")
    return f"{body}\nreturn {{ {', '.join(_exports(source))} }};"


def _taken(found: re.Match[str]) -> str:
    names, variable = found[1], _variable(found[2])
    wanted = names.removeprefix("* as ") if names.startswith("*") else names.replace(" as ", ": ")
    return f"const {wanted} = {variable};\n"


def _source(name: str) -> str:
    """A module without the lines that are comments."""
    return re.sub(r"(?m)^ *//.*\n", "", (STATIC / f"{name}.js").read_text(encoding="utf-8"))


def _exports(source: str) -> list[str]:
    return [name for _, name in _EXPORT.findall(source)]


def _variable(name: str) -> str:
    return f"from_{name}"


@dataclass(frozen=True, slots=True)
class Asset:
    """A file to send, plain and packed."""

    plain: bytes
    packed: bytes
    media: str

    @property
    def headers(self) -> dict[str, str]:
        """It never changes under its name."""
        return {"Cache-Control": _FOREVER, "Vary": "Accept-Encoding"}


@dataclass(frozen=True, slots=True)
class Assets:
    """All files by the name in their address, and that name by the file's own."""

    files: Mapping[str, Asset]
    names: Mapping[str, str]

    def placed(self, html: str) -> str:
        """A page's text with the addresses of this start."""
        for own, name in self.names.items():
            html = html.replace(f"/static/{own}", f"/static/{name}")
        return html


def made(given: Mapping[str, object], main: str = "app", name: str = "Rig") -> Assets:
    """Make the files of a page whose program begins with the module ``main``, installed under ``name``."""
    script, style = "text/javascript; charset=utf-8", "text/css; charset=utf-8"
    later = {
        **{each: late(each) for each in _LATE},
        "plots": f"{_PLOTS.read_text(encoding='utf-8')}\nexport default uPlot;\n",
        "notice": _source("notice"),
    }
    addresses = {name: f"/static/{_name(f'{name}.js', text.encode())}" for name, text in later.items()}
    texts = {
        f"{main}.js": (bundle(main, {**given, **addresses}), script),
        **{f"{name}.js": (text, script) for name, text in later.items()},
        "guide.js": (_source("guide"), script),
        "style.css": ((STATIC / "style.css").read_text(encoding="utf-8"), style),
        "icon.svg": ((STATIC / "icon.svg").read_text(encoding="utf-8"), "image/svg+xml"),
    }
    files, names = dict[str, Asset](), dict[str, str]()
    for own, (text, media) in texts.items():
        _add_file(files, names, own, text, media)
    _add_file(files, names, "rig.webmanifest", _manifest(name, names["icon.svg"]), "application/manifest+json")
    return Assets(files, names)


def _add_file(files: dict[str, Asset], names: dict[str, str], own: str, text: str, media: str) -> None:
    plain = text.encode()
    names[own] = _name(own, plain)
    files[names[own]] = Asset(plain, _packed(plain), media)


@lru_cache(maxsize=32)
def _packed(plain: bytes) -> bytes:
    """Compressed once: most files are the same in every language."""
    return gzip.compress(plain, 9, mtime=0)


def _name(own: str, plain: bytes) -> str:
    """A file's name with the hash of its content."""
    stem, kind = own.split(".")
    return f"{stem}.{hashlib.sha256(plain).hexdigest()[:12]}.{kind}"


def _manifest(name: str, icon: str) -> str:
    """What a phone needs to keep the page among its programs (Web Application Manifest, W3C)."""
    return json.dumps({
        "name": name, "short_name": name[:12], "id": "/", "start_url": "/", "display": "standalone",
        "background_color": "#fbfbf6", "theme_color": "#12160d",
        "icons": [{"src": f"/static/{icon}", "sizes": "any", "type": "image/svg+xml"}],
    })  # fmt: skip
