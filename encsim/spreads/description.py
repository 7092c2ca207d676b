"""Distributions around an axis' own values, read from the ``[spread]`` section of a file, and axes drawn from them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from .. import checks, units
from ..checks import NOTHING, Fault, InputError
from ..formats import axis_file, changes, toml_text
from ..formats.sections import Section
from ..model import distributions
from ..model.axis import check_axis
from ..model.distributions import Distribution, places

if TYPE_CHECKING:
    import numpy as np

    from ..model.axis import Axis
    from ..model.distributions import Normal, Triangular, Uniform


TEMPERATURE = "temperature"
PHASE = ".phase"
MOST_KEYS = 64
MOST_TRIES = 100
# So many samples are drawn before any is computed. Numbers that must not be negative and are 0 in the axis make half
# of them impossible, two such numbers three quarters; more than this share nobody means.
FIRST_LOOK, MOST_IMPOSSIBLE = 200, 0.8


def place_of(key: str) -> tuple[str, bool]:
    """Path in the axis that a key of a spread stands for, and whether the phase of an order is meant."""
    of_phase = key.endswith(PHASE) and key.count(".") == 3
    return (key.removesuffix(PHASE) if of_phase else key), of_phase


def own_value(axis: Axis, key: str) -> float:
    """The axis' own number that a key of a spread stands for."""
    path, of_phase = place_of(key)
    value = changes.value(axis, path)
    if value is None:
        hint = "an order or limit that is left out has none; write it in the axis, an order may be 0"
        checks.refuse(key, "have a value in the axis to spread around", None, hint=hint)
    pair = isinstance(value, tuple) and path.count(".") == 2
    if of_phase and not pair:
        checks.refuse(key, "name the phase of an order that has one", value)
    number = value[1 if of_phase else 0] if pair else value
    if not isinstance(number, float):
        rule, hint = (
            "stand for one number that varies continuously",
            "choose compares whole numbers and kinds",
        )
        if path == "signal.offset":
            hint = "its channels are signal.offset.0 and signal.offset.1"
        checks.refuse(key, rule, value, hint=hint)
    return number


def check(axis: Axis, spread: Mapping[str, Distribution]) -> None:
    """Raise for a spread that does not fit the axis; all faults at once, under ``spread.`` and the key."""
    if not isinstance(spread, Mapping) or not 1 <= len(spread) <= MOST_KEYS:
        checks.refuse("spread", f"be a mapping of 1 to {MOST_KEYS} keys to distributions", spread)
    faults = [fault for key, one in spread.items() for fault in faults_of(axis, key, one)]
    if not faults:
        faults = _faults_together(spread)
    if faults:
        raise InputError(*faults)


def faults_of(axis: Axis, key: str, distribution: Distribution) -> list[Fault]:
    """Faults of one entry of a spread."""
    name = f"spread.{key}"
    if not isinstance(distribution, Distribution):
        hint = "as in Normal(0.01)"
        return [Fault(name, "be Normal, Uniform or Triangular", distribution, hint=hint)]
    if key == TEMPERATURE:
        if distribution.per_kelvin:
            return [Fault(name, "have no per_kelvin of its own", distribution.per_kelvin)]
        return []
    try:
        own_value(axis, str(key))
    except InputError as error:
        return [Fault(name, fault.rule, fault.value, fault.unit, fault.hint) for fault in error.faults]
    return []


def _faults_together(spread: Mapping[str, Distribution]) -> list[Fault]:
    """Faults of a spread whose single entries are valid."""
    warm = [key for key, one in spread.items() if one.per_kelvin]
    if warm and TEMPERATURE not in spread:
        rule = f"hold {TEMPERATURE} where a key has per_kelvin, as {warm[0]} has"
        return [Fault("spread", rule, checks.NOTHING)]
    if TEMPERATURE in spread and not warm:
        rule = "act on a key: per_kelvin of one of them at least"
        return [Fault(f"spread.{TEMPERATURE}", rule, spread[TEMPERATURE])]
    if not any(one.width for one in spread.values()):
        return [Fault("spread", "hold a distribution wider than zero", dict(spread))]
    return []


@dataclass(frozen=True)
class Sampler:
    """Axes drawn around one axis, each by its number.

    Attributes
    ----------
    axis : Axis
    spread : dict of str to Normal, Uniform or Triangular
        As :func:`check` has it.
    seed : int
    """

    axis: Axis
    spread: dict[str, Any]
    seed: int

    @cached_property
    def own(self) -> dict[str, float]:
        """Values of the axis by key, without the temperature."""
        return {key: own_value(self.axis, key) for key in self.spread if key != TEMPERATURE}

    @cached_property
    def partners(self) -> dict[str, tuple[float, float]]:
        """Amplitude and phase of each order of which one varies, {path: (amplitude, phase)}."""
        paths = dict.fromkeys(place_of(key)[0] for key in self.own)
        held = {path: changes.value(self.axis, path) for path in paths}
        return {path: pair for path, pair in held.items() if isinstance(pair, tuple)}

    def places(self, first: int, count: int, attempt: int = 0) -> dict[str, np.ndarray]:
        """Places in each distribution, {key: array}, of samples from ``first`` on."""
        return {key: places(self.seed, key, first, count, attempt) for key in self.spread}

    def values(self, first: int, count: int, attempt: int = 0) -> dict[str, np.ndarray]:
        """Values by key of samples from ``first`` on, {key: array}; of the temperature its deviation, K."""
        drawn = {key: self.spread[key].at(place) for key, place in self.places(first, count, attempt).items()}
        warming = drawn.get(TEMPERATURE, 0.0)
        return {
            key: part + self.own[key] + self.spread[key].per_kelvin * warming if key in self.own else part
            for key, part in drawn.items()
        }

    def changed(self, values: dict[str, float]) -> Axis:
        """The axis with the values of one sample; raises InputError where it is impossible."""
        pairs = {path: list(pair) for path, pair in self.partners.items()}
        changed = {}
        for key, number in values.items():
            path, of_phase = place_of(key)
            if path in pairs:
                pairs[path][of_phase] = number
            elif key != TEMPERATURE:
                changed[key] = number
        return changes.apply(self.axis, changed | {path: tuple(pair) for path, pair in pairs.items()})

    def draw(self, first: int, count: int) -> Iterator[tuple[Axis, int]]:
        """Axes of samples from ``first`` on, each with the number of draws refused before it."""
        table = self.values(first, count)
        for index in range(count):
            row = {key: float(column[index]) for key, column in table.items()}
            yield self._possible(first + index, row)

    def _possible(self, number: int, row: dict[str, float]) -> tuple[Axis, int]:
        """The axis of one sample, drawn again while it is impossible."""
        for attempt in range(MOST_TRIES):
            axis, fault = self._tried(row)
            if fault is None:
                return axis, attempt
            row = {key: float(column[0]) for key, column in self.values(number, 1, attempt + 1).items()}
        raise self._impossible(MOST_TRIES, MOST_TRIES, fault)

    def _tried(self, row: dict[str, float]) -> tuple[Any, ...]:
        """The axis of some numbers and None, or None and why it is impossible."""
        try:
            return self.changed(row), None
        except InputError as error:
            return None, error.faults[0]

    def look(self) -> None:
        """Raise if most samples would be impossible axes."""
        faults = self._faults(self.spread)
        if len(faults) > MOST_IMPOSSIBLE * FIRST_LOOK:
            raise self._impossible(len(faults), FIRST_LOOK, faults[0])

    def _faults(self, keys: Iterable[str]) -> list[Fault]:
        """Why some of the first samples are impossible if these keys alone vary."""
        table = self.values(0, FIRST_LOOK)
        rows = (
            {key: float(table[key][index]) if key in keys else own for key, own in self.own.items()}
            for index in range(FIRST_LOOK)
        )
        tried = (self._tried(row)[1] for row in rows)
        return [fault for fault in tried if fault is not None]

    def _impossible(self, count: int, tried: int, example: Fault) -> InputError:
        """The error of a spread that makes too many impossible axes: the keys that do most of it by themselves."""
        alone = {key: self._faults([key]) for key in self.own}
        most = max(map(len, alone.values()))
        keys = [key for key, faults in alone.items() if faults and len(faults) > 0.8 * most]
        rule = f"leave possible axes: {count} of {tried} draws are not"
        if not keys:
            return InputError(Fault("spread", rule, checks.NOTHING, hint=f"one says {example}"))
        name, shown = " and ".join(f"spread.{key}" for key in keys), self.spread[keys[0]]
        return InputError(Fault(name, rule, shown, hint=f"one says {alone[keys[0]][0]}"))


SECTION = "spread"
PER_KELVIN = "per_kelvin"
EXAMPLE = "signal.gain = {normal = 0.01}"
_KINDS = ", ".join(distributions.KINDS)


def load_spread(path: str, axis: Axis | None = None) -> dict[str, Any]:
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

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> spread = encsim.load_spread("stage_x_spread.toml", axis)
    >>> sorted(spread)[:2]
    ['signal.gain', 'signal.jitter']
    """
    if axis is not None:
        check_axis("load_spread.axis", axis)
    text = toml_text.read(path)
    return loads(text, axis_file.loads(text, str(path)) if axis is None else axis, str(path))


def loads(
    text: str, axis: Axis, name: str = "spread file", settings: Iterable[str] = ()
) -> dict[str, Distribution]:
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
    section, written = Section(text, SECTION, name, settings, scale=axis.scale), {}
    section.need(EXAMPLE)

    def read(path: tuple[str, ...], key: str, value: Any) -> Distribution:
        written[key] = path
        return _distribution(section, path, key, value, axis)

    spread = section.entries(read, leaf=_is_leaf)
    section.done()
    with section.placed(lambda key, value: (written.get(key, ()), value)):
        check(axis, spread)
    section.done()
    return spread


def _is_leaf(table: dict[str, Any]) -> bool:
    """Whether a table is meant as a distribution, even if it is faulty."""
    return not table or any(units.nearest(name, (*distributions.KINDS, PER_KELVIN)) for name in table)


def _distribution(
    section: Section, path: tuple[str, ...], key: str, value: dict[str, Any], axis: Axis
) -> Normal | Triangular | Uniform:
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


def _size(section: Section, path: tuple[str, ...], key: str, text: Any, axis: Axis) -> float:
    """A width or a coefficient in SI; NOTHING where it is faulty, also where the axis has no such key."""
    with section.at(*path[:-1]):
        if key != TEMPERATURE:
            own_value(axis, key)
        dimension = dimension_of(axis, key)
        if dimension is None:
            return section.number(path, text)
        with section.at(*path):
            return units.parse(text, dimension, "value", diameter=axis.scale.diameter)
    return NOTHING


def dimension_of(axis: Axis, key: str) -> str | None:
    """Dimension of the number that a key of a spread stands for, None for a pure number."""
    if key == TEMPERATURE:
        return key
    path, of_phase = place_of(key)
    return "angle" if of_phase else changes.dimension_of(axis, path)
