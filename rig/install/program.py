"""The program in a virtual environment that needs no other place: from a wheel, or a copy of the one that runs."""

from __future__ import annotations

import shutil
import sys
import tempfile
import zipfile
from importlib.metadata import version
from pathlib import Path

from rig.install.running import run
from rig.run.refused import Refused

_LOCK = "rig/install/requirements.lock"
_NAME = "ballast_rig"
_PYTHON = "/usr/bin/python3"
"""The system's own: the service may not look into anybody's home."""


def version_of(wheel: Path | None) -> str:
    """The version in a wheel's name, or of the program that runs. Refused for a file that is no wheel of it."""
    if wheel is None:
        return version("ballast-rig")
    name, _, rest = wheel.name.partition("-")
    if name != _NAME or wheel.suffix != ".whl" or not wheel.is_file():
        raise Refused(f"{wheel}: is no wheel of this program; its name begins with {_NAME}- and ends with .whl")
    return rest.partition("-")[0]


def unpack(into: Path, wheel: Path | None) -> None:
    """Fill the folder ``into``, which is there as a whole or not at all. Refused, with what to do."""
    fresh = into.with_name(f"{into.name}.new")
    for old in (fresh, into):
        if old.exists():
            shutil.rmtree(old)
    fresh.parent.mkdir(parents=True, exist_ok=True)
    if wheel is None:
        _copy(fresh)
    else:
        from_wheel(fresh, wheel)
    for each in (fresh / "bin").iterdir():
        # Scripts name the place where they were made; the program is started by its Python alone.
        if not each.name.startswith("python"):
            each.unlink()
    run(["chmod", "--recursive", "a+rX,go-w", str(fresh)])
    fresh.rename(into)


def _copy(fresh: Path) -> None:
    if sys.prefix == sys.base_prefix or Path(sys.prefix) not in Path(__file__).resolve().parents:
        raise Refused(
            "this program runs from a checkout or in the system's own Python: give the wheel, as `rig install "
            "ballast_rig-1.0-py3-none-any.whl`, or install it into an environment of its own (`python3 -m venv`) first"
        )
    if Path(sys.base_prefix).parts[1] in ("home", "root"):
        raise Refused(
            f"the Python of this environment is in {sys.base_prefix}, which is hidden from the service: make "
            f"the environment by `{_PYTHON} -m venv`"
        )
    shutil.copytree(sys.prefix, fresh, symlinks=True)


def from_wheel(fresh: Path, wheel: Path) -> None:
    """An environment with a wheel and exactly what its lock file names, each file checked by its hash."""
    run([_PYTHON, "-m", "venv", str(fresh)])
    pip = [str(fresh / "bin" / "python"), "-I", "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    with tempfile.TemporaryDirectory() as place, zipfile.ZipFile(wheel) as packed:
        lock = packed.extract(_LOCK, place)
        run([*pip, "--require-hashes", "--only-binary", ":all:", "--requirement", lock])
    run([*pip, "--no-deps", str(wheel)])
