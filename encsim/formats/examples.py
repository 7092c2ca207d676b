"""Axes to start from, shipped with the package: invented machines, as text of an axis file or as an Axis.

Most are the files that ``encsim new`` writes, with their comments; the others stand in ``scenarios`` beside this
module. None describes a real product.
"""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING

from .. import checks, units
from . import axis_file

if TYPE_CHECKING:
    from ..model.axis import Axis

# {name: what encsim new is asked for}
_STARTERS: dict[str, dict[str, bool]] = {
    "stage_x": {},
    "stage_x_ab": {"ab": True},
    "stage_x_serial": {"serial": True},
    "table_r": {"rotary": True},
    "table_r_ab": {"rotary": True, "ab": True},
    "table_r_loop": {"rotary": True, "loop": True},
    "table_r_serial": {"rotary": True, "serial": True},
}
_FOLDER = "scenarios"


def names() -> list[str]:
    """Names of the shipped axes, for :func:`load`.

    Returns
    -------
    list of str

    Examples
    --------
    >>> import encsim
    >>> "stage_x_loop" in encsim.examples.names()
    True
    """
    files = resources.files(__package__).joinpath(_FOLDER).iterdir()
    return sorted([*_STARTERS, *(file.name.removesuffix(".toml") for file in files)])


def load(name: str) -> Axis:
    """A shipped axis, by name.

    Parameters
    ----------
    name : str
        One of :func:`names`: ``"stage_x"`` a linear stage, ``"stage_x_loop"`` the same with its loop closed,
        ``"table_r"`` a rotary table, ``"..._ab"`` with A/B output, ``"..._serial"`` with a serial encoder.

    Returns
    -------
    Axis

    Raises
    ------
    InputError
        If there is no such axis; the message lists those there are.

    Examples
    --------
    >>> import encsim
    >>> encsim.examples.load("stage_x").scale.period
    2e-05
    """
    return axis_file.loads(text(name), name)


def text(name: str) -> str:
    """Text of a shipped axis file, to keep and edit.

    Parameters
    ----------
    name : str
        As of :func:`load`.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If there is no such axis.

    Examples
    --------
    >>> import encsim
    >>> encsim.examples.text("table_r").splitlines()[1]
    '# An invented example, not a real product: put your own figures in place of these.'
    """
    known = names()
    if name not in known:
        near = units.nearest(str(name), known)
        hint = f"did you mean {near}?" if near else ""
        checks.refuse("examples.name", f"be one of {', '.join(known)}", name, hint=hint)
    if name in _STARTERS:
        return axis_file.starter(**_STARTERS[name])
    return resources.files(__package__).joinpath(_FOLDER, f"{name}.toml").read_text(encoding="utf-8")
