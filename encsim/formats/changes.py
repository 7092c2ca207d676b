"""An axis with some of its values changed, each named by its place in an axis file: ``sampling.rate``."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from .. import checks, units
from ..model import axis_text
from ..model.axis import PARTS
from . import estimator_text

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.scale_and_signal import Signal


OFFSETS = ("0", "1")
SPEED = "speed"


@dataclasses.dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class AxisChange:
    """A change of an axis that may be a remedy; what it does is for those who compute it.

    Attributes
    ----------
    name : str
        The change in words.
    change : dict of str to object
        {path: value} as of `apply`, SI; ``{"speed": v}`` for another speed; empty where there is nothing to change.

    Examples
    --------
    >>> import encsim
    >>> finer = encsim.changes.AxisChange(name="finer counts", change={"interpolation.factor": 8000})
    >>> finer.on(encsim.examples.load("stage_x")).interpolation.factor
    8000
    """

    name: str
    change: dict[str, Any] = dataclasses.field(default_factory=dict)

    def on(self, axis: Axis) -> Axis:
        """The changed axis; raises InputError if it is impossible."""
        values = {path: value for path, value in self.change.items() if path != SPEED}
        return apply(axis, values) if values else axis

    def speed_from(self, speed: float) -> float:
        """The speed after the change, m/s or rad/s."""
        return float(self.change.get(SPEED, speed))


def apply(axis: Axis, changes: dict[str, Any]) -> Axis:
    """The axis with these values in place of its own.

    Parameters
    ----------
    axis : Axis
    changes : mapping of str to value
        ``section.field`` or a whole section (``estimator``, ``control``, ``heads``); one order of a mapping as
        ``signal.sde.1``, one channel of the offset as ``signal.offset.0``. SI numbers; None leaves an
        optional value or an order out.

    Returns
    -------
    Axis

    Raises
    ------
    InputError
        If there is no such key, or the changed axis is impossible.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.changes.apply(axis, {"interpolation.factor": 400}).interpolation.factor
    400
    """
    parts: dict[str, Any] = {}
    fields: dict[str, dict[str, Any]] = {}
    for path, value in changes.items():
        section, _, rest = _known(axis, path).partition(".")
        (parts if not rest else fields.setdefault(section, {}))[rest or section] = value
    for section, values in fields.items():
        part = parts.get(section, getattr(axis, section))
        parts[section] = dataclasses.replace(part, **_merged(part, values))
    return dataclasses.replace(axis, **parts)


def value(axis: Axis, path: str) -> Any:
    """The value that an axis has at a path as of :func:`apply`; None where it has none.

    Parameters
    ----------
    axis : Axis
    path : str

    Returns
    -------
    object
        SI; a line of a mapping as it stands there, that is (amplitude, phase) for sde.

    Raises
    ------
    InputError
        If there is no such key.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.changes.value(axis, "signal.offset.0")
    0.01
    """
    section, *rest = _known(axis, path).split(".", 2)
    held = getattr(axis, section)
    if rest:
        held = getattr(held, rest[0])
    if len(rest) < 2:
        return held
    return held[int(rest[1])] if rest[1] in OFFSETS and rest[0] == "offset" else held.get(_order(rest[1]))


def read(axis: Axis, path: str, raw: Any) -> Any:
    """A value at a path as a file or an option writes it, in SI.

    Parameters
    ----------
    axis : Axis
        Whose scale says which units fit.
    path : str
        As of :func:`apply`; ``estimator`` takes text such as ``"low-pass 300 Hz order=2"``.
    raw : object
        Text with a unit where the field is a quantity, else a number or word.

    Returns
    -------
    object

    Raises
    ------
    InputError
        If there is no such key, or the text does not fit it.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.changes.read(axis, "sampling.rate", "8 kHz")
    8000.0
    """
    if _known(axis, path) == "estimator" and isinstance(raw, str):
        return estimator_text.read(raw, axis, path)[0]
    dimension = dimension_of(axis, path)
    if dimension is None or raw is None:
        return raw
    if not isinstance(raw, (list, tuple)):
        return units.parse(raw, dimension, path, diameter=axis.scale.diameter)
    line = path.count(".") == 2
    return tuple(
        units.parse(part, "angle" if line and place else dimension, path, diameter=axis.scale.diameter)
        for place, part in enumerate(raw)
    )


def write(axis: Axis, path: str, value: Any) -> str:
    """A value at a path as :func:`read` takes it, for people.

    Parameters
    ----------
    axis : Axis
    path : str
    value : object
        SI.

    Returns
    -------
    str

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.changes.write(axis, "sampling.rate", 8e3)
    '8 kHz'
    """
    dimension = dimension_of(axis, path)
    if value is None:
        return "none"
    if path == "estimator":
        return estimator_text.text(value, axis.scale.unit)
    if isinstance(value, tuple):
        line = path.count(".") == 2
        return ", ".join(
            _written(part, "angle" if line and place else dimension) for place, part in enumerate(value)
        )
    return _written(value, dimension)


def _written(value: Any, dimension: str | None) -> str:
    if dimension is None:
        return f"{value:.12g}" if checks.is_real(value) else str(value)
    return units.write(value, dimension)


def setting(axis: Axis, path: str, value: Any) -> str:
    """A value at a path as ``--set`` and an axis file take it behind the equals sign.

    Parameters
    ----------
    axis : Axis
    path : str
        As of :func:`apply`.
    value : object
        SI.

    Returns
    -------
    str
        Exact, TOML where it is more than one quantity or word.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.changes.setting(axis, "sampling.rate", 8e3)
    '8 kHz'
    """
    if path == "heads":
        return axis_text.heads(value)
    return axis_text.setting(value, dimension_of(axis, path), axis.scale.unit)


def dimension_of(axis: Axis, path: str) -> str | None:
    """Dimension of the quantity at a path, a key of ``units.DIMENSIONS``; None for a pure number or a word.

    Parameters
    ----------
    axis : Axis
    path : str

    Returns
    -------
    str or None

    Raises
    ------
    InputError
        If there is no such key.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> encsim.changes.dimension_of(axis, "sampling.rate")
    'frequency'
    """
    section, *rest = _known(axis, path).split(".", 2)
    if rest:
        item = _fields(axis, section)[rest[0]]
    else:
        item = {item.name: item for item in dataclasses.fields(axis)}[section]
    dimension = item.metadata.get("dimension")
    return units.on_scale(dimension, axis.scale.unit) if dimension else None


def _fields(axis: Axis, section: str) -> dict[str, Any]:
    """Fields of a section by name; the estimator's are those of its kind."""
    part = getattr(axis, section)
    kind = PARTS.get(section) if part is None or section != "estimator" else type(part)
    return {item.name: item for item in dataclasses.fields(kind)} if dataclasses.is_dataclass(kind) else {}


def _known(axis: Axis, path: str) -> str:
    """The path, if the axis has such a key."""
    sections = [*PARTS, "heads"]
    section, *rest = str(path).split(".", 2)
    if section not in sections:
        _refuse(path, "begin with a section of the axis", units.nearest(section, sections), sections)
    if not rest:
        return path
    fields = _fields(axis, section)
    if rest[0] not in fields:
        near = units.nearest(rest[0], fields)
        _refuse(path, f"be a key of {section}", near and f"{section}.{near}", fields)
    if getattr(axis, section) is None:
        checks.refuse(path, f"belong to a section that the axis has: it has no {section}", path)
    if len(rest) == 2 and not _has_places(getattr(axis, section), rest):
        checks.refuse(path, "end with an order, or 0 or 1 for the channels of the offset", rest[1])
    return path


def _refuse(path: str, rule: str, near: str | None, there: dict[str, Any] | list[str]) -> None:
    hint = f"did you mean {near}?" if near else f"it has {', '.join(there)}"
    checks.refuse("change", rule, checks.one_line(str(path)), hint=hint)


def _has_places(part: Signal, rest: list[str]) -> bool:
    """Whether a field has a place of this name."""
    held = getattr(part, rest[0])
    if isinstance(held, Mapping):
        return _order(rest[1]) is not None
    return rest[0] == "offset" and rest[1] in OFFSETS


def _order(text: str) -> float | None:
    """An order, whole where it can be; None where it is none."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return None


def _merged(part: Any, values: dict[str, Any]) -> dict[str, Any]:
    """Keywords for a part of which single places of mappings and the offset change too."""
    merged = {name: new for name, new in values.items() if "." not in name}
    for name, new in values.items():
        field, _, place = name.partition(".")
        if not place:
            continue
        held = merged.get(field, getattr(part, field))
        if isinstance(held, Mapping):
            merged[field] = _with_order(held, _order(place), new)
        else:
            merged[field] = tuple(new if str(i) == place else old for i, old in enumerate(held))
    return merged


def _with_order(orders: Mapping[Any, Any], order: float | None, new: float | None) -> dict[Any, Any]:
    """A mapping with one order changed; an amplitude alone keeps the phase that was there."""
    changed = dict(orders)
    if new is None:
        changed.pop(order, None)
    elif isinstance(changed.get(order), tuple) and checks.is_real(new):
        changed[order] = (new, changed[order][1])
    else:
        changed[order] = new
    return changed
