"""How many small changes to what the controller concludes and limits are noticed by its unit tests: a random sample.

``python tests/proof/mutants.py 60 SEED`` needs cosmic-ray (``pip install cosmic-ray``), changes files of this checkout
while it runs, and puts them back: use a worktree of its own. Prints the share that is noticed, and what is not.
"""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parents[2]
CONFIG = """
[cosmic-ray]
module-path = ["rig/control/belief", "rig/control/safety"]
timeout = 240.0
excluded-modules = ["**/__init__.py"]
test-command = "{python} -m pytest -x -q -n 0 -p no:cacheprovider -m fast tests/control"
[cosmic-ray.distributor]
name = "local"
"""
_NOT_OF_FLOATS = ("_BitAnd", "_BitOr", "_BitXor", "_LShift", "_RShift", "_Pow", "_Mod", "_FloorDiv")
LISTED = """
select spec.module_path, spec.operator_name, spec.start_pos_row, result.test_outcome
from mutation_specs spec join work_results result using (job_id) order by 1, 3
"""


def main(count: int, seed: int) -> int:
    with TemporaryDirectory() as folder:
        config, session = Path(folder) / "config.toml", Path(folder) / "session.sqlite"
        config.write_text(CONFIG.format(python=sys.executable), encoding="utf-8")
        subprocess.run(["cosmic-ray", "init", str(config), str(session)], cwd=ROOT, check=True)
        sampled(session, count, seed)
        subprocess.run(["cosmic-ray", "exec", str(config), str(session)], cwd=ROOT, check=True)
        with sqlite3.connect(session) as connection:
            rows = connection.execute(LISTED).fetchall()
    lived = [row for row in rows if "SURVIVED" in str(row[3]).upper()]
    print(f"{len(rows) - len(lived)} of {len(rows)} noticed: {1 - len(lived) / len(rows):.0%}")
    for module, operator, line, _ in lived:
        print(f"  {module}:{line} {operator.removeprefix('core/')}")
    return 0


def sampled(session: Path, count: int, seed: int) -> None:
    """Leave so many of the session's changes; those that are none, or crash at once, are left out."""
    with sqlite3.connect(session) as connection:
        specs = connection.execute("select job_id, module_path, start_pos_row, operator_name from mutation_specs")
        jobs = {job: worth(module, line, operator) for job, module, line, operator in specs}
        real = sorted(job for job, counts in jobs.items() if counts)
        print(f"{len(real)} possible changes")
        others = [(job,) for job in jobs.keys() - set(random.Random(seed).sample(real, count))]
        for table in ("mutation_specs", "work_items"):
            connection.executemany(f"delete from {table} where job_id = ?", others)


def worth(module: str, line: int, operator: str) -> bool:
    """Whether a change does anything: none to annotations, and no arithmetic that floats do not have."""
    text = (ROOT / module).read_text(encoding="utf-8").splitlines()[line - 1]
    annotated = "BitOr" in operator and ("->" in text or ": " in text or "None" in text)
    return not annotated and not any(operator.endswith(each) for each in _NOT_OF_FLOATS)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2])))
