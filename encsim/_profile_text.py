"""Demands of motion written as text: ``"trapezoid 10 mm, 50 mm/s, 2 m/s2"``, ``"file move.csv"``."""

import dataclasses

from . import _arguments, _checks, _unit_table, profiles, units

OPTION = "--profile"
KINDS = {"trapezoid": profiles.Trapezoid, "s-curve": profiles.SCurve, "sine": profiles.Sine}
FILE = "file"
PROFILES = {each.__name__ for each in (*KINDS.values(), profiles.Sampled)}
EXAMPLE = 'as in "trapezoid 10 mm, 50 mm/s, 2 m/s2"'


def read(text, axis, owner=OPTION):
    """A demand of motion.

    Parameters
    ----------
    text : str
        A kind and its quantities in the order of its fields, parted by commas, each with its unit; or "file" and the
        name of a table with the columns time and position, units in its header.
    axis : Axis
        Whose scale says which units fit.
    owner : str
        What errors call the text.

    Returns
    -------
    Profile

    Raises
    ------
    InputError
        All faults of the text or of the table.
    """
    kind, _, rest = text.strip().partition(" ")
    if kind == FILE:
        return _of_file(rest.strip(), axis, owner)
    if kind not in KINDS:
        known = [*KINDS, FILE]
        near = units.nearest(kind, known) if kind else None
        hint = f"did you mean {near}?" if near else EXAMPLE
        _checks.refuse(owner, f"begin with one of {', '.join(known)}", kind, hint=hint)
    fields, values = dataclasses.fields(KINDS[kind]), [part.strip() for part in rest.split(",")]
    owner = f"{owner}, {kind}"
    if len(values) != len(fields):
        names = ", ".join(item.name for item in fields)
        _checks.refuse(owner, f"say {names}, parted by commas, each with its unit", rest.strip())
    return _checked(owner, lambda: KINDS[kind](**_values(values, fields, axis, owner)))


def _values(texts, fields, axis, owner):
    """SI numbers by field, all faults at once."""
    found, faults = {}, []
    for text, item in zip(texts, fields, strict=True):
        dimension = units.on_scale(item.metadata["dimension"], axis.scale.unit)
        try:
            found[item.name] = units.parse(
                text, dimension, f"{owner}: {item.name}", diameter=axis.scale.diameter
            )
        except _checks.InputError as error:
            faults += error.faults
    if faults:
        raise _checks.InputError(*faults)
    return found


def _of_file(name, axis, owner):
    """The profile of a table."""
    if not name:
        _checks.refuse(
            owner, "name a table behind the word file", _checks.NOTHING, hint='as in "file move.csv"'
        )
    columns = {"time": "time", "position": units.on_scale("position", axis.scale.unit)}
    table = _unit_table.read_columns(_arguments.text_of(name, owner), columns, _arguments.named(name))
    return _checked(f"{owner}, {_arguments.named(name)}", lambda: profiles.Sampled(**table))


def _checked(owner, make):
    """What is made, faults of its fields under the name of the text."""
    try:
        return make()
    except _checks.InputError as error:
        faults = [
            dataclasses.replace(fault, field=f"{owner}: {fault.field.split('.')[-1]}")
            if fault.field.split(".")[0] in PROFILES
            else fault
            for fault in error.faults
        ]
        raise _checks.InputError(*faults) from None
