"""The one way in which a function is compiled: options, inlining, and a cache that knows all sources of this folder.

A cached function holds machine code of every function it calls. numba looks only at the file of the function itself to
see whether its cache is out of date, so a change of a helper in another file would go unnoticed. Here the stamp of
every cache is that of the file together with a hash of all files of the folder.
"""

import hashlib
import os
from importlib import resources
from typing import ClassVar

# Nothing here uses numba's own threads; a number of them that it refuses would keep it from being loaded.
if not os.environ.get("NUMBA_NUM_THREADS", "1").strip().isdecimal() or not int(
    os.environ.get("NUMBA_NUM_THREADS", 1)
):
    del os.environ["NUMBA_NUM_THREADS"]

from llvmlite import ir
from numba import njit, types
from numba.core import cgutils
from numba.extending import intrinsic

try:
    from numba.core.caching import FunctionCache, NullCache
except ImportError:  # numba keeps its cache elsewhere: compile anew in every process
    FunctionCache = NullCache = None
try:
    from numba.core.codegen import JITCodeLibrary
    from numba.core.compiler import Compiler
except ImportError:  # numba puts code together in another way: optimise every function by itself
    JITCodeLibrary = Compiler = None


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


class _Remembering:
    """Numba's typing, which remembers what its own functions and operators make of each kind of arguments."""

    _found: ClassVar[dict] = {}

    def __init__(self, typing):
        self._typing = typing

    def __getattr__(self, name):
        return getattr(self._typing, name)

    def resolve_function_type(self, function, args, kws):
        """Signature of a call: numba asks some ten templates each time that two floats are added."""
        if type(function) is not types.Function or kws:
            return self._typing.resolve_function_type(function, args, kws)
        key = function, tuple(args)
        if key not in self._found:
            self._found[key] = self._typing.resolve_function_type(function, args, kws)
        return self._found[key]


class _Silent:
    """The code generator of a part, which has no environment to set."""

    def __init__(self, generator):
        self._generator = generator

    def __getattr__(self, name):
        return getattr(self._generator, name)

    def set_env(self, name, env):
        """Nothing: a part is not in memory."""


def _part_of_callers(alone=False):
    """Option of a function that becomes machine code in its callers only, optimised ``alone`` before that or not."""
    # Left to itself numba optimises every function together with all that it calls and makes machine code of it: a
    # helper six calls deep six times over. That was half of the time of compiling.
    if JITCodeLibrary is None:
        return {}

    class Part(JITCodeLibrary):
        def _optimize_final_module(self):
            if alone:
                super()._optimize_final_module()

        def _finalize_final_module(self):
            self._finalized = True

        def get_pointer_to_function(self, name):
            self._ensure_finalized()
            return 0

        @property
        def codegen(self):
            return _Silent(self._codegen)

    class PartCompiler(Compiler):
        def __init__(self, typing, target, library, *rest):
            library = Part(target.codegen(), "part")
            super().__init__(_Remembering(typing), target, library, *rest)

        def define_pipelines(self):
            managers = super().define_pipelines()
            for manager in managers:
                manager.passes = [step for step in manager.passes if step[0].__name__ not in _NEEDLESS]
            return managers

    return {"pipeline_class": PartCompiler}


def _decorator(**options):
    """Decorator that compiles a function when it is first called."""

    def wrap(function):
        # _nrt: nothing here allocates, so nothing counts references to arrays, and no code for it is compiled
        made = njit(nogil=True, error_model="numpy", _nrt=False, **options)(function)
        return made if "pipeline_class" in options else _with_cache(made, function)

    return wrap


_STAMP = sources_hash()
# Steps of numba for what no part has: closures, comprehensions, array expressions, Python objects, loops over tuples of
# many types. After each step numba looks at the whole function again: together a twentieth of the time of compiling.
_NEEDLESS = {
    *("WithLift", "InlineClosureLikes", "InlineInlinables", "FindLiterallyCalls", "LiteralUnroll"),
    *("MakeFunctionToJitFunction", "InlineOverloads", "NopythonRewrites", "DumpParforDiagnostics"),
}
# The way in from Python takes a quarter of the time of compiling: only what Python calls has one. A call from Python of
# the others would crash.
_INSIDE = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
compiled = _decorator()
inner = _decorator(**_INSIDE, **_part_of_callers())
# Left to itself LLVM calls the longer formulas instead of inlining them, and a loop with a call does not vectorise:
# Gaussian numbers 9.0 ns each so, 2.1 ns inlined.
inlined = _decorator(forceinline=True, **_INSIDE, **_part_of_callers())
# Loops over a row vectorise where the compiler sees them alone, with few arrays.
row_loop = _decorator(forceinline=True, **_INSIDE, **_part_of_callers(alone=True))


def called_at(signature):
    """Call of machine code at an address, the first argument: what few need is compiled when it is needed."""

    @intrinsic
    def call(context, address, *arguments):
        def build(context, builder, given, values):
            convention = context.call_conv
            kind = convention.get_function_type(signature.return_type, signature.args)
            code = builder.inttoptr(values[0], ir.PointerType(kind))
            numbers = cgutils.unpack_tuple(builder, values[1], len(signature.args))
            convention.call_function(builder, code, signature.return_type, signature.args, numbers)
            return context.get_dummy_value()

        return types.void(types.int64, types.Tuple(signature.args)), build

    return call


def address_of(function, signature):
    """Address of the machine code of a compiled function for arguments of these types; compiles it if need be."""
    function.compile(signature.args)
    made = function.overloads[signature.args]
    return made.library.get_pointer_to_function(made.fndesc.llvm_func_name)


def from_python(function):
    """The same function with a way in from Python: for tests and benchmarks of single stages."""
    return compiled(function.py_func)
