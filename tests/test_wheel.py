"""What a user installs holds everything: each folder, the templates of the page, the stub, the mark of types."""

import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
KEPT = (".py", ".pyi", ".typed", ".html", ".css", ".js", ".toml")


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    """Names of the files in a wheel built offline from a copy of the sources."""
    folder = tmp_path_factory.mktemp("wheel")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder)
    unwanted = shutil.ignore_patterns("__pycache__", "*.egg-info")
    shutil.copytree(ROOT / "encsim", folder / "encsim", ignore=unwanted)
    command = [sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-index", "--no-build-isolation", "-q"]
    done = subprocess.run([*command, "-w", folder, folder], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    (wheel,) = folder.glob("encsim-*.whl")
    return set(zipfile.ZipFile(wheel).namelist())


def test_wheel_holds_every_file_of_the_package(packed):
    sources = {
        path.relative_to(ROOT).as_posix() for path in (ROOT / "encsim").rglob("*") if path.suffix in KEPT
    }
    assert {name for name in packed if name.startswith("encsim/")} == sources


@pytest.mark.parametrize(
    "name",
    [
        "encsim/__init__.pyi",
        "encsim/py.typed",
        "encsim/reporting/templates/page.html",
        "encsim/kernels/__init__.py",
        "encsim/cli/__init__.py",
    ],
)
def test_wheel_holds(packed, name):
    assert name in packed


def test_wheel_holds_the_package_only(packed):
    assert {name.split("/")[0].split("-")[0] for name in packed} == {"encsim"}
