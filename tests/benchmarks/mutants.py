"""Mutants of the files that carry the honesty: ``python tests/benchmarks/mutants.py certificate``.

Works on a copy of the repository, so that nothing here changes; needs ``pip install 'mutmut>=3.8'``.
The tool runs for each mutant those tests that it saw in the changed function, and sees a fixture of a
module in the first test alone that asked for it. So whatever survives, or runs out of time, is
looked at again with all tests of the file's modules. Prints per file how many mutants there are, how
many the first and the second look kill, and the difference of every survivor.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
TESTS = {
    "evidence/certificate.py": ["test_certificate"],
    "evidence/promise.py": ["test_promise"],
    "proposal/proof.py": ["test_proof"],
    "search/crossfit.py": ["test_crossfit"],
    "search/pose.py": ["test_pose"],
    "proposal/choice.py": ["test_choice"],
    "proposal/signing.py": ["test_choice", "test_attacks"],
    "tally/rails.py": ["test_rails"],
    "tally/count.py": ["test_tally"],
    "ledger/chain.py": ["test_ledger"],
    "ledger/signatures.py": ["test_attacks"],
    "ledger/standing.py": ["test_ledger"],
    "ledger/rows.py": ["test_ledger"],
    "ledger/bounds.py": ["test_revision", "test_attacks"],
    "plant/names.py": ["test_attacks"],
    "seal.py": ["test_record", "test_attacks"],
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
        aside = (".git", ".venv", "demo-plant", ".hypothesis", ".mypy_cache")
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(*aside))
        tests = ", ".join(f'"tests/{name}.py"' for name in TESTS[file])
        with (copy / "pyproject.toml").open("a", encoding="utf-8") as config:
            config.write(CONFIG.format(file=file, tests=tests))
        subprocess.run(_tool("run"), cwd=copy, check=False, stdout=subprocess.DEVNULL)
        told = _said(copy, "results", "--all", "true")
        found = [line.strip().split(": ") for line in told.splitlines() if ": " in line]
        first = sum(state == "killed" for _, state in found)
        left = [name for name, state in found if state in ("survived", "timeout", "suspicious")]
        alive = [name for name in left if _survives(copy, file, name)]
        shown = f"{len(found)} mutants, {first} killed at first, {len(left) - len(alive)} of {len(left)} at second look"
        print(f"{file}: {shown}, {len(found) - first - len(left)} never run", flush=True)
        for name in alive:
            lines = _said(copy, "show", name).splitlines()
            print("\n".join(x for x in lines if x[:2] in ("- ", "+ ", "--")), flush=True)


def _survives(copy: Path, file: str, name: str) -> bool:
    """Return whether all tests of the file's modules pass on a mutant."""
    source = copy / "optimiser" / file
    whole = source.read_bytes()
    try:
        _said(copy, "apply", name)
        assert source.read_bytes() != whole, name
        chosen = [f"tests/{test}.py" for test in TESTS[file]]
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *chosen]
        known = os.environ | {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
        done = subprocess.run(command, cwd=copy, env=known, capture_output=True, check=False)
    finally:
        source.write_bytes(whole)
    return done.returncode == 0


def _tool(*words: str) -> list[str]:
    return [sys.executable, "-m", "mutmut", *words]


def _said(copy: Path, *words: str) -> str:
    """Return what the tool prints."""
    done = subprocess.run(_tool(*words), cwd=copy, capture_output=True, text=True, check=False)
    return done.stdout


if __name__ == "__main__":
    wanted = sys.argv[1:] or list(TESTS)
    for known in TESTS:
        if any(word in known for word in wanted):
            mutants(known)
