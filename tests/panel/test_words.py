"""Every sentence has a key, and German words with the same places; which language a reader gets, what crosses."""

from __future__ import annotations

import copy
import json
import pickle
import re
from dataclasses import replace
from pathlib import Path

import pytest
from reached import plain_refusals
from starlette.requests import Request as HttpRequest
from test_web import Door
from wordings import texts, wordings

from rig.control.safety.guards import GUARD_NAMED, GUARDS
from rig.control.safety.permissives import Missing
from rig.control.words.prompts import AIR_UP, PROMPTS
from rig.control.words.values import Check
from rig.guide.asked import ready_checks
from rig.panel.catalogue import Language, languages_of
from rig.panel.faces import COOKIE, Faces
from rig.panel.view import checks_view
from rig.panel.worded import worded
from rig.run.refused import Refused
from rig.run.shop_panel import PanelTable
from rig.sentence import KINDS, Sentence, Wording, places, said_by

GERMAN = "texts.de.json"
ALIKE = re.compile(r"[\W\d_]*(?:\{\w+(?::\w+)?\}[\W\d_]*)*")
"""Words that are the same in any language: none, but places and marks."""


def test_every_alarm_check_and_prompt_is_a_sentence_with_its_key() -> None:
    alarms = [said for guard in GUARDS for said in (guard.text, guard.first)]
    checks = [check.text for wordings_of in ready_checks().values() for check in wordings_of]
    prompts = [words for variants in PROMPTS.values() for words in variants]
    assert len(alarms) == 2 * len(GUARDS)
    for said in (*alarms, *checks):
        assert isinstance(said, Sentence)
        assert wordings()[said.key] == said.wording
    assert {words.key for words in prompts} <= set(wordings())
    # What the types say: nothing else is taken.
    assert Check.__annotations__["text"] == Missing.__annotations__["text"] == "Sentence"


def test_german_has_every_text_with_the_same_places() -> None:
    english = texts() | wordings()
    german = texts(GERMAN)
    assert not texts().keys() & wordings().keys()
    assert german.keys() == english.keys()
    assert {key for key, text in german.items() if not text.strip()} == set()
    assert {key for key in english if places(english[key]) != places(german[key])} == set()
    assert {kind for text in english.values() for _, kind in places(text)} <= {"", *KINDS}


UNSAID = {
    "no entry of the page's": (
        "rig.books.notes.job_command", "rig.books.where.book_asked", "rig.books.where.book_written",
        "rig.books.where.day_of", "rig.books.where.surely",
    ),
    "the program's own mistake": (
        "rig.control.words.procedure._step", "rig.control.words.values.Outputs.__post_init__",
        "rig.meter.proving.prove", "rig.panel.assets._add", "rig.panel.assets._body", "rig.units._conversion",
        "rig.wheel.cavity.Cavity.level_of_fraction",
    ),
    "before there is a page, or between two processes": (
        "rig.panel.listening.listening", "rig.panel.process.PageProcess.start", "rig.panel.server.served",
        "rig.run.messages.length_of", "rig.run.messages.message_in", "rig.run.messages.same_program",
        "rig.run.sockets.own_user", "rig.run.stand_in.stand_in_of",
    ),
    "its lines are sentences": ("rig.panel.prices.keep", "rig.run.settings.settings_of"),
    "a fault of tables, which has its sentences in rig/sentence.py": ("rig.units.parse",),
    "caught, and said otherwise": ("rig.field.codec.decode", "rig.panel.configuring.ConfigForm._one"),
}  # fmt: skip
"""What raises errors with a text alone, by the reason why nobody reads it on the page."""


def test_what_the_page_can_refuse_it_says_in_sentences() -> None:
    assert set(plain_refusals()) == {place for places in UNSAID.values() for place in places}


def test_catalogues_are_sorted() -> None:
    for name in ("texts.json", GERMAN):
        assert list(texts(name)) == sorted(texts(name)), name


def test_german_is_not_english() -> None:
    """What is alike in both is a figure, a sign, an abbreviation or a name: short."""
    english, german = texts() | wordings(), texts(GERMAN)
    alike = {key: text for key, text in german.items() if english[key] == text and not ALIKE.fullmatch(text)}
    long = {key: text for key, text in alike.items() if len(text.split()) > 1 and not key.startswith("example.")}
    assert {key for key in long if not key.startswith(("units.", "minutes", "office.hours"))} == set()


def test_german_causes_have_at_most_six_words() -> None:
    assert {k: text for k, text in texts(GERMAN).items() if k.startswith("cause.") and len(text.split()) > 6} == {}


# --- sentences -----------------------------------------------------------------------------------------------------


def test_a_sentence_is_its_english_text_and_survives_copies() -> None:
    said = AIR_UP(up_to=103.42)
    assert said == "The air has pushed what it can: air the tyre up to 15.0 psi (103 kPa) through the gun, then go on."
    assert json.dumps(said) == json.dumps(str(said))
    for again in (copy.deepcopy(said), pickle.loads(pickle.dumps(said))):
        assert (again, again.key, again.values) == (said, "prompt.air_up", {"up_to": 103.42})
    assert said.in_order(us=False).endswith("up to 103 kPa (15.0 psi) through the gun, then go on.")


def test_a_wording_takes_its_values_and_no_others() -> None:
    words = Wording("any", "{litres:volume} of {what}, {count:number}")
    assert words(litres=37.85411784, what=Wording("some", "beet")(), count=2.50) == "37.9 L (10.0 gal) of beet, 2.5"
    assert words.outlined() == "… of …, …"
    for wrong in ({}, {"litres": 1.0, "what": "a"}, {"litres": 1.0, "what": "a", "count": 1, "more": 2}):
        with pytest.raises(TypeError, match="any takes"):
            words(**wrong)


def test_sentences_cross_with_words_and_values_wherever_they_stand() -> None:
    guard = GUARD_NAMED["line_high"]
    inner = Wording("inner", "so")()
    document = {"text": guard.text, "plain": "as it is", "list": [inner, 1], "deep": Wording("a", "{b}")(b=inner)}
    kpa = guard.text.values["over"]
    assert worded(document) == {
        "text": {"key": "alarm.line_high.text", "words": guard.words, "values": {"over": kpa}},
        "plain": "as it is",
        "list": [{"key": "inner", "words": "so"}, 1],
        "deep": {"key": "a", "words": "{b}", "values": {"b": {"key": "inner", "words": "so"}}},
    }


def test_questions_read_from_the_journal_are_sentences_again() -> None:
    asked = [check for wordings_of in ready_checks().values() for check in wordings_of]
    stored = [replace(check, text=Sentence(str(check.text), "", str(check.text), {})) for check in asked]
    for check, shown in zip(asked, checks_view(tuple(stored)), strict=True):
        said = shown["text"]
        assert isinstance(said, Sentence)
        assert (said, said.key, said.values.keys()) == (check.text, check.text.key, check.text.values.keys())
    other = replace(asked[0], text=Sentence("as it was", "", "as it was", {}))
    assert checks_view((other,))[0]["text"] == "as it was"


def test_an_error_says_the_sentence_that_it_was_raised_with() -> None:
    said = Wording("any", "no")()
    assert said_by(Refused(said)) is said
    assert said_by(Refused("plain")) == "plain"
    assert said_by(KeyError()) == ""


# --- which language ------------------------------------------------------------------------------------------------


def reader(accepted: str = "", cookie: str = "") -> HttpRequest:
    headers = [(b"accept-language", accepted.encode()), (b"cookie", cookie.encode())]
    return HttpRequest({"type": "http", "headers": [(name, value) for name, value in headers if value]})


@pytest.mark.parametrize(
    ("accepted", "cookie", "code"),
    [
        ("", "", "en"),
        ("de", "", "de"),
        # RFC 9110, 12.5.4: weights rank, and 0 is not acceptable; a region falls back to its language.
        ("de-AT,en;q=0.5", "", "de"),
        ("en;q=0.4, de;q=0.9", "", "de"),
        ("de;q=0, en", "", "en"),
        ("fr-FR, fr;q=0.9, de;q=0.2, *;q=0.1", "", "de"),
        ("fr", "", "en"),
        ("de;q=high, ;;, en", "", "en"),
        ("de", f"{COOKIE}=en", "en"),
        ("en", f"{COOKIE}=de", "de"),
        ("de", f"{COOKIE}=../../x", "de"),
    ],
)
def test_a_reader_gets_the_language_chosen_or_accepted(accepted: str, cookie: str, code: str) -> None:
    languages = {each: Language(each, {"language_name": each}) for each in ("en", "de")}
    faces = Faces(languages, {"rig": {}}, lambda given: f'<html lang="en">{given["language_name"]}')
    assert faces.of(reader(accepted, cookie)).language.code == code


async def test_the_page_comes_whole_in_german(tmp_path: Path) -> None:
    door = Door(tmp_path)
    english, german = [await door.client.get("/", headers={"Accept-Language": code}) for code in ("en", "de-CH")]
    assert '<html lang="en" dir="ltr">' in english.text
    assert '<html lang="de" dir="ltr">' in german.text
    assert ">STOPP</button>" in german.text
    assert german.headers["vary"].startswith("Accept-Language, Cookie")
    assert german.headers["etag"] != english.headers["etag"]
    programs = [re.search(r'src="(/static/app\.\w+\.js)"', each.text) for each in (english, german)]
    first, second = [(await door.client.get(found[1])).text for found in programs if found]
    sentence = texts(GERMAN)["alarm.no_flow.text"]
    assert sentence in second
    # Another language weighs nothing where it is not read.
    assert sentence not in first
    guide = (await door.client.get("/guide", headers={"Accept-Language": "de"})).text
    assert "Im Handbuch suchen" in guide
    assert '<article lang="en" dir="ltr">' in guide


async def test_a_refusal_crosses_as_text_and_as_sentence(tmp_path: Path) -> None:
    door = Door(tmp_path)
    refused = (await door.client.post("/api/act/hold", json={"id": "touch-0001"}, headers={"X-Rig": "page"})).json()
    assert refused == {"error": "sign in first", "told": {"key": "refused.sign_in", "words": "sign in first"}}


def test_a_shop_adds_a_language_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "ar.json").write_text(json.dumps({"language_name": "العربية", "stop": "قف"}), encoding="utf-8")
    found = languages_of(PanelTable(languages=str(tmp_path)))
    assert set(found) == {"en", "de", "ar"}
    assert (found["ar"].direction, found["ar"].texts["stop"], found["ar"].texts["hold"]) == ("rtl", "قف", "HOLD")
    with pytest.raises(ValueError, match="there is no folder"):
        PanelTable(languages=str(tmp_path / "nowhere"))
