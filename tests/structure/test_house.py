"""The house stands as it is drawn: ranks, sizes, what may be loaded where."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

import soakd
from soakd import api

PACKAGE = Path(soakd.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
RANKS = {
    "errors": 0, "units": 0, "clock": 0, "splitmix": 0,
    "model": 1,
    "rules": 2, "ports": 2, "workloads": 2, "plugins": 2,
    "sensors": 3, "crew": 3, "store": 3, "config": 3, "report": 3, "virtual": 3,
    "engine": 4, "web": 4,
    "service": 5,
    "cli": 6,
    "api": 7,
}  # fmt: skip
LONGEST_MODULE = 300
LONGEST_FUNCTION = 50


def name_of(path: Path) -> str:
    parts = ("soakd", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module: str) -> str | None:
    """The room right under the package; None for the package itself."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else None


def imports_of(path: Path) -> set[str]:
    """Every module of ours that the file names in an import, wherever in the file it stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative imports hide the room"
            found |= {node.module} if node.module != "soakd" else {f"soakd.{alias.name}" for alias in node.names}
    return {module for module in found if module.split(".")[0] == "soakd"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_imports_only_lower_rooms_or_its_own(path):
    room = room_of(name_of(path))
    for target in imports_of(path):
        other = room_of(target)
        if other is None or other == room:
            continue
        assert room is not None, "soakd/__init__.py imports nothing"
        assert RANKS[other] < RANKS[room], (
            f"{name_of(path)} (rank {RANKS[room]}) imports {target} (rank {RANKS[other]})"
        )


def test_every_room_has_a_rank():
    rooms = {room_of(name_of(path)) for path in MODULES} - {None}
    assert rooms == set(RANKS)


def test_the_package_itself_imports_nothing():
    assert not imports_of(PACKAGE / "__init__.py")
    assert (PACKAGE / "__init__.py").read_text() == ""


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_modules_and_functions_stay_short(path):
    text = path.read_text()
    assert len(text.splitlines()) <= LONGEST_MODULE
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno - node.lineno + 1 <= LONGEST_FUNCTION, f"{node.name} is too long"


def libraries_of(paths: list[Path]) -> set[str]:
    """Whatever is not ours and is imported at the top of one of these modules."""
    nodes = [node for path in paths for node in ast.parse(path.read_text()).body]
    absolute = {node.module for node in nodes if isinstance(node, ast.ImportFrom) and node.module}
    plain = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    return {name for name in absolute | plain if name.partition(".")[0] != PACKAGE.name}


def test_each_module_imports_alone_with_warnings_as_errors():
    """Each in a fresh fork of an interpreter that has loaded the libraries, and the rooms of lower rank: those import
    nothing of this one, so what they have loaded cannot be what it lacks.
    """
    script = """
import importlib, json, os, sys, traceback
for library in sys.argv[1:]:
    importlib.import_module(library)
failed = []
for names in json.load(sys.stdin):
    for name in names:
        pid = os.fork()
        if pid == 0:
            try:
                importlib.import_module(name)
            except BaseException:
                traceback.print_exc()
                os._exit(1)
            os._exit(0)
        if os.waitpid(pid, 0)[1]:
            failed.append(name)
    for name in names:
        if name not in failed:
            importlib.import_module(name)
print(json.dumps(failed))
"""
    names = [name_of(path) for path in MODULES]
    ranked = [[name for name in names if RANKS.get(room_of(name), -1) == rank] for rank in range(-1, 8)]
    assert sorted(name for rank in ranked for name in rank) == sorted(names)
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script, *libraries_of(MODULES)],
        input=json.dumps(ranked), capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert json.loads(done.stdout) == [], done.stderr


def loaded_after(statement: str) -> set[str]:
    script = f"import sys; {statement}; print('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return {name.split(".")[0] for name in done.stdout.split()}


def test_the_crew_s_child_loads_nothing_that_a_worker_does_not_need():
    loaded = loaded_after(
        "import soakd.crew.child; from soakd.workloads.catalog import build; build('integer/streams', 'scalar')"
    )
    assert "llvmlite" in loaded
    assert not loaded & {"psutil", "sqlite3", "apscheduler", "typer", "pydantic", "rich", "numpy"}


def test_the_guard_s_process_loads_neither_journal_nor_screen_nor_compiler():
    loaded = loaded_after("import soakd.service.engine_process")
    assert "psutil" in loaded
    assert not loaded & {"sqlite3", "apscheduler", "typer", "rich", "llvmlite", "numpy", "cryptography"}


def test_help_loads_nothing_heavy():
    loaded = loaded_after("import soakd.cli.main")
    assert not loaded & {"psutil", "sqlite3", "pydantic", "rich", "llvmlite", "cryptography"}


def test_the_facade_is_what_it_says():
    public = {name for name in vars(api) if not name.startswith("_")} - {"annotations"}
    assert public == set(api.__all__)


def test_nothing_in_the_package_imports_the_facade():
    assert not [name_of(path) for path in MODULES if "soakd.api" in imports_of(path)]
