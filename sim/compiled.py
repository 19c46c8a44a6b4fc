"""Run the same code compiled: fills in virtual time run twice as fast, with bit-identical traces.

mypyc comes with the type checker and needs a C compiler. It compiles a copy of the checkout, under ``.compiled``, once
for each state of the sources; an existing copy is reused. Only a campaign runs on it.
"""

from __future__ import annotations

import ast
import hashlib
import importlib
import os
import shutil
import subprocess
import sys
from dataclasses import fields, is_dataclass
from importlib import metadata
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from rig.control.moves import decide

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_ROOT = Path(__file__).parents[1]
_CACHE = ".compiled"
_BUILDING = "building-"
_SETTINGS, _TYPES = "pyproject.toml", "types.toml"
_COPIED = ("rig", "sim", "config", _SETTINGS)
_COMPILED = (
    "rig/control/*/*.py", "rig/plan/*.py", "rig/wheel/section.py", "rig/wheel/cavity.py", "rig/field/field.py",
    "rig/field/codec.py", "rig/field/kept.py", "rig/field/values.py", "rig/run/readings.py", "rig/run/metering.py",
    "sim/plant/*.py", "sim/modules.py", "sim/registers.py", "sim/judge*.py", "sim/trace.py", "sim/truth.py",
    "sim/person.py", "sim/virtual.py",
)  # fmt: skip
"""Where a fill spends its time."""
_AS_THEY_ARE = (
    "__init__.py", "rig/control/words/changed.py", "rig/control/words/flags.py", "rig/control/words/procedure.py",
)  # fmt: skip
"""Not compiled: one works on the mapping behind a value, one derives an exception, enumerations are looked up by value:
all in Python's own way."""
_LAST_LINES = 12


class CompileError(RuntimeError):
    """Compilation is not possible here; the message says what to do."""


def is_compiled() -> bool:
    """Whether this process runs on compiled code."""
    return not str(decide.__file__).endswith(".py")


def restore_field_types() -> None:
    """Give the fields of compiled dataclasses the types that their sources state, as pydantic needs them.

    mypyc leaves classes where the sources have unions and enumerations, and no ``__slots__``.
    """
    root = Path(decide.__file__).parents[3]
    for library in root.glob("rig/**/*.so"):
        source = library.with_name(library.name.partition(".")[0] + ".py")
        module = importlib.import_module(".".join(source.relative_to(root).with_suffix("").parts))
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            made = getattr(module, node.name, None) if isinstance(node, ast.ClassDef) else None
            if isinstance(node, ast.ClassDef) and isinstance(made, type) and is_dataclass(made):
                _restore(made, node)


def _restore(made: type, source: ast.ClassDef) -> None:
    of = {each.name: each for each in fields(made)}
    made.__slots__ = tuple(of)  # type: ignore[attr-defined]
    for line in source.body:
        if isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name) and line.target.id in of:
            of[line.target.id].type = ast.unparse(line.annotation)


def run_compiled(arguments: Sequence[str]) -> int:
    """Run ``python -m sim`` with these arguments on compiled code; returns its exit status.

    Raises :class:`CompileError`.
    """
    where = built()
    environment = {**os.environ, "PYTHONPATH": str(where)}
    return subprocess.run([sys.executable, "-m", "sim", *arguments], cwd=where, env=environment, check=False).returncode


def built() -> Path:
    """The folder of the compiled copy of this state of the sources; compiles it where it is missing."""
    if not (_ROOT / _SETTINGS).exists() or _ROOT.parent.name == _CACHE:
        raise CompileError("Only a checkout can be compiled: clone the repository and run this there.")
    where = _ROOT / _CACHE / _state_of_sources()
    if not where.exists():
        print("compiling, about a minute, once for this state of the sources", file=sys.stderr, flush=True)
        _build(where)
    return where


def _state_of_sources() -> str:
    """A hash of the sources, the interpreter and the compiler's version."""
    try:
        compiler = metadata.version("mypy")
    except metadata.PackageNotFoundError as error:
        raise CompileError("mypy is not installed: pip install -e '.[test]'") from error
    seen = hashlib.sha256(f"{sys.version} {compiler}".encode())
    for path in sorted(_sources()):
        seen.update(f"{path.relative_to(_ROOT)}\n".encode() + path.read_bytes())
    return seen.hexdigest()[:16]


def _sources() -> Iterator[Path]:
    for name in _COPIED:
        path = _ROOT / name
        inside = path.rglob("*") if path.is_dir() else (path,)
        yield from (each for each in inside if each.is_file() and "__pycache__" not in each.parts)


def _build(where: Path) -> None:
    """Compile in a temporary folder and rename it, so that an interrupted build is never taken for a complete one."""
    where.parent.mkdir(exist_ok=True)
    with TemporaryDirectory(prefix=_BUILDING, dir=where.parent) as place:
        copy = Path(place) / where.name
        _copy_to(copy)
        _compile(copy)
        for old in where.parent.iterdir():
            if old != where and not old.name.startswith(_BUILDING):
                shutil.rmtree(old)
        if not where.exists():
            copy.rename(where)


def _copy_to(copy: Path) -> None:
    for path in _sources():
        to = copy / path.relative_to(_ROOT)
        to.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, to)
    # Only some modules are compiled; under its usual name the project file would make this a build of the project.
    (copy / _SETTINGS).rename(copy / _TYPES)


def _compile(copy: Path) -> None:
    names = [str(path.relative_to(copy)) for pattern in _COMPILED for path in sorted(copy.glob(pattern))]
    names = [name for name in names if not name.endswith(_AS_THEY_ARE)]
    # The second of mypyc's levels runs as fast as its last and compiles faster; looking for what -Wall warns of takes
    # longer than all the rest of the compilation.
    environment = {**os.environ, "MYPYC_OPT_LEVEL": "1", "CFLAGS": f"{os.environ.get('CFLAGS', '')} -Wno-all"}
    command = [sys.executable, "-m", "mypyc", f"--config-file={_TYPES}", *names]
    done = subprocess.run(command, cwd=copy, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        said = "\n".join((done.stdout + done.stderr).splitlines()[-_LAST_LINES:])
        raise CompileError(f"{said}\nCompiling failed: it needs a C compiler and Python's headers (python3-dev).")
    for left in ("build", ".mypy_cache"):
        shutil.rmtree(copy / left)
