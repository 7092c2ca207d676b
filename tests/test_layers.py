"""The house: folders in the order of the data, imports to the left only, modules of a size that can be read."""

import ast
import re
from collections import Counter
from pathlib import Path

import pytest

import encsim

PACKAGE = Path(__file__).resolve().parents[1] / "encsim"
# What each folder may import, beside itself and the ground floor ("." is the top of the package).
_PHYSICS = "model rings open_loop closed_loop time_domain"
_RESULTS = f"{_PHYSICS} calibration recordings decisions spreads"
FOLDERS = {
    ".": "",
    "kernels": "",
    "presentation": "",
    "model": "",
    "formats": "model",
    "rings": "model",
    "open_loop": "model rings",
    "calibration": "formats",
    "closed_loop": "model rings open_loop",
    "gains": "model formats rings open_loop closed_loop",
    "time_domain": "kernels model rings open_loop closed_loop",
    "recordings": "model formats calibration rings open_loop closed_loop",
    "decisions": f"{_PHYSICS} formats gains",
    "spreads": "model formats open_loop closed_loop decisions",
    "figures": f"{_RESULTS} presentation",
    "reporting": f"{_RESULTS} formats gains presentation figures",
    "cli": f"{_RESULTS} formats gains presentation figures reporting",
}
MODULES = sorted(PACKAGE.rglob("*.py"))
# Too many modules, too short, too long: lists to be emptied, never to grow.
SHORT = {
    "open_loop/phases.py": "one subject, read by timed edges, peaks and replays",
    "__main__.py": "answers --help and --version before anything is loaded",
    "model/delays.py": "one definition, used by every room",
    "calibration/fourier_series.py": "one subject, used by three modules",
    "kernels/compiling.py": "a notice while a first run compiles; must load without numba",
    "time_domain/demand.py": "one subject",
}
LONG: dict[str, int] = {}


def folder_of(path):
    return path.relative_to(PACKAGE).parent.as_posix()


def named(path):
    return path.relative_to(PACKAGE).as_posix()


def allowed_in(here):
    """Folders that a module of this one may import from; the kernels know not even the ground floor."""
    return {here, *FOLDERS[here].split()} | (set() if here == "kernels" else {"."})


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


def test_modules_import_only_to_the_left():
    free = {"__init__.py", "__main__.py"}
    wrong = {
        named(path): strangers
        for path in MODULES
        if named(path) not in free
        and (strangers := set(imported_folders(path)) - allowed_in(folder_of(path)))
    }
    assert wrong == {}, "folders of these imports lie to the right"


def test_table_goes_to_the_left_only():
    for place, here in enumerate(FOLDERS):
        assert set(FOLDERS[here].split()) <= set(list(FOLDERS)[:place]), here


def test_contributor_guide_shows_the_same_table():
    guide = (PACKAGE.parent / "DEVELOPERS.md").read_text()
    rows = re.findall(r"^\| `([\w.]+)` \| [^|]+ \| ?([^|]*)\|$", guide, re.M)
    assert [here for here, _ in rows] == list(FOLDERS)
    for place, (here, said) in enumerate(rows):
        names = set(re.findall(r"`(\w+)`", said))
        if said.startswith("all before it"):
            names = set(list(FOLDERS)[1:place]) - names
        assert names == set(FOLDERS[here].split()), here


def test_only_the_kernels_import_numba():
    users = {folder_of(path) for path in MODULES if "import njit" in path.read_text()}
    assert users == {"kernels"}


def test_table_lists_the_folders_there_are():
    there = {folder_of(path) for path in MODULES}
    assert there == set(FOLDERS)
    assert 10 <= len(there) - 1 <= 16


def test_folders_have_three_to_sixteen_modules():
    counts = Counter(folder_of(path) for path in MODULES if path.name != "__init__.py")
    most = dict.fromkeys(FOLDERS, 16) | {".": 10}  # nine of the ground floor, and __main__
    assert [name for name in FOLDERS if not 3 <= counts[name] <= most[name]] == []


def test_no_folder_is_named_like_a_public_name():
    assert set(FOLDERS).isdisjoint({*encsim.__all__, *encsim._MODULES})


@pytest.mark.parametrize("folder", [name for name in FOLDERS if name != "."])
def test_folder_says_what_lives_there_and_what_it_may_import(folder):
    text = ast.get_docstring(ast.parse((PACKAGE / folder / "__init__.py").read_text()))
    assert 3 <= len(text.splitlines()) <= 6
    said = " ".join(text.split())
    about, said = said[: said.rindex("May import")], said[said.rindex("May import") :]
    for name in set(re.findall(r"`(\w+)`", about)) - {"encsim"}:
        assert name in FOLDERS or (PACKAGE / folder / f"{name}.py").exists(), f"{folder} has no {name}"
    names = set(re.findall(r"`(\w+)`", said))
    if "every folder before it" in said:
        names = set(list(FOLDERS)[1 : list(FOLDERS).index(folder)]) - names
    assert names == set(FOLDERS[folder].split())
    assert ("ground floor" in said or "every folder" in said) == (folder != "kernels")


def test_no_two_classes_share_a_name():
    names = Counter(
        name for path in MODULES for name in re.findall(r"^ *class (\w+)[(:]", path.read_text(), re.M)
    )
    assert names["Axis"] == 1
    assert [name for name, times in names.items() if times > 1] == []


def test_modules_can_be_read_at_one_sitting():
    lines = {
        named(path): len(path.read_text().splitlines()) for path in MODULES if path.name != "__init__.py"
    }
    assert [name for name, count in lines.items() if count > LONG.get(name, 400)] == []
    assert [name for name, count in lines.items() if count < 80 and name not in SHORT] == []


def test_exceptions_are_still_needed():
    there = {named(path): len(path.read_text().splitlines()) for path in MODULES}
    assert [name for name in LONG if there.get(name, 0) <= 400] == [], "take them out of LONG"
    assert [name for name in SHORT if there.get(name, 80) >= 80] == [], "take them out of SHORT"
