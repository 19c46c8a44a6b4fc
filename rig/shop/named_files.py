"""Files that a rig needs besides its folder: the configuration and the files it names, except private keys."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from rig.run.settings import Settings
from rig.shop.posting import software

_SECRET = b"PRIVATE KEY-----"
_KEY_WORDS = "the page's private key: put it back from where it is kept, or make a new certificate"


def about_folder(config: Path | None, folder: Path) -> dict[str, object]:
    """Origin data for the manifest of a copy."""
    known = config is not None and config.exists()
    return {**asdict(software()), "data": str(folder), "config": str(config) if known else None}


def named_files(settings: Settings | None, config: Path | None, folder: Path) -> tuple[list[str], list[str]]:
    """The configuration and the files it names outside the folder, and which of these are left out, in words.

    A private key is no record: whoever finds a copy must not be able to impersonate the page. OSError.
    """
    names = [str(config)] if config is not None and config.exists() else []
    names += [] if settings is None else _files_in(settings.model_dump(mode="json"))
    outside = [name for name in dict.fromkeys(names) if folder.resolve() not in Path(name).resolve().parents]
    secret = [name for name in outside if _SECRET in Path(name).read_bytes()]
    return [name for name in outside if name not in secret], [f"{name}, {_KEY_WORDS}" for name in secret]


def _files_in(value: object) -> Iterator[str]:
    """Every text in nested tables that names a file by a path."""
    if isinstance(value, dict):
        for each in value.values():
            yield from _files_in(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _files_in(each)
    elif isinstance(value, str) and ("/" in value or "." in value):
        with contextlib.suppress(OSError, ValueError):
            if Path(value).is_file():
                yield value
