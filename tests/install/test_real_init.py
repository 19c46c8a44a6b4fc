"""The Debian package, and a computer installed by it: a real service manager, booted in a namespace over the files of
this one, all writes thrown away.

What only a real one shows: the hardened unit lets the program work, a killed and a frozen one are started anew, an
upgrade that does not come up goes back by itself, also when the power failed in between.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from processes import ROOT, serving
from shop_books import about_of, fill_of

from rig.install.package import PROGRAM, SBOM, debian_version, package
from rig.ledger.journal import Journal

UNIT = """[Unit]
SuccessAction=exit-force
FailureAction=exit-force
[Service]
Type=oneshot
TimeoutStartSec=500
ExecStart=/bin/bash /var/rig-test/real_init.sh
"""
LOCK = ROOT / "rig/install/requirements.lock"
BROKEN = "\nraise SystemExit('broken')\n"
STUCK = "\nimport threading\nthreading.Event().wait()\n"


def needed(*names: str) -> None:
    """What this test cannot do without; on the machine that judges it must not be missing."""
    missing = [name for name in names if shutil.which(name) is None]
    missing += [] if os.geteuid() == 0 else ["root"]
    if missing and os.environ.get("RIG_NO_SKIPS"):
        pytest.fail(f"missing: {', '.join(missing)}")
    if missing:
        pytest.skip(f"missing: {', '.join(missing)} (apt install systemd systemd-container)")


@contextmanager
def laid_over(folder: Path) -> Iterator[Path]:
    """This computer's files with a layer of their own above them."""
    layers = [folder / name for name in ("upper", "work", "root")]
    for each in layers:
        each.mkdir()
    options = f"lowerdir=/,upperdir={layers[0]},workdir={layers[1]}"
    words = ["mount", "-t", "overlay", "overlay", "-o", options, str(layers[2])]
    made = subprocess.run(words, capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"this kernel or container mounts no overlay: {made.stderr}")
    try:
        yield layers[2]
    finally:
        subprocess.run(["umount", "--lazy", layers[2]], check=True)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Version 1.0 as a Debian package."""
    needed("dpkg-deb")
    folder = tmp_path_factory.mktemp("built")
    build = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    environment = {**os.environ, "SETUPTOOLS_SCM_PRETEND_VERSION": "1.0"}
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True, env=environment)
    (wheel,) = folder.glob("*.whl")
    return package(wheel, folder)


def free_port() -> int:
    """For the page: the namespace shares this computer's network, where the simulated rig is."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


def asked(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout


def variants(built: Path, into: Path) -> None:
    """The package of version 1, and environments with versions 2 to 5, two of which do not come up."""
    shutil.copy(built, into / "one.deb")
    asked("dpkg-deb", "--extract", str(built), str(into / "one"))
    names = {"two": "2.0", "broken": "3.0", "stuck": "4.0", "three": "5.0"}
    for name, version in names.items():
        shutil.copytree(into / "one" / PROGRAM, into / name, symlinks=True)
        (told,) = (into / name).glob("lib/python3*/site-packages/ballast_rig-*/METADATA")
        told.write_text(re.sub(r"(?m)^Version: .*", f"Version: {version}", told.read_text()))
    for name, defect in (("broken", BROKEN), ("stuck", STUCK)):
        (module,) = (into / name).glob("lib/python3*/site-packages/rig/cli/serving.py")
        module.write_text(module.read_text() + defect)
        (plan,) = (into / name).glob("lib/python3*/site-packages/rig/install/plan.py")
        plan.write_text(plan.read_text().replace("READY_S = 60.0", "READY_S = 6.0"))


def told_by(folder: Path, root: Path) -> dict[str, str]:
    """Boot, and what was seen."""
    out = folder / "out"
    out.mkdir()
    (root / "etc/systemd/system/rig-test.service").write_text(UNIT)
    words = [
        "systemd-nspawn",
        "--quiet",
        f"--directory={root}",
        "--register=no",
        "--keep-unit",
        f"--bind={out}:/mnt/out",
    ]
    boot = [*words, "--boot", "systemd.unit=rig-test.service", "systemd.log_level=warning"]
    done = subprocess.run(boot, capture_output=True, text=True, timeout=600, stdin=subprocess.DEVNULL, check=False)
    if not (out / "told").exists():
        pytest.fail(f"nothing was booted: {done.stdout[-2000:]} {done.stderr[-2000:]}")
    with contextlib.suppress(OSError):
        print((out / "log").read_text()[-20000:])
    return dict(line.split("=", 1) for line in (out / "told").read_text().splitlines())


@pytest.mark.release
@pytest.mark.timeout(900)
def test_on_a_computer_with_a_service_manager(built: Path, tmp_path: Path) -> None:
    needed("systemd-nspawn", "mount")
    rig_folder = tmp_path / "rig"
    rig_folder.mkdir()
    with laid_over(tmp_path) as root, serving(rig_folder, scale="1") as rig:
        test = root / "var/rig-test"
        test.mkdir(parents=True)
        variants(built, test)
        (test / "rig.toml").write_text(f"{rig.config.read_text()}\n[panel]\nport = {free_port()}\n")
        shutil.copy(Path(__file__).with_name("real_init.sh"), test)
        with contextlib.closing(Journal(test / "journal.sqlite")) as journal:
            journal.open_fill("begun", "2026-11-29T08:00:00.000+00:00", about_of(fill_of("begun")), "{}", "{}")
        told = told_by(tmp_path, root)
        assert not rig.truth()["pump_on"]
        assert rig.truth()["delivered_l"] == 0
        unfinished = (tmp_path / "out/unfinished").read_text()
    assert told == {
        "installed": "1.0 inactive enabled",
        "started": "active ballast-rig dialout,ballast-rig",
        "secret": "600 ballast-rig",
        "killed": "1 active",
        "healed": "ballast-rig",
        "frozen": "2 active 1",
        "upgraded": "0 2.0 active 1.0 1.0 2.0 current previous",
        "broken": "3 2.0",
        "after_broken": "active 2.0 3.0 current previous",
        "stuck": "3 2.0",
        "after_stuck": "active 2.0 4.0 current previous",
        "after_cut": "active 2.0 2.0 4.0 broken current previous",
        "unfinished": "3 2.0 active",
        "not_removed": "1 active",
        "removed": "0 0 black-box book.lock book.sqlite controller.lock page.pem",
    }
    assert "fill begun (16.9-28) is unfinished" in unfinished


@pytest.mark.full
@pytest.mark.timeout(600)
def test_the_package_holds_the_program_its_components_and_two_scripts(built: Path, tmp_path: Path) -> None:
    fields = dict(re.findall(r"(?m)^([A-Z][\w-]*): (.*)$", asked("dpkg-deb", "--field", str(built))))
    assert fields["Package"] == "ballast-rig"
    assert fields["Version"] == "1.0"
    assert re.fullmatch(r"systemd, python3 \(>= 3\.(\d+)\), python3 \(<< 3\.\d+\)", fields["Depends"])
    rows = [line.split(maxsplit=5) for line in asked("dpkg-deb", "--contents", str(built)).splitlines()]
    assert {row[1] for row in rows} == {"root/root"}
    assert {row[5].split("/")[1] for row in rows} == {"", "usr"}
    # Nobody else may write, nothing runs with another's rights.
    assert all(re.match(r"l|.rw[x-]r-[x-]r-[x-]", row[0]) for row in rows)
    asked("dpkg-deb", "--control", str(built), str(tmp_path / "control"))
    assert sorted(path.name for path in (tmp_path / "control").iterdir()) == ["control", "postinst", "prerm"]
    for script in ("postinst", "prerm"):
        asked("sh", "-n", str(tmp_path / "control" / script))
    asked("dpkg-deb", "--extract", str(built), str(tmp_path / "root"))
    listed = json.loads((tmp_path / "root" / SBOM).read_text())
    schema = SchemaVersion.from_version(listed["specVersion"])
    assert JsonStrictValidator(schema).validate_str(json.dumps(listed)) is None
    locked = set(re.findall(r"(?m)^([\w.-]+)==([^ ;]+)", LOCK.read_text()))
    components = {(each["name"].lower().replace("_", "-"), each["version"]) for each in listed["components"]}
    assert {name for name, _ in components - locked} == {"ballast-rig", "pip", "setuptools", "uplot"}
    assert ("ballast-rig", "1.0") in components
    assert {"sqlalchemy", "pymodbus", "cryptography"} < {name for name, _ in components}
    # Nothing tells where it was built.
    assert str(built.parent) not in json.dumps(listed)


def test_versions_are_ordered_by_dpkg_as_python_orders_them() -> None:
    """The order is PEP 440's own example."""
    needed("dpkg")
    ordered = ["1.0.dev456", "1.0a1", "1.0a12", "1.0b2", "1.0rc1", "1.0", "1.0.1.dev7+g12ab", "1.0.1", "1.1.dev1"]
    for one, other in itertools.pairwise(map(debian_version, ordered)):
        asked("dpkg", "--compare-versions", one, "lt", other)


def test_the_lock_file_holds_every_dependency_with_hashes() -> None:
    text = LOCK.read_text()
    locked = dict(re.findall(r"(?m)^([\w.-]+)==([\d.]+)", text))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    for dependency in project["dependencies"]:
        name, least = re.fullmatch(r"([\w-]+)>=([\d.]+)(?:,<\d+)?", dependency).groups()  # type: ignore[union-attr]
        assert [int(part) for part in locked[name].split(".")] >= [int(part) for part in least.split(".")], name
    entries = re.split(r"(?m)^(?=[\w.-]+==)", text)[1:]
    assert len(entries) > 20
    assert all("--hash=sha256:" in entry for entry in entries)
    assert "://" not in text
