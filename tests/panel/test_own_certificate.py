"""`rig serve --https`: the rig's own certificate, made once, trusted by who was shown it and by nobody else."""

from __future__ import annotations

import os
import shutil
import signal
import ssl
import stat
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
import zxingcpp
from pages import page_process
from PIL import Image
from processes import Rig, configuration

from rig.ledger.backup import files_of
from rig.panel.own_certificate import FILE, fingerprint, own_certificate
from rig.panel.phone import address_of, code_of

NOW = datetime(2026, 11, 29, 12, tzinfo=UTC)
NAMES = ["localhost", "127.0.0.1", "::1", "truck-3.local"]


def read_by_openssl(path: Path) -> str:
    """What a program of others says of the certificate."""
    openssl = shutil.which("openssl")
    if openssl is None:
        if os.environ.get("RIG_NO_SKIPS"):
            pytest.fail("no openssl: this test must not be left out here")
        pytest.skip("openssl is missing: apt install openssl")
    words = [openssl, "x509", "-in", str(path), "-noout", "-text", "-fingerprint", "-sha256"]
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def test_another_program_reads_the_same_certificate(tmp_path: Path) -> None:
    path = own_certificate(tmp_path, NAMES, NOW)
    text = read_by_openssl(path)
    assert fingerprint(path) in text
    for words in ("DNS:truck-3.local", "IP Address:127.0.0.1", "IP Address:0:0:0:0:0:0:0:1", "CA:FALSE",
                  "TLS Web Server Authentication", "NIST CURVE: P-256"):  # fmt: skip
        assert words in text
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_it_is_made_once_and_again_shortly_before_it_ends(tmp_path: Path) -> None:
    first = own_certificate(tmp_path, NAMES, NOW).read_bytes()
    # Also by a clock that fell back: the phone judges by its own.
    for days in (0, 1, 780, -365):
        assert own_certificate(tmp_path, NAMES, NOW + timedelta(days=days)).read_bytes() == first
    assert own_certificate(tmp_path, NAMES, NOW + timedelta(days=795)).read_bytes() != first
    assert [path.name for path in tmp_path.iterdir()] == [FILE]


@pytest.mark.parametrize("text", ["", "-----BEGIN CERTIFICATE-----\n"])
def test_a_file_that_is_none_is_made_anew(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_text(text)
    assert own_certificate(tmp_path, NAMES, NOW).stat().st_size > 500


def test_a_backup_leaves_the_key_out(tmp_path: Path) -> None:
    (tmp_path / "people.json").write_text("[]")
    own_certificate(tmp_path, NAMES, NOW)
    assert [path.name for path in files_of(tmp_path)] == ["people.json"]


@pytest.mark.full
def test_the_page_goes_by_it_and_only_who_knows_it_trusts_it(tmp_path: Path) -> None:
    # Nothing answers at this rig's port: the page is served all the same.
    configuration(tmp_path, port="9")
    rig = Rig(tmp_path, None)  # type: ignore[arg-type]
    seen = []
    for _ in range(2):
        with page_process(rig, "--https") as served:
            assert served.url.startswith("https://127.0.0.1:")
            trusting = ssl.create_default_context(cafile=str(tmp_path / "rig-data" / FILE))
            reply = httpx.get(served.url, verify=trusting)
            assert reply.status_code == 200
            assert "max-age=" in reply.headers["strict-transport-security"]
            with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
                httpx.get(served.url)
            served.process.send_signal(signal.SIGTERM)
            assert served.process.wait(60) == 0
        seen.append((tmp_path / "rig-data" / FILE).read_bytes())
    assert seen[0] == seen[1]


@pytest.mark.parametrize(
    ("host", "options", "scheme"),
    [("0.0.0.0", (), "https"), ("0.0.0.0", ("--no-https",), "http"), ("127.0.0.1", (), "http")],
)
def test_where_others_reach_the_page_it_goes_over_https(
    tmp_path: Path, host: str, options: tuple[str, ...], scheme: str
) -> None:
    configuration(tmp_path, port="9", extra=f'[panel]\nhost = "{host}"\n')
    with page_process(Rig(tmp_path, None), *options) as served:  # type: ignore[arg-type]
        assert served.url.startswith(f"{scheme}://")


# --- what a phone reads ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "own", "https", "shown"),
    [
        ("127.0.0.1", "192.0.2.7", False, "http://127.0.0.1:8080/"),
        ("0.0.0.0", "192.0.2.7", True, "https://192.0.2.7:8080/"),
        ("0.0.0.0", "", True, "https://0.0.0.0:8080/"),
        ("::1", "192.0.2.7", True, "https://[::1]:8080/"),
        ("::", "192.0.2.7", True, "https://192.0.2.7:8080/"),
        ("truck-3.local", "192.0.2.7", True, "https://truck-3.local:8080/"),
    ],
)
def test_the_address_is_one_that_a_phone_can_call(host: str, own: str, https: bool, shown: str) -> None:
    assert address_of(host, 8080, own=own, https=https) == shown


def test_the_code_in_the_terminal_reads_as_the_address() -> None:
    """Read back by a library that is not the one that drew it."""
    url = "https://192.0.2.7:8080/"
    rows = []
    for line in code_of("0.0.0.0", url).splitlines():
        # Half blocks: each line holds two rows of modules; a drawn block is light, as on a dark terminal.
        halves = {" ": (0, 0), "\N{UPPER HALF BLOCK}": (1, 0), "\N{LOWER HALF BLOCK}": (0, 1), "\N{FULL BLOCK}": (1, 1)}
        pairs = [halves[each] for each in line]
        rows += [[top for top, _ in pairs], [bottom for _, bottom in pairs]]
    picture = Image.new("L", (len(rows[0]), len(rows)), 255)
    picture.putdata([255 * light for row in rows for light in row])
    (found,) = zxingcpp.read_barcodes(picture.resize((picture.width * 4, picture.height * 4)))
    assert found.text == url
    assert code_of("127.0.0.1", url) == ""
