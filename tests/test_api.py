"""Public names: documented, typed, and docstrings that name just the parameters there are."""

import dataclasses
import inspect
import re
from pathlib import Path

import pytest

import encsim

PUBLIC = sorted(name for name in encsim.__all__ if name != "__version__")


def documented(obj):
    """Parameter names in the Parameters section of a numpydoc string."""
    text = inspect.getdoc(obj) or ""
    section = re.search(r"^Parameters\n-+\n(.*?)(?=^\w+\n-+$|\Z)", text, re.S | re.M)
    names = re.findall(r"^(\w[\w, *]*?)(?: :.*)?$", section.group(1), re.M) if section else []
    return {name.strip(" *") for group in names for name in group.split(",")}


def test_docstring_names_the_parameters_of_every_function():
    functions = {name: getattr(encsim, name) for name in PUBLIC if inspect.isfunction(getattr(encsim, name))}
    given = {name: set(inspect.signature(function).parameters) for name, function in functions.items()}
    assert {name: documented(function) for name, function in functions.items()} == given


def test_docstring_names_the_fields_of_every_description():
    for name in ("Scale", "Signal", "Interpolation", "Sampling", "Axis", "Difference"):
        kind = getattr(encsim, name)
        assert documented(kind) == {item.name for item in dataclasses.fields(kind)}
        assert kind.__dataclass_params__.frozen


def test_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'ripples'"):
        encsim.ripples  # noqa: B018


def test_package_says_that_it_is_typed():
    assert (Path(encsim.__file__).parent / "py.typed").exists()


def test_version_is_that_of_the_project():
    project = (Path(__file__).resolve().parents[1] / "pyproject.toml").read_text()
    assert f'version = "{encsim.__version__}"' in project
