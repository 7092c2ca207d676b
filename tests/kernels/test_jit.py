"""The cache of compiled functions: kept where nothing changed, out of date when any file of the folder changes."""

import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

from encsim import kernels
from encsim.kernels import jit

HELPER = """
from .jit import inlined


@inlined
def helped(x):
    return {factor} * x
"""
CALLER = """
from .helper import helped
from .jit import compiled


@compiled
def called(x):
    return helped(x) + 1.0
"""
# {package}: result, and whether it came from the cache
CALL = """
from importlib import import_module
for name in {names}:
    called = import_module(name + ".caller").called
    print(called(2.0), sum(called.stats.cache_hits.values()))
"""


def write(folder, factor, jit_source=None, name="tiny"):
    """A package of two files, whose second calls the first, with the decorators of the kernels."""
    package = folder / name
    package.mkdir(exist_ok=True)
    (package / "__init__.py").touch()
    (package / "jit.py").write_text(jit_source or Path(jit.__file__).read_text())
    (package / "caller.py").write_text(CALLER)
    (package / "helper.py").write_text(HELPER.format(factor=factor))


def call(folder, names=("tiny",), **environment):
    """Results of a new process, and how many times it found machine code in the cache; of one package alone."""
    # bytecode of a file is told from that of another by the second of its change only
    env = {
        **os.environ,
        "PYTHONDONTWRITEBYTECODE": "1",
        "NUMBA_CACHE_DIR": str(folder / "cache"),
        **environment,
    }
    code = CALL.format(names=names)
    run = subprocess.run([sys.executable, "-c", code], cwd=folder, env=env, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert run.stderr == ""
    told = [(float(result), int(hits)) for result, hits in map(str.split, run.stdout.splitlines())]
    return told if len(names) > 1 else told[0]


def test_cache_serves_until_a_helper_in_another_file_changes(tmp_path):
    write(tmp_path, 3.0)
    assert call(tmp_path) == (7.0, 0)
    assert call(tmp_path) == (7.0, 1)
    write(tmp_path, 5.0)
    assert call(tmp_path) == (11.0, 0)
    assert call(tmp_path) == (11.0, 1)


def test_functions_are_compiled_anew_where_numba_keeps_its_cache_in_another_way(tmp_path):
    source = Path(jit.__file__).read_text()
    others = {
        "import FunctionCache, NullCache": "import FunctionStore, NullCache",
        "_cache_file._source_stamp,": "_cache_file._stamp_of_source,",
        "dispatcher._cache)": "dispatcher._store)",
    }
    names = [f"tiny{number}" for number in range(len(others))]
    for factor, result in ((3.0, 7.0), (5.0, 11.0)):
        for name, (known, other) in zip(names, others.items(), strict=True):
            assert known in source
            write(tmp_path, factor, source.replace(known, other), name)
        assert call(tmp_path, names) == [(result, 0)] * 3


def test_functions_are_compiled_anew_where_no_folder_for_a_cache_can_be_written(tmp_path):
    write(tmp_path, 3.0)
    (tmp_path / "tiny" / "__pycache__").touch()  # a file where the folder should be
    blocked = {"NUMBA_CACHE_DIR": "", "HOME": "/proc/none", "XDG_CACHE_HOME": "/proc/none"}
    assert call(tmp_path, **blocked) == (7.0, 0)


def test_functions_run_uncompiled_where_numba_is_switched_off(tmp_path):
    write(tmp_path, 3.0)
    code = "from tiny.caller import called; print(called(2.0))"
    env = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
    run = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, env=env, capture_output=True, text=True)
    assert (run.stdout, run.stderr) == ("7.0\n", "")


def test_parts_are_whole_functions_where_numba_puts_code_together_in_another_way(tmp_path):
    source = Path(jit.__file__).read_text()
    assert "import JITCodeLibrary" in source
    write(tmp_path, 3.0, source.replace("import JITCodeLibrary", "import JITLibrary"))
    assert call(tmp_path) == (7.0, 0)
    assert call(tmp_path) == (7.0, 1)


def test_every_function_called_from_python_has_the_stamp_of_all_files():
    modules = [
        import_module(f"{kernels.__name__}.{module.name}") for module in iter_modules(kernels.__path__)
    ]
    functions = {f for module in modules for f in vars(module).values() if hasattr(f, "py_func")}
    entries = {f for f in functions if not isinstance(f._cache, jit.NullCache)}
    assert len(functions) > 100
    assert {"chain_block", "encode_block", "encoder_step", "many_loops_block"} < {f.__name__ for f in entries}
    assert {f._cache._cache_file._source_stamp[1] for f in entries} == {jit.sources_hash()}
    # a part has no code of its own that could be kept
    assert all("pipeline_class" not in f.targetoptions for f in entries)
