"""The work states at 360×740 in German and from right to left: nothing runs over, no English is left, STOP in reach.

The language from right to left is made of the English texts, letter by letter in another script: as long, and unlike.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from pages import signed_in_abroad
from playwright.sync_api import Browser, Page, expect
from stills import STATES, Stills, stills
from test_frame import LOOK, PARTS, faults_of, gone_to
from wordings import texts, wordings

from rig.sentence import places

WIDTH, HEIGHT = 360, 740
PICTURES = os.environ.get("RIG_PICTURES", "")
"""A folder to keep a picture of each state in."""
LETTERS = {**dict(zip("abcdefghijklmnopqrstuvwxyz", "ابجدهوزحطيكلمنسعفصقرشتثخذض", strict=True)), " ": " "}
TEXT = re.compile(r"(\{\w+(?::\w+)?\})")
NAMES = re.compile(r"^(?:Jo|Sam|rig|loader-rear|beet|water|16\.9-28|11L-15|example\..*|units\..*)$")
NO_KEY = re.compile(r".*\b(?:the|of|with|is|are|and|to|for|this|that|by)\b.*", re.IGNORECASE | re.DOTALL)
"""Words that no German sentence has: they show what has no key, too."""
SEEN = """() => [...document.querySelectorAll('body *')].filter((e) => e.checkVisibility({ visibilityProperty: true }))
  .filter((e) => !['SCRIPT', 'TITLE', 'PRE', 'OPTION'].includes(e.tagName) && !e.closest('pre'))
  .flatMap((e) => [...[...e.childNodes].filter((n) => n.nodeType === 3).map((n) => n.data), e.ariaLabel, e.placeholder])
  .filter((text) => text && text.trim()).map((text) => text.trim())"""


def mirrored(text: str) -> str:
    """Words in another script, with their places as they are."""
    parts = TEXT.split(text)
    return "".join(
        part if TEXT.fullmatch(part) else "".join(LETTERS.get(letter.lower(), letter) for letter in part)
        for part in parts
    )


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stills]:
    folder = tmp_path_factory.mktemp("languages")
    words = {key: mirrored(text) for key, text in (texts() | wordings()).items()}
    (folder / "more").mkdir()
    (folder / "more" / "ar.json").write_text(json.dumps(words), encoding="utf-8")
    with stills(folder, panel__languages=str(folder / "more")) as found:
        yield found


def signed_in(browser: Browser, served: Stills, locale: str) -> Page:
    """A page whose browser asks for a language, signed in and with the controls."""
    served.show("ready check")
    served.sessions.driver = None
    return signed_in_abroad(browser, served.url, locale, "Jo")


def taken(page: Page, name: str) -> None:
    if PICTURES:
        lang = page.evaluate("document.documentElement.lang")
        page.screenshot(path=str(Path(PICTURES) / f"{lang}-{name.replace(' ', '-')}.png"))


def patterns(given: dict[str, str], but: dict[str, str]) -> list[tuple[str, re.Pattern[str]]]:
    """Each text as what it looks like once its places are filled, where another language says it otherwise."""
    found = []
    for key, text in given.items():
        bare = re.sub(r"[\W\d_]", "", TEXT.sub("", text))
        if but[key] == text or len(bare) < 4 or NAMES.match(key):
            continue
        parts = ["(.+?)" if TEXT.fullmatch(part) else re.escape(part) for part in TEXT.split(text)]
        found.append((key, re.compile("".join(parts))))
    return found


def left_over(seen: list[str], given: dict[str, str], but: dict[str, str]) -> list[str]:
    """What is seen that is a text of the one language and none of the other."""
    mine = [pattern for _, pattern in patterns(but, given)]
    theirs = [*patterns(given, but), ("no key", NO_KEY)]
    foreign = [text for text in seen if not any(pattern.fullmatch(text) for pattern in mine)]
    found = ((next((key for key, each in theirs if each.fullmatch(text)), None), text) for text in foreign)
    return [f"{key}: {text}" for key, text in found if key is not None]


def test_what_is_left_over_is_found() -> None:
    english, german = texts() | wordings(), texts("texts.de.json")
    assert left_over(["Take the gun off.", "STOPP", "14.6 psi"], english, german) == [
        "prompt.gun_off: Take the gun off."
    ]
    said = "The tyre stands at 29,0 psi: let it down below 15,0 psi at the valve first."
    assert [each.split(":")[0] for each in left_over([said], english, german)] == ["missing.arrival_pressure"]
    assert left_over([german["prompt.gun_off"], "29,0 psi"], english, german) == []
    assert left_over(["a word of warning"], english, german) == ["no key: a word of warning"]


@pytest.mark.full
@pytest.mark.parametrize(("locale", "code", "direction"), [("de-DE", "de", "ltr"), ("ar-EG", "ar", "rtl")])
def test_every_state_fits_in_another_language(
    browser: Browser, served: Stills, locale: str, code: str, direction: str
) -> None:
    page = signed_in(browser, served, locale)
    root = page.locator("html")
    expect(root).to_have_attribute("lang", code)
    expect(root).to_have_attribute("dir", direction)
    english = texts() | wordings()
    other = texts("texts.de.json") if code == "de" else {key: mirrored(text) for key, text in english.items()}
    faults: list[str] = []
    for name in STATES:
        gone_to(page, served, name)
        look = page.evaluate(LOOK, list(PARTS))
        faults += faults_of(name, code, look, large=False)
        faults += [f"{name}: {each}" for each in left_over(page.evaluate(SEEN), english, other)]
        taken(page, name)
        if name in ("ready check", "tripped", "held", "filling"):
            page.locator("#details").click()
            faults += [f"{name}, details: {each}" for each in left_over(page.evaluate(SEEN), english, other)]
            taken(page, f"{name} details")
            page.locator("#details").click()
    assert faults == []


def test_numbers_and_units_are_the_reader_s_inside_sentences(browser: Browser, served: Stills) -> None:
    page = signed_in(browser, served, "de-DE")
    gone_to(page, served, "by hand")
    prompt = page.locator("#prompt")
    words = re.sub(r"\\\{(\w+):\w+\\\}", r"(?P<\1>.+?)", re.escape(texts("texts.de.json")["prompt.lever_fill"]))
    assert places(texts("texts.de.json")["prompt.lever_fill"]) == {("target", "volume"), ("ceiling", "pressure")}

    def said() -> tuple[str, str]:
        found = re.fullmatch(words, prompt.inner_text())
        assert found is not None, prompt.inner_text()
        return found["target"], found["ceiling"]

    target, ceiling = said()
    assert re.fullmatch(r"\d+,\d gal", target)
    assert re.fullmatch(r"\d+,\d psi", ceiling)
    page.locator("button.menu").click()
    page.locator("#pages select").first.select_option("bar")
    target, ceiling = said()
    assert re.fullmatch(r"\d+,\d L", target)
    assert re.fullmatch(r"\d,\d\d bar", ceiling)


def test_the_device_keeps_its_language(browser: Browser, served: Stills) -> None:
    page = signed_in(browser, served, "de-DE")
    page.locator("button.menu").click()
    page.locator("#language").select_option("en")
    expect(page.locator("html")).to_have_attribute("lang", "en")
    expect(page.locator("#stop")).to_have_text("STOP")
    # Who was signed in still is.
    expect(page.locator(".who")).to_contain_text("Jo")
    page.reload()
    expect(page.locator("html")).to_have_attribute("lang", "en")
