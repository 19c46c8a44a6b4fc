"""How many small changes to what the controller concludes and limits are noticed by its unit tests: a random sample.

``python tests/proof/mutants.py 60 SEED`` needs cosmic-ray (``pip install cosmic-ray``), changes files of this checkout
while it runs, and puts them back: use a worktree of its own. Prints the share that is noticed, and what is not.
"""

from __future__ import annotations

import os
import random
import re
import sqlite3
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parents[2]
CONFIG = """
[cosmic-ray]
module-path = ["rig/control/belief", "rig/control/safety"]
timeout = 900.0
excluded-modules = ["**/__init__.py"]
test-command = "{python} tests/proof/mutants.py tests"
[cosmic-ray.distributor]
name = "local"
"""
STAGES = (
    ("fast",),
    ("not full and not release", "tests/control/test_fills.py"),
    ("not release", "tests/control/test_guards.py"),
)
"""Unit tests, and for a change that these do not notice whole fills: sound ones, then one for each alarm."""
LISTED = """
select spec.module_path, spec.start_pos_row, spec.operator_name, result.test_outcome, result.output, result.diff
from mutation_specs spec join work_results result using (job_id) order by 1, 2
"""
PLACED = """
select job_id, module_path, start_pos_row, start_pos_col, operator_name from mutation_specs
order by 2, 3, 4, 5, operator_args, occurrence
"""
_CRASHES = re.compile("(Add|Sub|Mul|Div|Pow|FloorDiv)_(Bit.*|.Shift|Pow|Mod|FloorDiv)$|Bit(Or|And)_(?!Bit|Sub)|Invert$")
"""What floats and sets do not have, or nobody writes by mistake: noticed at once, it would only raise the share."""
_SAME_OBJECT = re.compile("_(Is_Eq|IsNot_NotEq|Eq_Is|NotEq_IsNot)$")
"""What is compared so is None, a member of an enumeration or an interned string: equal is identical."""
_SAME_EFFECT = re.compile(r"\|@cache$|\b(frozen|slots|strict)=\|True|\|1e9\b|(?<![\w)\]])\|\*+[^* ]")
"""A cache only saves time, these options only refuse what the program does not do; long ago is as long ago a second
later; a star before a name is no product."""


def main(count: int, seed: int) -> int:
    with TemporaryDirectory() as folder:
        config, session = Path(folder) / "config.toml", Path(folder) / "session.sqlite"
        config.write_text(CONFIG.format(python=sys.executable), encoding="utf-8")
        cosmic_ray("baseline", config)
        cosmic_ray("init", config, session)
        sampled(session, count, seed)
        cosmic_ray("exec", config, session)
        with sqlite3.connect(session) as connection:
            rows = connection.execute(LISTED).fetchall()
    lived = [row for row in rows if "SURVIVED" in str(row[3]).upper()]
    noted, by_fills = len(rows) - len(lived), sum("stage 2" in str(row[4]) for row in rows) - len(lived)
    print(f"{noted} of {len(rows)} noticed: {noted / len(rows):.0%}; {by_fills} of them by whole fills alone")
    for module, line, operator, _, _, diff in lived:
        changed = [each[1:].strip() for each in diff.splitlines() if re.match(r"\+[^+]", each)]
        print(f"  {module}:{line} {operator.removeprefix('core/')}: {' '.join(changed)}")
    return 0


def cosmic_ray(*arguments: str | Path) -> None:
    """One of its steps, with this checkout's packages before those that are installed."""
    command = [sys.executable, "-m", "cosmic_ray.cli", *map(str, arguments)]
    subprocess.run(command, cwd=ROOT, check=True, env={**os.environ, "PYTHONPATH": str(ROOT)})


def noticed() -> bool:
    """Whether a test fails on the files as they are now; those that import what changed come first, to save time."""
    git = subprocess.run(["git", "diff", "--name-only", "rig"], cwd=ROOT, check=True, capture_output=True, text=True)
    imports = tuple(f".{Path(name).stem} import" for name in git.stdout.split())
    tests = {file: file.read_text(encoding="utf-8") for file in (ROOT / "tests" / "control").glob("test_*.py")}
    fast = sorted(tests, key=lambda file: not any(each in tests[file] for each in imports))
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider", "-m"]
    for number, (marked, *files) in enumerate(STAGES, 1):
        print(f"stage {number}", flush=True)
        if subprocess.call([*command, marked, *(files or map(str, fast))], cwd=ROOT):
            return True
    return False


def sampled(session: Path, count: int, seed: int) -> None:
    """Leave so many of the session's changes; those that are none, or crash at once, are left out."""
    with sqlite3.connect(session) as connection:
        # In the order of their places: the ids differ from run to run.
        specs = connection.execute(PLACED).fetchall()
        real = [job for job, *change in specs if worth(*change)]
        print(f"{len(real)} possible changes")
        others = [(job,) for job in {job for job, *_ in specs} - set(random.Random(seed).sample(real, count))]
        for table in ("mutation_specs", "work_items"):
            connection.executemany(f"delete from {table} where job_id = ?", others)


def worth(module: str, line: int, column: int, operator: str) -> bool:
    """Whether a change does anything: none to annotations, to what only checks, and none that crashes at once."""
    text = (ROOT / module).read_text(encoding="utf-8").splitlines()[line - 1]
    annotated = "BitOr" in operator and ("->" in text or ": " in text or "None" in text)
    same = annotated or _SAME_OBJECT.search(operator) or _SAME_EFFECT.search(f"{text[:column]}|{text[column:]}")
    return not same and not _CRASHES.search(operator)


if __name__ == "__main__":
    sys.exit(noticed() if sys.argv[1] == "tests" else main(int(sys.argv[1]), int(sys.argv[2])))
