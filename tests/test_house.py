"""The house itself: one door per library, thin packages, a README that is true."""

import ast
import subprocess
import sys
import textwrap
import tomllib
from functools import cache
from pathlib import Path

import pytest

import optimiser
from optimiser.cli import COMMANDS, main

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "optimiser"
MODULES = sorted(PACKAGE.rglob("*.py"))

# The files that may import a library, by their paths' beginnings.
DOORS = {
    "duckdb": (
        *("history", "demo", "begin", "intake", "tally/digested.py", "tally/elsewhere.py"),
        "proposal/state.py",  # its version
    ),
    "optuna": ("search/study.py",),
    "altair": ("views/drawing.py",),
    "ipywidgets": ("views",),
    "rich": ("views",),
    "ruptures": ("evidence/moved.py",),
    "pydantic": ("plant", "proposal/record.py"),
    "tqdm": ("commands", "views/notebook.py"),
    "anywidget": ("views",),
    "watchfiles": ("commands",),
    "vl_convert": ("views",),
    "jinja2": ("views/report.py", "recipe/form.py"),
    "sqlite3": ("ledger",),
    "pyarrow": ("intake", "tally/engines.py", "tally/kept.py"),
    "sqlalchemy": ("intake/fetch.py",),
    "psycopg": (),
    "joblib": ("machines.py",),
    "distributed": ("machines.py",),
}


@cache
def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
    return names


@pytest.mark.parametrize("library", DOORS)
def test_one_door_per_library(library):
    users = {
        str(p.relative_to(PACKAGE))
        for p in MODULES
        if library in {n.split(".")[0] for n in imported(p)}
    }
    assert all(u.startswith(DOORS[library]) for u in users), users


def test_packages_re_export_nothing():
    for path in PACKAGE.rglob("__init__.py"):
        if path != PACKAGE / "__init__.py":
            assert not imported(path), path
        assert ast.get_docstring(ast.parse(path.read_text())), path


def test_every_module_says_what_it_is():
    for path in MODULES:
        assert ast.get_docstring(ast.parse(path.read_text())), path


def test_top_level_holds_what_it_should():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    top = {name.split("/")[0] for name in listed if name}
    assert top == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        ".gitignore",
        ".ci",
        "optimiser",
        "notebooks",
        "tests",
        "data",
    }


def test_every_dependency_has_its_reason():
    table = tomllib.loads((ROOT / "pyproject.toml").read_text())
    reasons = (ROOT / "DEVELOPERS.md").read_text()
    extras = table["project"]["optional-dependencies"].values()
    wanted = {*table["project"]["dependencies"], *(line for extra in extras for line in extra)}
    for line in (x for x in wanted if not x.startswith("optimiser[")):
        name = line.split(">")[0].split("=")[0].split("[")[0].strip()
        assert f"**{name}**" in reasons, f"DEVELOPERS.md gives no reason for {name}"


def test_readme_has_two_commands_on_one_line_each():
    text = (ROOT / "README.md").read_text()
    commands = [b.split("```")[0].strip() for b in text.split("```sh\n")[1:]]
    assert len(commands) == 2
    assert all("\n" not in c for c in commands)
    assert "optimiser demo" in commands[0]
    assert "pytest" in commands[1]


def test_readme_names_every_command():
    text = (ROOT / "README.md").read_text()
    for command in COMMANDS:
        assert f"optimiser {command}" in text, command


def test_caution_stands_where_people_read():
    from optimiser.caution import CAUTION

    assert "licensed" in CAUTION
    for path in (ROOT / "README.md", *(ROOT / "notebooks").glob("*.ipynb")):
        assert "licensed to set them" in path.read_text().replace("\n> ", " "), path


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command, capsys):
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert COMMANDS[command].split(",")[0] in shown
    assert f"optimiser {command}" in shown


def test_version_is_told():
    done = subprocess.run(
        [sys.executable, "-m", "optimiser", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == optimiser.__version__


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_light(command):
    """Generous bounds, processor time: 0.3 s and 47 MB were measured on a quiet machine."""
    script = f"""
        import sys, time
        from pathlib import Path
        start = time.process_time()
        from optimiser.cli import main
        try:
            main(["{command}", "--help"])
        except SystemExit:
            pass
        spent = time.process_time() - start
        # What getrusage tells a child is the most its parent ever held.
        status = Path("/proc/self/status").read_text()
        most = int(status.split("VmHWM:")[1].split()[0]) / 1000
        print(spent, most, *sorted(sys.modules), file=sys.stderr)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, check=True
    )
    spent, most, *modules = done.stderr.split()
    heavy = {"pandas", "duckdb", "optuna", "altair", "scipy", "statsmodels", "ipywidgets"}
    assert heavy & set(modules) == set()
    assert float(spent) < 3.0
    assert float(most) < 100


def test_the_package_itself_loads_nothing_until_asked():
    script = "import sys, optimiser; print(*sys.modules); optimiser.open_plant; print('pandas' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    before, after = done.stdout.strip().split("\n")
    assert not {"numpy", "pandas", "pydantic"} & set(before.split())
    assert after == "True"
    assert {*optimiser.__all__} == {*dir(optimiser)}
    for name in optimiser.__all__:
        assert getattr(optimiser, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'open_plan'"):
        _ = optimiser.open_plan


def test_a_server_does_without_the_notebook_libraries():
    """Every command and the night, with the libraries of the notebook extra missing."""
    extra = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    names = [line.split(">")[0] for line in extra["optional-dependencies"]["notebook"]]
    modules = [
        str(path.relative_to(ROOT).with_suffix("")).replace("/", ".")
        for path in MODULES
        if "panels" not in path.parts and path.name not in ("notebook.py", "__main__.py")
    ]
    script = f"""
        import importlib, sys
        for name in {names!r}:
            sys.modules[name] = None
        for name in {modules!r}:
            importlib.import_module(name.removesuffix(".__init__"))
    """
    subprocess.run([sys.executable, "-c", textwrap.dedent(script)], check=True)
