"""One browser for the tests of a file; each leaves it without a page, since a page that is left open goes on asking."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from pages import browsing
from playwright.sync_api import Browser


@contextmanager
def _running(loop: asyncio.AbstractEventLoop | None) -> Iterator[None]:
    """The browser's event loop counts as running only while a test uses it: asynchronous tests have their own."""
    before = asyncio._get_running_loop()
    asyncio._set_running_loop(loop)
    try:
        yield
    finally:
        asyncio._set_running_loop(before)


@pytest.fixture(scope="module")
def started_browser() -> Iterator[tuple[Browser, asyncio.AbstractEventLoop | None]]:
    with browsing() as found:
        loop = asyncio._get_running_loop()
        with _running(None):
            yield found, loop


@pytest.fixture
def browser(started_browser: tuple[Browser, asyncio.AbstractEventLoop | None]) -> Iterator[Browser]:
    found, loop = started_browser
    with _running(loop):
        yield found
        for context in found.contexts:
            context.close()
