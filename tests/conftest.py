"""What all tests share: how they use the machine."""

import os

import pytest

# Two workers share two cores: threads of the linear algebra would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
LONG = 1e5


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
