"""The configuration on the page: read by the supervisor, checked before it is written, counted, never during a fill."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path

import pytest
from pages import OTHER_PIN, opened, page_served, sign_in
from playwright.sync_api import Browser, expect

from rig.ledger.lock import RigLock
from rig.panel.configuring import ConfigForm, config_view, write_config
from rig.run.interrupted import journal_of
from rig.run.refused import Refused
from rig.run.settings import Settings, SettingsError, load_settings

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def shop(tmp_path: Path) -> tuple[Settings, Path]:
    path = tmp_path / "rig.toml"
    text = (ROOT / "config" / "demo.toml").read_text(encoding="utf-8")
    path.write_text(re.sub(r"(?m)^data = .*$", f'data = "{tmp_path}/data"', text, count=1), encoding="utf-8")
    return load_settings(path), path


def form_of(settings: Settings, path: Path, old: str, new: str) -> ConfigForm:
    view = config_view(settings, path)
    text, was = view["toml"], view["was"]
    assert isinstance(text, str)
    assert isinstance(was, str)
    assert text.count(old) == 1
    return ConfigForm(text=text.replace(old, new), was=was)


def test_what_is_written_is_checked_counted_and_told_with_its_keys(shop: tuple[Settings, Path]) -> None:
    settings, path = shop
    kept = write_config(settings, path, form_of(settings, path, 'ceiling = "20 psi"', 'ceiling = "18 psi"'), "Sam")
    assert kept["changed"] == {"limits.ceiling": ["20 psi", "18 psi"]}
    # 18 psi are 124.1 kPa: 6.894757 kPa each (NIST SP 811, appendix B.8).
    assert load_settings(path).limits.ceiling == pytest.approx(124.106, abs=0.001)
    assert settings.limits.ceiling == pytest.approx(137.895, abs=0.001)
    with contextlib.closing(journal_of(Path(settings.rig.data))) as journal:
        (event,) = journal.events()
        assert journal.event_counts()["configuration"] == 1
    assert (event.by, event.what["changed"]) == ("Sam", kept["changed"])


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('trip = "25 psi"', 'trip = "45 psi"', "above 35 psi"),
        ('flow = "40 L/min"', 'flow = "40"', "pump.flow"),
        ("[limits]", "[limits", "is not TOML"),
    ],
)
def test_a_mistake_is_told_and_nothing_is_written(shop: tuple[Settings, Path], old: str, new: str, word: str) -> None:
    settings, path = shop
    before = path.read_bytes()
    with pytest.raises(SettingsError, match=word):
        write_config(settings, path, form_of(settings, path, old, new), "Sam")
    assert path.read_bytes() == before
    assert [each.name for each in path.parent.glob("*.toml*")] == ["rig.toml"]


def test_nothing_is_written_while_the_rig_works_or_over_another_change(shop: tuple[Settings, Path]) -> None:
    settings, path = shop
    form = form_of(settings, path, 'ceiling = "20 psi"', 'ceiling = "18 psi"')
    with RigLock(Path(settings.rig.data)), pytest.raises(Refused, match="a fill runs"):
        write_config(settings, path, form, "Sam")
    path.write_text(path.read_text(encoding="utf-8") + "# by hand\n", encoding="utf-8")
    with pytest.raises(Refused, match="changed since"):
        write_config(settings, path, form, "Sam")


@pytest.mark.full
def test_the_supervisor_writes_on_the_page(browser: Browser, tmp_path: Path) -> None:
    with page_served(tmp_path) as served:
        page = opened(browser, served.url, width=1280, height=900, touch=False)
        sign_in(page, "Sam", OTHER_PIN)
        page.get_by_role("button", name="Menu").click()
        page.get_by_role("button", name="Settings", exact=True).click()
        page.get_by_text("The whole file as text").click()
        text = page.locator("#toml")
        good = text.input_value()
        text.fill(good.replace('trip = "25 psi"', 'trip = "45 psi"'))
        page.locator("#write-settings").click()
        expect(page.locator("#checked")).to_contain_text("above 35 psi")
        text.fill(good.replace('trip = "25 psi"', 'trip = "24 psi"'))
        page.locator("#write-settings").click()
        expect(page.locator("#checked")).to_contain_text("1 keys changed. It counts from the next start")
        assert load_settings(served.rig.config).limits.trip == pytest.approx(24 * 6.894757, abs=0.01)
