"""Results as text for people, and as one page for those who do not compute.

Modules named `..._text` make what commands print; `page` and what begins with it make the page from `templates/`.
Computes nothing.
May import every folder before it but `kernels`.
"""

import importlib
from types import ModuleType


def __getattr__(name: str) -> ModuleType:
    """Load a module of this folder when it is first used, so that the command line starts without it."""
    try:
        return importlib.import_module(f".{name}", __name__)
    except ModuleNotFoundError:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}") from None
