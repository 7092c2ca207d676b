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
