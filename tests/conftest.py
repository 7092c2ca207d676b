"""What all tests share: how they use the machine."""

import os
import pickle
import sys

import pytest

# Two workers share two cores: threads of the linear algebra would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Without bytecode each worker and each of 200 programs that tests start would compile the package anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
LONG = 1e5
KNOWN = {}


@pytest.fixture(scope="session", autouse=True)
def _quiet_compilation():
    """On a fresh machine the first run of a process compiles: tests read what a command says beside that."""
    from encsim.kernels import compiling

    patience, compiling.PATIENCE = compiling.PATIENCE, LONG
    yield
    compiling.PATIENCE = patience


def pytest_addoption(parser):
    parser.addoption(
        "--thorough", action="store_true", help="random tests take all their cases: minutes to hours"
    )


@pytest.fixture(scope="session")
def cases(request):
    """Number of random cases: `cases(few, many)` is few by default and many with --thorough."""
    thorough = request.config.getoption("--thorough")
    return lambda few, many: many if thorough else few


def _remembering(function):
    """The function, computed once for each set of arguments, but for the checks by simulation."""

    def remembering(*given, progress=None, **more):
        if more.get("verify"):
            return function(*given, progress=progress, **more)
        key = pickle.dumps((function.__name__, given, more))
        if key not in KNOWN:
            KNOWN[key] = function(*given, **more)
        return KNOWN[key]

    return remembering


@pytest.fixture
def once(monkeypatch):
    """Texts and examples that tell the same result in many ways compute it once."""
    import encsim

    for name in ("tuning", "explain"):
        monkeypatch.setattr(encsim, name, _remembering(getattr(encsim, name)))
