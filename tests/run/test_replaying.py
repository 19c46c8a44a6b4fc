"""`rig replay` and `rig shadow` as their user runs them: the same to the bit, in words what differs, drawn, refused."""

from __future__ import annotations

import contextlib
import json
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from shop_books import fill_of as sealed_fill
from virtual_fills import fill_of, rig_settings

from rig.cli.commands import main
from rig.control.moves import decide, requests
from rig.control.safety import guards
from rig.ledger.black_box import FOLDER_NAME, hash_of
from rig.ledger.journal import Journal
from rig.record.work import About, Software, Work
from rig.run.assembly import Question
from rig.run.recorder import frozen
from rig.shop.posting import JOURNAL_NAME, software
from sim.taping import FileTape

ABOUT = About(size="11L-15", fluid="beet", temp_c=15.0, density_kg_m3=1282.0, ctl=1.0)
FAULT = "meter_dead@20"


def recorded(folder: Path, fill_id: str, fault: str = "", program: Software | None = None) -> FileTape:
    """A fill recorded in a rig's folder."""
    fill = fill_of(rig_settings(), Question("11L-15"), [fault] if fault else [])
    fill.setup = replace(fill.setup, fill_id=fill_id)
    tape = FileTape(folder / FOLDER_NAME, fill.setup, program or software())
    fill.tape = tape
    fill.run(600)
    tape.close()
    return tape


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a sound fill, one with an alarm, and one of another program."""
    folder = tmp_path_factory.mktemp("rig")
    recorded(folder / "rig-data", "fill-1")
    recorded(folder / "rig-data", "fill-2", FAULT)
    recorded(folder / "rig-data", "fill-3", FAULT, Software("0.9", "older"))
    return folder


@pytest.fixture
def at_rig(rig: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(rig)
    return rig


def said(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(words) == status
    shown = capsys.readouterr()
    return shown.out + shown.err


@pytest.mark.parametrize("fill_id", ["fill-1", "fill-2"])
def test_the_same_program_decides_alike(at_rig: Path, capsys: pytest.CaptureFixture[str], fill_id: str) -> None:
    assert "Identical to the bit." in said(capsys, "replay", fill_id)
    document = json.loads(said(capsys, "replay", fill_id, "--json"))
    assert {"fill_id", "scans", "identical", "first_difference"} <= document.keys()
    assert (document["fill_id"], document["identical"], document["first_difference"]) == (fill_id, True, None)
    assert document["scans"] > 100
    assert document["net_l_then"] == document["net_l_now"]


def test_what_is_decided_otherwise_is_told_in_words(
    at_rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    left = guards.by_scope(guard for guard in guards.GUARDS if guard.name != "no_flow")
    monkeypatch.setattr(guards, "WATCHED", left)
    text = said(capsys, "replay", "fill-2", status=3)
    for words in ("first otherwise in scan", "it saw: line ", "counts ", "alarm no_flow", "This is a defect"):
        assert words in text
    first = json.loads(said(capsys, "replay", "fill-2", "--json", status=3))["first_difference"]
    assert "alarm no_flow" in first["then"]
    assert "alarm no_flow" not in first["now"]
    assert first["saw"].startswith("line ")
    assert 20 < first["at_s"] < 60
    # Another program's fill: what it does differs, and that is no defect.
    older = said(capsys, "replay", "fill-3", status=3)
    assert "recorded by version 0.9 (older)" in older
    assert "defect" not in older


def test_a_request_that_is_heard_otherwise_is_told(
    at_rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(requests._HANDLERS, "start", lambda turn, request: ())
    first = json.loads(said(capsys, "replay", "fill-1", "--json", status=3))["first_difference"]
    assert "asked: start by" in first["saw"]


def test_a_defect_that_only_moves_a_number_shows_in_the_state(
    at_rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = decide.remember

    def remember(turn: object, outputs: object) -> None:
        real(turn, outputs)  # type: ignore[arg-type]
        turn.set(dry_s=turn.state.dry_s + 1e-15)  # type: ignore[attr-defined]

    monkeypatch.setattr(decide, "remember", remember)
    first = json.loads(said(capsys, "replay", "fill-1", "--json", status=3))["first_difference"]
    assert "a state with the sum" in first["then"]
    # By another program only what it does counts.
    assert json.loads(said(capsys, "replay", "fill-3", "--json"))["identical"]


def test_a_folder_in_the_shadow_of_this_program(
    at_rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for folder in ("rig-data", f"rig-data/{FOLDER_NAME}"):
        found = json.loads(said(capsys, "shadow", folder, "--json"))
        assert [found[name] for name in ("fills", "otherwise", "not_read")] == [3, 0, 0]
    left = guards.by_scope(guard for guard in guards.GUARDS if guard.name != "no_flow")
    monkeypatch.setattr(guards, "WATCHED", left)
    text = said(capsys, "shadow", "rig-data", status=3)
    assert text.startswith("3 fills: 2 decided otherwise by this program, 0 could not be read\n  fill-2:\n")
    assert "fill-1" not in text
    assert "no recordings of fills" in said(capsys, "shadow", ".", status=3)


def test_a_recording_that_cannot_be_read_is_told_and_the_others_are_replayed(
    at_rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = at_rig / "rig-data" / FOLDER_NAME / "fill-1.1.box.gz"
    (tmp_path / "fill-1.1.box.gz").write_bytes(whole.read_bytes())
    (tmp_path / "fill-9.1.box.gz").write_bytes(b"no gzip")
    found = json.loads(said(capsys, "shadow", str(tmp_path), "--json", status=3))
    assert (found["fills"], found["otherwise"], found["not_read"]) == (2, 0, 1)
    assert "nothing was recorded of fill 'none'" in said(capsys, "replay", "none", status=3)


def test_by_its_number_and_against_the_hash_in_its_record(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    tape = recorded(tmp_path / "rig-data", "fill-1")
    work = Work.from_document(sealed_fill("fill-1") | {"black_box": hash_of(tape.parts)})
    with contextlib.closing(Journal(tmp_path / "rig-data" / JOURNAL_NAME)) as journal:
        journal.open_fill("fill-1", "2026-11-29T10:00:00+00:00", ABOUT.document(), frozen(tape.setup), "{}")
        journal.close_fill("fill-1", work.document(), {})
    assert json.loads(said(capsys, "replay", "1", "--json"))["as_sealed"] is True
    box = tape.parts[0]
    box.write_bytes(box.read_bytes()[:-40])
    text = said(capsys, "replay", "1", status=3)
    assert "not the files that the record was sealed with" in text
    assert "ends before the fill does" in text


def test_it_is_drawn_with_its_alarms_named(at_rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("matplotlib")
    file = tmp_path / "fill.svg"
    said(capsys, "replay", "fill-2", "--plot", str(file))
    # Checked with the XML parser of the standard library.
    words = {(node.text or "").strip() for node in ET.parse(file).iter("{http://www.w3.org/2000/svg}text")}
    assert {"fill fill-2", "no flow", "pump run", "flow, L/min", "kPa", "psi", "tyre, as believed"} <= words
    again = tmp_path / "again.svg"
    said(capsys, "replay", "fill-2", "--plot", str(again))
    assert again.read_bytes() == file.read_bytes()
    said(capsys, "replay", "fill-1", "--plot", str(tmp_path / "fill.png"))
    assert (tmp_path / "fill.png").read_bytes().startswith(b"\x89PNG")


def test_a_drawing_that_cannot_be_made_says_what_to_do(
    at_rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "ends with .svg or .png" in said(capsys, "replay", "fill-1", "--plot", "fill.gif", status=3)
    nowhere = str(tmp_path / "none" / "fill.svg")
    assert "cannot be written" in said(capsys, "replay", "fill-1", "--plot", nowhere, status=3)
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    assert "ballast-rig[plot]" in said(capsys, "replay", "fill-1", "--plot", "fill.svg", status=3)
