"""A PostgreSQL of the tests' own, from the system's package: on a socket in its own folder, gone afterwards."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import create_engine, text


def programs() -> Path | None:
    """Where the server's programs are; None where there is no server."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).parent
    return max(Path("/usr/lib/postgresql").glob("*/bin"), default=None)


def missing() -> str:
    """Why no server can be started here; empty when one can."""
    if programs() is None:
        return "PostgreSQL is not installed (Debian: apt-get install postgresql)"
    if os.geteuid() == 0 and "postgres" not in {each.pw_name for each in pwd.getpwall()}:
        return "PostgreSQL refuses to run as root, and there is no user postgres"
    return ""


@dataclass
class Server:
    """A running server."""

    folder: Path
    process: subprocess.Popen[bytes] | None = None

    def url(self, name: str = "postgres") -> str:
        """The address of one of its databases."""
        return f"postgresql+psycopg://postgres@/{name}?host={self.folder}"

    def start(self) -> None:
        """Start it; returns when it answers."""
        done = _run("pg_ctl", "start", "-w", "-s", "-D", self.data, "-l", str(self.folder / "log"), "-o", self._options)
        assert done.returncode == 0, (self.folder / "log").read_text()

    @property
    def data(self) -> str:
        """Its data folder."""
        return str(self.folder / "data")

    @property
    def _options(self) -> str:
        return f"-c listen_addresses='' -k {self.folder}"

    def kill(self) -> None:
        """End it at once, as a pulled plug does to its processes; it recovers at the next start."""
        _run("pg_ctl", "stop", "-m", "immediate", "-s", "-D", self.data)

    def create(self, name: str) -> str:
        """Make a database; returns its address."""
        engine = create_engine(self.url(), isolation_level="AUTOCOMMIT")
        with engine.connect() as db:
            db.execute(text(f'CREATE DATABASE "{name}"'))
        engine.dispose()
        return self.url(name)


def _run(program: str, *words: str) -> subprocess.CompletedProcess[bytes]:
    found = programs()
    assert found is not None
    user = "postgres" if os.geteuid() == 0 else None
    return subprocess.run(
        [str(found / program), *words], user=user, check=False, stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, cwd="/", timeout=60,
    )  # fmt: skip


@contextmanager
def server() -> Iterator[Server]:
    """A fresh server, stopped and removed in the end."""
    folder = Path(tempfile.mkdtemp(prefix="rig-pg-"))
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
    try:
        made = _run("initdb", "-D", str(folder / "data"), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-sync")
        assert made.returncode == 0
        running = Server(folder)
        running.start()
        try:
            yield running
        finally:
            running.kill()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
