"""Mutants of the files that carry the honesty: ``python tests/benchmarks/mutants.py certificate``.

Works on a copy of the repository, so that nothing here changes; needs ``pip install 'mutmut>=3.8'``.
Prints how many mutants each file has, how many tests kill, and the difference of every survivor.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
TESTS = {
    "evidence/certificate.py": ["test_certificate"],
    "evidence/promise.py": ["test_promise", "test_headline", "test_bursts"],
    "proposal/proof.py": ["test_proof"],
    "search/crossfit.py": ["test_crossfit"],
    "search/pose.py": ["test_pose", "test_proof"],
    "proposal/choice.py": ["test_choice"],
    "proposal/signing.py": ["test_attacks", "test_choice"],
    "tally/rails.py": ["test_rails"],
    "tally/count.py": ["test_tally"],
    "ledger/chain.py": ["test_ledger", "test_attacks"],
    "ledger/standing.py": ["test_ledger", "test_attacks"],
    "ledger/rows.py": ["test_ledger", "test_attacks"],
    "ledger/bounds.py": ["test_attacks", "test_revision"],
    "plant/names.py": ["test_attacks", "test_plant"],
    "seal.py": ["test_attacks", "test_record"],
}
CONFIG = """
[tool.mutmut]
source_paths = ["optimiser"]
only_mutate = ["optimiser/{file}"]
also_copy = ["data", "notebooks", "README.md", "DEVELOPERS.md", "LICENSE"]
pytest_add_cli_args = ["-p", "no:cacheprovider", "-q", "-o", "addopts=--import-mode=importlib", "-m", "not slow"]
pytest_add_cli_args_test_selection = [{tests}]
mutate_only_covered_lines = true
"""


def mutants(file: str) -> None:
    """Run one file's mutants and print what came of them."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv", "demo-plant"))
        tests = ", ".join(f'"tests/{name}.py"' for name in TESTS[file])
        with (copy / "pyproject.toml").open("a", encoding="utf-8") as config:
            config.write(CONFIG.format(file=file, tests=tests))
        tool = [sys.executable, "-m", "mutmut"]
        subprocess.run([*tool, "run"], cwd=copy, check=False, stdout=subprocess.DEVNULL)
        told = subprocess.run(
            [*tool, "results", "--all", "true"],
            cwd=copy,
            capture_output=True,
            text=True,
            check=False,
        ).stdout
        found = [line.strip().split(": ") for line in told.splitlines() if ": " in line]
        alive = [name for name, state in found if state == "survived"]
        print(f"{file}: {len(found)} mutants, {len(found) - len(alive)} killed")
        for name in alive:
            shown = subprocess.run(
                [*tool, "show", name], cwd=copy, capture_output=True, text=True, check=False
            )
            print("\n".join(x for x in shown.stdout.splitlines() if x[:2] in ("- ", "+ ", "--")))


if __name__ == "__main__":
    wanted = sys.argv[1:] or list(TESTS)
    for known in TESTS:
        if any(word in known for word in wanted):
            mutants(known)
