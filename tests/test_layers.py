"""Imports go to the left only: a folder uses the folders before it and its own, never one behind it."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "encsim"
# What each folder may import, beside itself and the ground floor ("." is the top of the package).
_TO_LOOP = "kernels model formats rings open_loop closed_loop"
_TO_SPREADS = f"{_TO_LOOP} calibration gains time_domain recordings decisions spreads"
FOLDERS = {
    ".": "",
    "kernels": "",
    "plotting": "",
    "model": "",
    "formats": "model",
    "rings": "model formats",
    "open_loop": "kernels model formats rings",
    "calibration": "model formats rings",
    "closed_loop": _TO_LOOP,
    "gains": _TO_LOOP,
    "time_domain": _TO_LOOP,
    "recordings": "model formats open_loop time_domain",
    "decisions": f"{_TO_LOOP} gains time_domain recordings",
    "spreads": f"{_TO_LOOP} gains time_domain decisions",
    "figures": f"{_TO_SPREADS} plotting",
    "reporting": f"{_TO_SPREADS} plotting figures",
    "cli": f"{_TO_SPREADS} plotting figures reporting",
}
MODULES = sorted(PACKAGE.rglob("*.py"))


def folder_of(path):
    return path.relative_to(PACKAGE).parent.as_posix()


def imported_folders(path):
    """Folders of the package that a module imports from, anywhere in it, inside functions too."""
    here = folder_of(path)
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.level:
            base = [] if here == "." else here.split("/")
            base = base[: len(base) - node.level + 1]
            target = [*base, *(node.module or "").split(".")] if node.module else base
            names = [*target, ""] if target else [alias.name for alias in node.names]
            yield names[0] if names[0] in FOLDERS else "."


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_module_imports_only_to_the_left(path):
    here = folder_of(path)
    if path.name in ("__init__.py", "__main__.py") and here == ".":
        return
    allowed = {here, ".", *FOLDERS[here].split()}
    wrong = sorted(set(imported_folders(path)) - allowed)
    assert not wrong, f"{path.name} imports from {wrong}; {here} may import {sorted(allowed)}"


def test_only_the_kernels_import_numba():
    users = {folder_of(path) for path in MODULES if "import njit" in path.read_text()}
    assert users == {"kernels"}
