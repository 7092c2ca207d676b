"""The one way in which a function is compiled: options, inlining, and a cache that knows all sources of this folder.

A cached function holds machine code of every function it calls. numba looks only at the file of the function itself to
see whether its cache is out of date, so a change of a helper in another file would go unnoticed. Here the stamp of
every cache is that of the file together with a hash of all files of the folder.
"""

import hashlib
import os
from importlib import resources

# Nothing here uses numba's own threads; a number of them that it refuses would keep it from being loaded.
if not os.environ.get("NUMBA_NUM_THREADS", "1").strip().isdecimal() or not int(
    os.environ.get("NUMBA_NUM_THREADS", 1)
):
    del os.environ["NUMBA_NUM_THREADS"]

from numba import njit

try:
    from numba.core.caching import FunctionCache, NullCache
except ImportError:  # numba keeps its cache elsewhere: compile anew in every process
    FunctionCache = NullCache = None


def sources_hash():
    """Hash of all Python files of this folder."""
    digest = hashlib.sha256()
    files = (file for file in resources.files(__package__).iterdir() if file.name.endswith(".py"))
    for file in sorted(files, key=lambda file: file.name):
        content = file.read_bytes()
        digest.update(f"{file.name} {len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()


def _stamped_cache(function):
    """Numba's cache of a function, out of date as soon as any file of the folder changes."""
    cache = FunctionCache(function)
    cache._cache_file._source_stamp = cache._cache_file._source_stamp, _STAMP
    return cache


def _with_cache(dispatcher, function):
    """Give a compiled function its cache, where a folder for it can be written and numba is as it is known here."""
    # Without a cache the function is compiled in every process: slow, but never out of date.
    try:
        if type(dispatcher._cache) is NullCache:
            dispatcher._cache = _stamped_cache(function)
    except (AttributeError, TypeError, RuntimeError, OSError):
        pass
    return dispatcher


def _decorator(**options):
    """Decorator that compiles a function when it is first called."""

    def wrap(function):
        return _with_cache(njit(nogil=True, error_model="numpy", **options)(function), function)

    return wrap


_STAMP = sources_hash()
compiled = _decorator()
# Left to itself LLVM calls the longer formulas instead of inlining them, and a loop with a call does not
# vectorise: Gaussian numbers 9.0 ns each so, 2.1 ns inlined.
formula = _decorator(forceinline=True)
# The way in from Python takes a quarter of the time of compiling: these are called from compiled code only, a call from
# Python would crash.
_INSIDE = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
inner = _decorator(**_INSIDE)
inlined = _decorator(forceinline=True, **_INSIDE)
