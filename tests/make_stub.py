"""Writes `encsim/__init__.pyi`, what a type checker and an editor read: `python tests/make_stub.py`."""

import ast
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1] / "encsim"
STUB = PACKAGE / "__init__.pyi"


def table(name: str) -> dict[str, str]:
    """One of the tables of `encsim/__init__.py`, read without importing it."""
    for node in ast.parse((PACKAGE / "__init__.py").read_text()).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == name:
            return ast.literal_eval(node.value)
    raise LookupError(f"encsim/__init__.py has no table {name}")


def stub() -> str:
    """Text of the stub: every public name imported from where it lives, under the same name."""
    names, modules = table("_HOMES"), table("_MODULES")
    imports = [(f"encsim.{home}", name) for name, home in names.items()]
    imports += [(f"encsim.{home.rpartition('.')[0]}", name) for name, home in modules.items()]
    lines = [
        '"""Public names and where they live; written by tests/make_stub.py from the table beside it."""',
        "",
    ]
    lines += [f"from {home} import {name} as {name}" for home, name in sorted(imports)]
    listed = ["__version__", *names]
    lines += ["", "__version__: str", "__all__ = [", *(f'    "{name}",' for name in listed), "]"]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    STUB.write_text(stub())
