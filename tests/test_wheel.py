"""What is installed or unpacked holds everything: folders, templates, stub, mark of types; tests with their data."""

import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
KEPT = (".py", ".pyi", ".typed", ".html", ".css", ".js", ".toml")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Folder of a wheel and a source distribution, built offline."""
    folder = tmp_path_factory.mktemp("built")
    command = [sys.executable, "-m", "hatchling", "build", "-d", folder]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def packed(folder):
    """Names of the files in the wheel."""
    (wheel,) = folder.glob("encsim-*.whl")
    return set(zipfile.ZipFile(wheel).namelist())


@pytest.fixture(scope="module")
def unpacked(folder):
    """Names of the files in the source distribution, from its own folder on."""
    (source,) = folder.glob("encsim-*.tar.gz")
    with tarfile.open(source) as archive:
        return {name.partition("/")[2] for name in archive.getnames()}


def files_of(folder):
    """Names of the files of a folder of the project, without what Python keeps beside them."""
    paths = (path for path in (ROOT / folder).rglob("*") if path.is_file())
    return {path.relative_to(ROOT).as_posix() for path in paths if path.parent.name != "__pycache__"}


def test_wheel_holds_every_file_of_the_package(packed):
    sources = {name for name in files_of("encsim") if name.endswith(KEPT)}
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


@pytest.mark.parametrize("folder_name", ["encsim", "tests", "benchmarks", "examples"])
def test_source_distribution_holds(unpacked, folder_name):
    assert {name for name in unpacked if name.startswith(f"{folder_name}/")} == files_of(folder_name)


def test_source_distribution_holds_what_stands_at_the_top(unpacked):
    assert {name for name in unpacked if "/" not in name} == {
        ".gitignore",
        "DEVELOPERS.md",
        "LICENSE",
        "PKG-INFO",
        "README.md",
        "pyproject.toml",
    }
