"""What a configuration says of paths, and of what switches the outputs off when the program cannot."""

from __future__ import annotations

import re
import socket
import tomllib
from datetime import date
from pathlib import Path

import pytest

from rig.cli import main
from rig.run.assembly import Question
from rig.run.check import check_text
from rig.run.facade import Facade
from rig.run.outputs import field_of, unguarded
from rig.run.settings import SettingsError, load_settings, settings_of
from rig.shop.before import foreknown

CONFIG = Path(__file__).parents[2] / "config"


def test_paths_are_relative_to_the_configuration_whatever_folder_the_program_is_started_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = tmp_path / "shop" / "rig.toml"
    config.parent.mkdir()
    text = (CONFIG / "demo.toml").read_text(encoding="utf-8")
    (config.parent / "de.json").write_text("{}")
    config.write_text(text + '[panel]\ntexts = "de.json"\n', encoding="utf-8")
    found = set()
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        monkeypatch.chdir(tmp_path / folder)
        settings = load_settings(Path("..") / "shop" / "rig.toml")
        found.add((Path(settings.rig.data).resolve(), Path(settings.panel.texts).resolve()))
    assert found == {(config.parent / "rig-data", config.parent / "de.json")}
    config.write_text(text.replace('data = "rig-data"', 'data = "/var/lib/rig"'), encoding="utf-8")
    assert load_settings(config).rig.data == "/var/lib/rig"


@pytest.mark.parametrize(
    ("limits", "told"),
    [
        ({"timeout_fixed": True}, "limits.timeout_fixed"),
        ({"timeout_proven_on": date(2026, 11, 2)}, ""),
    ],
)
def test_a_time_out_is_a_register_or_fixed(limits: dict[str, object], told: str) -> None:
    document = tomllib.loads((CONFIG / "demo.toml").read_text(encoding="utf-8"))
    document["limits"] |= limits
    if told:
        with pytest.raises(SettingsError, match=told):
            settings_of(document, "test")
    else:
        settings_of(document, "test")
    del document["points"]["output_timeout"]
    document["limits"] |= {"timeout_fixed": False, "timeout_proven_on": date(2026, 11, 2)}
    with pytest.raises(SettingsError, match=r"limits.timeout_proven_on: no time-out is configured"):
        settings_of(document, "test")


def test_a_rig_that_nothing_switches_off_is_told_so_and_a_heartbeat_or_a_time_out_answers_it() -> None:
    document = tomllib.loads((CONFIG / "demo.toml").read_text(encoding="utf-8"))
    assert not unguarded(settings_of(document, "test"))
    del document["points"]["output_timeout"], document["limits"]["timeout_proven_on"]
    assert unguarded(settings_of(document, "test"))
    assert "Nothing switches the outputs off" in check_text(settings_of(document, "test"))[1]
    told = foreknown(settings_of(document, "test"), Question("11L-15")).target.cautions
    assert any("Nothing switches the outputs off" in caution.text for caution in told)
    fixed = {**document, "limits": {**document["limits"], "timeout_fixed": True}}
    assert not unguarded(settings_of(fixed, "test"))
    beats = {**document["points"], "heartbeat": {"link": "io", "table": "coil", "address": 4}}
    assert not unguarded(settings_of({**document, "points": beats}, "test"))


@pytest.mark.parametrize(
    "words",
    [
        ["rinse", "--unattended"],
        ["prove", "--can", "20 L", "--unattended"],
        ["loaded", "--size", "11L-15", "--unattended"],
        ["empty", "--size", "11L-15", "--holds", "40 L", "--valve-at", "6", "--unattended"],
        ["fill", "--size", "11L-15", "--unattended"],
    ],
    ids=lambda words: words[0],
)
@pytest.mark.parametrize("guarded", [True, False], ids=["time-out", "nothing"])
def test_every_start_says_that_nothing_switches_the_outputs_off(
    words: list[str], guarded: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It was said before a fill and a removal, and not before a rinse, a proving or a look."""
    with socket.socket() as bound:
        # Nobody listens there, so nothing begins; a port of its own, since the rig's lock is by its wires and
        # the cases may run at the same time.
        bound.bind(("127.0.0.1", 0))
        port = f"port = {bound.getsockname()[1]}"
        text = (CONFIG / "demo.toml").read_text(encoding="utf-8").replace("port = 5020", port)
        if not guarded:
            kept = (line for line in text.splitlines() if not line.startswith(("output_timeout", "timeout_proven_on")))
            text = "\n".join(kept)
        (tmp_path / "rig.toml").write_text(text, encoding="utf-8")
        assert main([*words, "--config", str(tmp_path / "rig.toml")]) == 5
    assert ("Nothing switches the outputs off" in capsys.readouterr().out) is not guarded


def test_the_page_says_so_before_every_work() -> None:
    document = tomllib.loads((CONFIG / "demo.toml").read_text(encoding="utf-8"))
    assert Facade(settings_of(document, "test")).snapshot().cautions == ()
    del document["points"]["output_timeout"], document["limits"]["timeout_proven_on"]
    (caution,) = Facade(settings_of(document, "test")).snapshot().cautions
    assert "Nothing switches the outputs off" in caution.text


def test_only_an_output_is_write_only_and_that_is_told() -> None:
    document = tomllib.loads((CONFIG / "demo.toml").read_text(encoding="utf-8"))
    document["points"]["estop_ok"]["write_only"] = True
    with pytest.raises(SettingsError, match=r"points.estop_ok.write_only: only an output is written"):
        settings_of(document, "test")
    del document["points"]["estop_ok"]["write_only"]
    document["points"]["vent_valve"]["write_only"] = True
    settings = settings_of(document, "test")
    assert "vent_valve" not in settings.read
    assert "Not read back: vent_valve" in check_text(settings)[1]


def test_the_commented_example_of_run_and_direction_and_of_a_second_bus_is_sound() -> None:
    text = (CONFIG / "rs485-relays.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^pump_(run|reverse) .*\n", "", text)
    text = re.sub(r"(?m)^# (motor_\w+ .*|direction_settle .*|gun_bore .*)$", r"\1", text)
    text = re.sub(r"(?m)^# (\[links.slow\]|(?:kind|port|baud|scan|late|stale) = .*)$", r"\1", text)
    text = text.replace('# tote_level = { link = "bus"', 'tote_level = { link = "slow"')
    of = settings_of(tomllib.loads(text), "test")
    assert {"pump_run", "pump_reverse"} <= of.outputs
    assert of.direction_settle_s == 1.0
    assert of.own_stale_s == {"tote_level": 2.0}
    turning = field_of(of).turning
    assert turning is not None
    assert turning.shows == ("motor_direction", "motor_direction_feedback")
