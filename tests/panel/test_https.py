"""The page over https with a certificate that the test makes: the cookie goes by no other way, browsers are told so."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from pathlib import Path

import httpx
import pytest
from pages import PIN, page_served
from processes import command, configuration


def self_signed(folder: Path) -> ssl.SSLContext:
    """Write key and certificate for this computer; returns what trusts them and nothing else."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl is missing: apt install openssl")
    words = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -noenc -days 2 -subj /CN=rig"
    files = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", "page.key", "-out", "page.pem"]
    subprocess.run([openssl, *words.split(), *files], cwd=folder, check=True, capture_output=True)
    return ssl.create_default_context(cafile=str(folder / "page.pem"))


@pytest.mark.full
def test_https_is_served_and_the_cookie_stays_on_it(tmp_path: Path) -> None:
    trusting = self_signed(tmp_path)
    panel = '[panel]\ncertificate = "page.pem"\nkey = "page.key"\n'
    with page_served(tmp_path, extra=panel) as served:
        assert served.url.startswith("https://127.0.0.1:")
        with httpx.Client(base_url=served.url, verify=trusting, headers={"X-Rig": "test"}) as client:
            reply = client.post("/api/sign-in", json={"name": "Jo", "pin": PIN})
            assert reply.status_code == 200
            cookie = reply.headers["set-cookie"].lower()
            assert "secure" in cookie
            assert "httponly" in cookie
            assert "max-age=" in reply.headers["strict-transport-security"]
            assert client.get("/api/me").json()["name"] == "Jo"
        # Nobody gets the page in plain text at that port, and nobody who does not know the certificate trusts it.
        with pytest.raises(httpx.TransportError):
            httpx.get(served.url.replace("https:", "http:"))
        with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
            httpx.get(served.url)
        assert served.end() == 0


def test_https_with_half_of_it_is_a_mistake(tmp_path: Path) -> None:
    configuration(tmp_path, extra='[panel]\ncertificate = "page.pem"\n')
    refused = command(tmp_path, "serve", "--config", "rig.toml")
    assert refused.returncode == 2
    assert "both certificate and key" in refused.stderr
