"""Mutants of the files that carry the honesty: ``python tests/benchmarks/mutants.py certificate``.

Works on a copy of the repository, so that nothing here changes; needs ``pip install 'mutmut>=3.8'``.
The tool runs for each mutant those tests of the file's first module that it saw in the changed
function, the quickest first; it sees a fixture of a module in the first test alone that asked for it,
and nothing of other processes. So whatever is not killed is looked at again with all tests of the
file's modules in a process of its own. Prints per file how many mutants there are, how many the first
and the second look kill, and the difference of every survivor. With ``--folder`` the copy stays
there, and a later call looks at its survivors alone, with the tests of now.

What a decorator wraps (``@cache``, ``@property``) the tool leaves as it is: break that by hand.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
# The modules that test a file: the first look is by the first, the second by all of them.
TESTS = {
    "evidence/certificate.py": ["test_certificate"],
    "evidence/escapes.py": ["test_escapes"],
    "proposal/elsewhere.py": ["test_elsewhere"],
    "evidence/promise.py": ["test_promise"],
    "evidence/stated_rates.py": ["test_stated_rates"],
    "search/misread.py": ["test_problem", "test_pose"],
    "proposal/proof.py": ["test_proof"],
    "search/crossfit.py": ["test_crossfit"],
    "search/pose.py": ["test_problem", "test_pose"],
    "proposal/choice.py": ["test_choice"],
    "proposal/signing.py": ["test_signing"],
    "tally/rails.py": ["test_rails"],
    "tally/count.py": ["test_tally"],
    "ledger/chain.py": ["test_ledger"],
    "ledger/signatures.py": ["test_signatures"],
    "ledger/standing.py": ["test_standing", "test_ledger", "test_revision"],
    "ledger/rows.py": ["test_ledger"],
    "ledger/bounds.py": ["test_bounds"],
    "plant/names.py": ["test_names"],
    "seal.py": ["test_seal"],
}
ASIDE = (".git", ".venv", "demo-plant", ".hypothesis", ".mypy_cache")
CONFIG = """
[tool.mutmut]
source_paths = ["optimiser"]
only_mutate = ["optimiser/{file}"]
also_copy = ["data", "notebooks", "README.md", "DEVELOPERS.md", "LICENSE"]
pytest_add_cli_args = ["-p", "no:cacheprovider", "-q", "-o", "addopts=--import-mode=importlib", "-m", "not slow"]
pytest_add_cli_args_test_selection = ["{tests}"]
mutate_only_covered_lines = true
"""


class Copy:
    """A copy of the repository in which one file is mutated.

    Parameters
    ----------
    room : Path
        Folder for the copies and the tests' own files.
    file : str
        Below ``optimiser/``.
    """

    def __init__(self, room: Path, file: str) -> None:
        self.file = file
        self.path = room / file.removesuffix(".py").replace("/", "-")
        self.left = self.path / "left.txt"
        self.tests = [f"tests/{name}.py" for name in TESTS[file]]
        short_lived = room / "tmp"
        short_lived.mkdir(mode=0o755, exist_ok=True)
        self.env = os.environ | {
            "PYTHONPATH": str(self.path / "mutants"),
            "PYTHONDONTWRITEBYTECODE": "1",
            "TMPDIR": str(short_lived),
        }

    def is_of_now(self) -> bool:
        """Return whether the mutants are of the file as it stands."""
        mutated = self.path / "optimiser" / self.file
        return (
            mutated.exists()
            and mutated.read_bytes() == (ROOT / "optimiser" / self.file).read_bytes()
        )

    def prepare(self) -> None:
        """Copy the repository and say what is mutated and which tests look at it."""
        shutil.rmtree(self.path, ignore_errors=True)
        shutil.copytree(ROOT, self.path, ignore=shutil.ignore_patterns(*ASIDE))
        # On the path before it is filled: Python takes no notice later of what was missing at first.
        (self.path / "mutants").mkdir()
        with (self.path / "pyproject.toml").open("a", encoding="utf-8") as config:
            config.write(CONFIG.format(file=self.file, tests=self.tests[0]))

    def take_tests(self) -> None:
        """Bring the tests of now before mutants that were made earlier."""
        for place in (self.path, self.path / "mutants"):
            shutil.rmtree(place / "tests")
            shutil.copytree(ROOT / "tests", place / "tests", ignore=shutil.ignore_patterns(*ASIDE))

    def run(self, children: int) -> None:
        """Let the tool look at every mutant; what it saw before an interruption it keeps."""
        command = _tool("run", "--max-children", str(children))
        with (self.path / "run.txt").open("w", encoding="utf-8") as told:
            subprocess.run(command, cwd=self.path, env=self.env, check=True, stdout=told)

    def states(self) -> dict[str, str]:
        """Return each mutant's state after the first look."""
        lines = self.said("results", "--all", "true").splitlines()
        return dict(line.strip().split(": ") for line in lines if ": " in line)

    def said(self, *words: str) -> str:
        """Return what the tool prints."""
        done = subprocess.run(
            _tool(*words), cwd=self.path, env=self.env, capture_output=True, text=True, check=True
        )
        return done.stdout

    def passes(self, mutant: str, limit_s: float) -> bool:
        """Return whether all tests of the file's modules pass on a mutant, within a time."""
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider"]
        try:
            done = subprocess.run(
                [*command, *self.tests],
                cwd=self.path / "mutants",
                env=self.env | {"MUTANT_UNDER_TEST": mutant},
                capture_output=True,
                timeout=limit_s,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return False
        return done.returncode == 0

    def survivors(self, names: list[str]) -> list[str]:
        """Return the mutants that live at the second look."""
        if not names:
            return []
        started = time.monotonic()
        assert self.passes("", 3_600), "the tests fail without a mutant"
        limit = 60 + 5 * (time.monotonic() - started)
        assert not self.passes("fail", limit), "the tests do not reach the file"
        return [name for name in names if self.passes(name, limit)]


def mutants(room: Path, file: str, children: int, looks: int) -> None:
    """Run one file's mutants, or its survivors of an earlier call, and print what came of them."""
    copy = Copy(room, file)
    if copy.is_of_now():
        copy.take_tests()
    else:
        copy.prepare()
    looked = copy.left.exists()
    if not looked:
        copy.run(children)
    found = copy.states()
    first = [name for name, state in found.items() if state == "killed"]
    left = [name for name in found if name not in set(first)]
    if not looked:
        copy.left.write_text("\n".join(left))
    alive = copy.left.read_text().split()
    if looks > 1:
        alive = copy.survivors(alive)
    copy.left.write_text("\n".join(alive))
    counts = f"{len(found)} mutants, {len(first)} killed at first"
    print(f"{file}: {counts}, {len(left) - len(alive)} of {len(left)} since", flush=True)
    for name in alive:
        print(name, found[name])
        lines = copy.said("show", name).splitlines()
        print("\n".join(x for x in lines if x[:2] in ("- ", "+ ", "--")), flush=True)


def _tool(*words: str) -> list[str]:
    return [sys.executable, "-m", "mutmut", *words]


def main() -> None:
    """Run the files that are named, or all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("files", nargs="*", metavar="FILE", help="part of a name; default all")
    parser.add_argument("--folder", type=Path, help="keep the copies here, and go on from them")
    parser.add_argument("--children", type=int, default=1, help="mutants at once")
    parser.add_argument("--looks", type=int, default=2, choices=(1, 2), help="1: no second look")
    asked = parser.parse_args()
    # In memory: a ledger's tests mostly wait for the disk.
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as short:
        room = asked.folder or Path(short)
        room.mkdir(parents=True, exist_ok=True)
        room.chmod(0o755)
        for file in TESTS:
            if not asked.files or any(word in file for word in asked.files):
                mutants(room.resolve(), file, asked.children, asked.looks)


if __name__ == "__main__":
    main()
