"""Results as text, and as one page for readers who do not compute.

`axis_tables` and modules named `..._text` make what commands print, from the shared `text_parts`.
`page` and modules named `page_...` make the page from `templates/`. No physics: results come from other folders.
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
