"""The ``[spread]`` section of an axis file, or of a file of its own, as distributions."""

from . import _toml_text, axis_file, changes, distributions, spreads, units
from ._checks import NOTHING, Fault, InputError
from ._section_reader import Section

SECTION = "spread"
PER_KELVIN = "per_kelvin"
EXAMPLE = "signal.gain = {normal = 0.01}"
_KINDS = ", ".join(distributions.KINDS)


def load_spread(path, axis=None):
    """The spread in the ``[spread]`` section of a file.

    Parameters
    ----------
    path : str or path-like
        An axis file, or one with this section alone.
    axis : Axis, optional
        Around whose values; without it the one that the file describes.

    Returns
    -------
    dict of str to Normal, Uniform or Triangular
        As of :func:`tolerance`.

    Raises
    ------
    InputError
        If the file cannot be read or has no such section; every fault with its line.
    """
    text = _toml_text.read(path)
    return loads(text, axis_file.loads(text, str(path)) if axis is None else axis, str(path))


def loads(text, axis, name="spread file", settings=()):
    """The spread in the ``[spread]`` section of a text.

    Parameters
    ----------
    text : str
        ``signal.gain = {normal = 0.01}`` and the like: one of normal (standard deviation), uniform and triangular
        (half of the width) in the unit of the key, and per_kelvin, what each kelvin of the temperature adds;
        ``temperature = {uniform = "15 K"}`` is how far that differs from where the axis' own values hold.
    axis : Axis
    name : str
        What errors call the text.
    settings : iterable of str
        As of ``axis_file.loads_with``.

    Returns
    -------
    dict of str to Normal, Uniform or Triangular

    Raises
    ------
    InputError
        If there is no such section; every fault with its line.
    """
    section = Section(text, SECTION, name, settings, unit=axis.scale.unit, diameter=axis.scale.diameter)
    if not section.table:
        raise InputError(
            Fault(f"[{SECTION}]", "be given", NOTHING, hint=f"as in [spread], {EXAMPLE}", source=name)
        )
    found, written = {}, {}
    for path, value in section.entries(leaf=_is_leaf):
        key = ".".join(path)
        if key in found:
            section.fault(path, "stand there once", key)
        found[key], written[key] = _distribution(section, path, key, value, axis), path
    section.done()
    _check_together(section, axis, found, written)
    return found


def _is_leaf(table):
    """Whether a table is meant as a distribution, rightly written or not."""
    return not table or any(units.nearest(name, (*distributions.KINDS, PER_KELVIN)) for name in table)


def _distribution(section, path, key, value, axis):
    """One entry as a distribution; NOTHING where it is faulty."""
    if not isinstance(value, dict):
        section.fault(path, f"be a distribution ({_KINDS})", value, hint=f"as in {EXAMPLE}")
        return NOTHING
    for name in value.keys() - {*distributions.KINDS, PER_KELVIN}:
        near = units.nearest(name, (*distributions.KINDS, PER_KELVIN))
        hint = f"did you mean {near}?" if near else ""
        section.fault((*path, name), f"be {_KINDS} or {PER_KELVIN}", name, hint=hint)
        return NOTHING
    kinds = [name for name in distributions.KINDS if name in value]
    if len(kinds) != 1 and (kinds or PER_KELVIN not in value):
        given = " and ".join(kinds) or NOTHING
        section.fault(path, f"have one of {_KINDS}", given, hint=f"as in {EXAMPLE}")
        return NOTHING
    kind = kinds[0] if kinds else "normal"
    sizes = {name: _size(section, (*path, name), key, text, axis) for name, text in value.items()}
    if any(size is NOTHING for size in sizes.values()):
        return NOTHING
    with section.at(*path):
        return distributions.KINDS[kind](sizes.get(kind, 0.0), per_kelvin=sizes.get(PER_KELVIN, 0.0))
    return NOTHING


def _size(section, path, key, text, axis):
    """A width or a coefficient in SI; NOTHING where it is faulty, also where the axis has no such key."""
    with section.at(*path[:-1]):
        if key != spreads.TEMPERATURE:
            spreads.own_value(axis, key)
        dimension = dimension_of(axis, key)
        if dimension is None:
            return section.number(path, text)
        with section.at(*path):
            return units.parse(text, dimension, "value", diameter=axis.scale.diameter)
    return NOTHING


def dimension_of(axis, key):
    """Dimension of the number that a key of a spread stands for, None for a pure number."""
    if key == spreads.TEMPERATURE:
        return key
    path, of_phase = spreads.place_of(key)
    return "angle" if of_phase else changes.dimension_of(axis, path)


def _check_together(section, axis, found, written):
    """Faults of entries that are right by themselves."""
    try:
        spreads.check(axis, found)
    except InputError as error:
        for fault in error.faults:
            key = fault.field.removeprefix(f"{SECTION}.")
            section.fault(written.get(key, ()), fault.rule, fault.value, hint=fault.hint)
        section.done()
