"""One browser for the tests of a file; each leaves it without a page, since a page that is left open goes on asking."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from pages import browsing
from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def started_browser() -> Iterator[Browser]:
    with browsing() as found:
        yield found


@pytest.fixture
def browser(started_browser: Browser) -> Iterator[Browser]:
    yield started_browser
    for context in started_browser.contexts:
        context.close()
