"""A Debian package of a wheel: ``python -m rig.install.package WHEEL FOLDER``. For who makes a release, on Debian.

It holds the program with everything it needs, so that a truck without internet can install it, and a list of its
components. What it does to a computer it leaves to `rig install`, which it runs: there is one plan.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from rig.install.plan import COMMAND, CURRENT
from rig.install.program import unpack, version_of
from rig.install.running import run
from rig.run.refused import Refused

PROGRAM = "usr/lib/ballast-rig"
_VENDORED = "rig/panel/static/vendor"
"""Files named NAME-VERSION.min.js, all under the MIT licence beside them."""
SBOM = "usr/share/doc/ballast-rig/sbom.cdx.json"
_CONTROL = """Package: ballast-rig
Version: {version}
Architecture: {architecture}
Maintainer: The ballast-rig developers <ballast-rig@example.invalid>
Section: misc
Priority: optional
Installed-Size: {size_kb}
Depends: systemd, {python}
Description: fill controller for a metered tyre-ballast transfer rig
 Counts liquid into tyres over Modbus and serial devices, keeps the records, and serves the pump-side page.
 .
 It is not a safety function: relief valve and emergency stop are hardware.
"""
_AFTER = """#!/bin/sh
set -e
[ "$1" = configure ] || exit 0
how=
if [ -e {current} ] && [ "$(readlink {current})" != "{version}" ]; then how=--upgrade; fi
exec /{program}/bin/python -I -m rig.cli install $how
"""
_BEFORE_REMOVAL = """#!/bin/sh
set -e
[ "$1" = remove ] || exit 0
exec {command} uninstall
"""


def debian_version(version: str) -> str:
    """A Python version as Debian orders it: what comes before a release is below it (deb-version(7), PEP 440)."""
    return re.sub(r"\.?dev(\d+)", r"~~dev\1", re.sub(r"(a|b|rc)(\d+)", r"~\1\2", version))


def package(wheel: Path, into: Path) -> Path:
    """Build the package into a folder; returns its path. Refused, with the words of the tool that failed."""
    version = version_of(wheel)
    with TemporaryDirectory() as place:
        stage = Path(place) / "stage"
        unpack(stage / PROGRAM, wheel)
        _list_components(stage)
        architecture = subprocess.run(
            ["dpkg", "--print-architecture"], capture_output=True, text=True, check=True
        ).stdout.strip()
        _write_control(stage, version, architecture)
        into.mkdir(parents=True, exist_ok=True)
        made = into / f"ballast-rig_{debian_version(version)}_{architecture}.deb"
        run(["dpkg-deb", "-Zgzip", "--root-owner-group", "--build", str(stage), str(made)])
        return made


def _list_components(stage: Path) -> None:
    for place in (stage / PROGRAM).glob("lib/python3*/site-packages/*.dist-info/direct_url.json"):
        # It would name the folder of the machine that built the package.
        place.unlink()
    (stage / SBOM).parent.mkdir(parents=True)
    python = str(stage / PROGRAM / "bin" / "python")
    words = [sys.executable, "-m", "cyclonedx_py", "environment", "--output-reproducible", "--output-format", "JSON"]
    run([*words, "--output-file", str(stage / SBOM), python])
    _list_vendored(stage)


def _list_vendored(stage: Path) -> None:
    """Add the libraries that the page brings as files, which no Python environment lists."""
    listed = json.loads((stage / SBOM).read_text(encoding="utf-8"))
    for path in sorted((stage / PROGRAM).glob(f"lib/python3*/site-packages/{_VENDORED}/*.min.js")):
        name, _, version = path.name.removesuffix(".min.js").rpartition("-")
        listed["components"].append(
            {
                "type": "library",
                "bom-ref": f"{name}=={version}",
                "name": name,
                "version": version,
                "purl": f"pkg:npm/{name}@{version}",
                "licenses": [{"license": {"id": "MIT"}}],
            }
        )
    (stage / SBOM).write_text(json.dumps(listed, indent=2), encoding="utf-8")


def _write_control(stage: Path, version: str, architecture: str) -> None:
    control = stage / "DEBIAN"
    control.mkdir(mode=0o755)
    (library,) = (stage / PROGRAM).glob("lib/python3.*")
    minor = int(library.name.removeprefix("python3."))
    size = sum(path.stat().st_size for path in stage.rglob("*") if path.is_file() and not path.is_symlink())
    text = _CONTROL.format(
        version=debian_version(version), architecture=architecture, size_kb=size // 1024,
        # Compiled parts are for one version of Python.
python=f"python3 (>= 3.{minor}), python3 (<< 3.{minor + 1})",
    )  # fmt: skip
    (control / "control").write_text(text, encoding="utf-8")
    scripts = {
        "postinst": _AFTER.format(current=CURRENT, version=version, program=PROGRAM),
        "prerm": _BEFORE_REMOVAL.format(command=COMMAND),
    }
    for name, script in scripts.items():
        (control / name).write_text(script, encoding="utf-8")
        (control / name).chmod(0o755)


if __name__ == "__main__":
    os.umask(0o022)
    try:
        print(package(Path(sys.argv[1]).absolute(), Path(sys.argv[2])))
    except Refused as error:
        sys.exit(f"package: {error}")
