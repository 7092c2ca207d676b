"""What README shows is there: every command line can be read, every file exists, every name is public."""

import ast
import re
import shlex
from pathlib import Path

import pytest

import encsim
from encsim.cli.parser import COMMANDS, build_parser

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "README.md").read_text()
SHELL = "\n".join(re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL))
PYTHON = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
LINES = [line for line in SHELL.split("\n") if line.startswith("encsim ")]


@pytest.mark.parametrize("line", LINES)
def test_command_line_can_be_read(line):
    _, command, *arguments = shlex.split(line, comments=True)
    build_parser(command).parse_args(arguments)
    for name in arguments:
        assert not name.startswith("examples/") or (ROOT / name).exists()


def test_every_command_is_shown():
    assert {line.split()[1] for line in LINES} == set(COMMANDS)


@pytest.mark.parametrize("block", PYTHON)
def test_python_uses_public_names(block):
    nodes = [node for node in ast.walk(ast.parse(block)) if isinstance(node, ast.Attribute)]
    names = [node.attr for node in nodes if isinstance(node.value, ast.Name) and node.value.id == "encsim"]
    assert names
    assert set(names) <= {*encsim.__all__, *encsim._MODULES}


def test_links_lead_somewhere():
    links = re.findall(r"\]\(([^)#]+)\)", TEXT)
    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []
