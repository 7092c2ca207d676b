"""Parameters of an axis fitted to recordings by the closed form."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks, units, wording
from ..checks import Orders
from ..formats import changes
from ..model.axis import check_axis
from ..results import Result, picture, recorded
from . import observations
from .capture import Capture

if TYPE_CHECKING:
    from ..model.axis import Axis


# Parameters that can be fitted, their lower and upper bound, and what a start of zero is replaced by, relative to the
# size that the observations give.
LARGE = np.inf
BOUNDS = {
    "signal.offset.0": (-0.9, 0.9), "signal.offset.1": (-0.9, 0.9),
    "signal.gain": (-0.9, 10.0), "signal.phase": (-1.5, 1.5),
    "signal.jitter": (0.0, LARGE), "signal.jitter_bandwidth": (1e-6, LARGE), "signal.noise": (0.0, 10.0),
    "signal.bandwidth": (1e-6, LARGE), "signal.skew": (-1.0, 1.0), "interpolation.hysteresis": (0.0, LARGE),
    "sampling.jitter": (0.0, LARGE),
    "load.inertia": (1e-15, LARGE), "load.viscous": (0.0, LARGE), "load.coulomb": (0.0, LARGE),
    "load.stribeck": (0.0, LARGE), "load.stribeck_speed": (1e-12, LARGE), "load.force": (-LARGE, LARGE),
    "load.motor_inertia": (1e-15, LARGE), "load.stiffness": (1e-9, LARGE), "load.damping": (0.0, LARGE),
    "control.position_gain": (0.0, LARGE), "control.velocity_gain": (1e-15, LARGE),
    "control.integral_time": (1e-9, 1e6),
}  # fmt: skip
COMPLEX, HARMONICS = ("signal.sde.", "load.cogging."), "signal.harmonics."
# Parameters that are never zero: not known to this share, they are not determined.
POSITIVE, KNOWN = ("load.inertia", "load.motor_inertia", "load.stiffness", "control."), 0.5
SPLIT = {"load.motor_inertia", "load.stiffness", "load.inertia"}
# Factors of a stiffness that are tried first: far from a resonance squares do not lead to it.
STIFFNESS, FIRST_EVALUATIONS = np.geomspace(0.5, 2.0, 7), 6
MOST_EVALUATIONS = 200
# Step of a parameter for a derivative, of its size.
STEP = 1e-4
# A parameter is not determined where its uncertainty exceeds its size and this share of its start, and two are not
# told apart from this correlation on where one is not known to this share.
TOGETHER, APART = 0.995, 0.1
# Share to which the model of a load is taken to be right.
LOAD_RIGHT = 1e-3
# Squared misfit by which one of two controllers must be better; else they are the same.
SAME = 9.0
# Misfit that reads as 0.
NOTHING = 1e-3
# Mean square of the weighted misfit above which the axis does not describe the recordings.
LARGEST_MISFIT = 9.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit(Result):
    """An axis whose named parameters are fitted to recordings.

    Attributes
    ----------
    axis : Axis
        The fitted axis.
    values : mapping of str to float or (float, float)
        Fitted values by name, SI; (amplitude, phase) for an sde harmonic.
    uncertainty : mapping of str to float or (float, float)
        Their standard uncertainties.
    correlation : ndarray, shape (n, n)
        Correlation of the parameters in the order of ``values``; of an sde harmonic its amplitude.
    misfit : float
        Root mean square of the differences from the recordings over their uncertainties; 1 for a perfect description.
    valid : bool
    reasons : tuple of str

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> trace = encsim.simulate(axis, 0.0137, 16000, seed=1)
    >>> capture = encsim.Capture("position", 16e3, position=trace.position)
    >>> found = encsim.fit(axis.with_("signal.gain", 0.0), capture, free=["signal.gain"])
    >>> round(found.values["signal.gain"], 3)
    0.02
    """

    values: Orders
    uncertainty: Orders
    correlation: np.ndarray
    misfit: float
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(repr=False, metadata={"plain": False})
    observed: tuple[Any, ...] = field(repr=False, metadata={"plain": False})

    plot = picture(
        "figures.recorded:fitted",
        "Draw the ripple curve of the fitted axis with the points of the recordings and their uncertainty.",
        example='axis = encsim.examples.load("stage_x")\n'
        "trace = encsim.simulate(axis, 0.0137, 8000, seed=1)\n"
        'capture = encsim.Capture("position", 16e3, position=trace.position)\n'
        'ax = encsim.fit(axis, capture, free=["signal.gain"]).plot()',
    )


@recorded
def fit(
    axis: Axis, captures: Capture | Sequence[Capture], free: Sequence[str], *, common_origin: bool = False
) -> Fit:
    """Fit named parameters of an axis to recordings.

    Parameters
    ----------
    axis : Axis
        Start and everything that is not fitted.
    captures : Capture or sequence of Capture
        Motion at nearly constant speed, counts, positions or channels. With torque for load and control: several
        speeds in both directions for friction, accelerations for inertias and the spring between two masses, two
        speeds or more for cogging, one for the gains of the controller.
    free : sequence of str
        Names as in an axis file: "signal.gain", "signal.sde.1", "signal.jitter", "load.coulomb", "load.stiffness",
        "load.cogging.12", "control.velocity_gain".
    common_origin : bool
        Whether all recordings count the position from the same place, as in `separate`; it matters for cogging.

    Returns
    -------
    Fit
        ``valid`` is False, with ``reasons``, where parameters are not determined, are not told apart, or do not
        describe the recordings.

    Raises
    ------
    InputError
        If a parameter cannot be fitted or nothing in the recordings shows it.

    Notes
    -----
    Least squares over the harmonics of the position error (complex, fitted in angle), the rms of differences over 1 to
    4 samples, the errors of the channels, and the mean torque against speed and acceleration, each over its
    uncertainty. The predictions are those of the closed form. Two masses: in windows without reversal the positions
    less those that the discrete plant makes of the recorded torque, beside slow and free motion. Controller: the
    torque less that of its law from the recorded positions; position gain and 1/integral time may change places
    there, which is said. Cogging: the torque that `separate` finds beside errors of the encoder of the same order.

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> trace = encsim.simulate(axis, 0.0137, 16000, seed=1)
    >>> capture = encsim.Capture("position", 16e3, position=trace.position)
    >>> encsim.fit(axis, capture, free=["signal.gain", "signal.jitter"]).valid
    True
    """
    check_axis("fit.axis", axis)
    given = [captures] if isinstance(captures, Capture) else list(captures)
    if not given or not all(isinstance(capture, Capture) for capture in given):
        checks.refuse("fit.captures", "be captures", captures, hint="encsim.Capture.read reads a file")
    names = _checked([free] if isinstance(free, str) else list(free), axis)
    observed = observations.observe(axis, given, names, common=common_origin)
    parameters = _Parameters(axis, names, observed)
    solution = _solved(parameters, observed, _start(parameters, observed))
    misfit = _misfit(solution)
    settled = observed.settled(parameters.at(solution.x * parameters.scale))
    if settled is not observed:
        solution = _solved(parameters, settled, solution.x)
    twin = _twin(parameters, settled, solution)
    return _result(parameters, solution, observed, misfit, twin)


def _checked(names: list[str], axis: Axis) -> list[str]:
    """Names of parameters that can be fitted."""
    if not names:
        checks.refuse("fit.free", "name at least one parameter", "none")
    for name in names:
        if name not in BOUNDS and not name.startswith((*COMPLEX, HARMONICS)):
            known = [*BOUNDS, "signal.sde.1", f"{HARMONICS}3", "load.cogging.12"]
            near = units.nearest(name, known)
            hint = f"did you mean {near}?" if near else f"as in {', '.join(known[2:4])}, load.viscous"
            checks.refuse("fit.free", "be a key that a recording can show", name, hint=hint)
        if getattr(axis, name.partition(".")[0]) is None:
            checks.refuse("fit.free", "be of a part that the axis has", name)
        changes.value(axis, name)
    if axis.load is not None and axis.load.encoder == "load" and set(names) >= SPLIT:
        # P = w**2/(J s**2 (s**2 + w**2)), J the sum: two numbers for three.
        rule = f"leave out one of {', '.join(sorted(SPLIT))}: an encoder on the load shows two of them"
        checks.refuse("fit.free", rule, ", ".join(names))
    if len(set(names)) < len(names):
        checks.refuse("fit.free", "name each parameter once", ", ".join(names))
    return names


class _Parameters:
    """Parameters as numbers: one each, two (cosine and sine part) for an sde harmonic."""

    def __init__(self, axis: Axis, names: list[str], observed: observations.Observed) -> None:
        self.axis, self.names = axis, names
        start: list[float] = []
        low: list[float] = []
        high: list[float] = []
        for name in names:
            value = changes.value(axis, name)
            if name.startswith(COMPLEX):
                size, phase = value or (0.0, 0.0)
                start += [size * math.cos(phase), size * math.sin(phase)]
                low, high = [*low, -LARGE, -LARGE], [*high, LARGE, LARGE]
                continue
            bounds = BOUNDS.get(name, (-0.9, 0.9))
            number = observed.guess(name) if not value else float(value)
            start.append(number)
            low, high = [*low, bounds[0]], [*high, bounds[1]]
        self.start, self.bounds = np.array(start), (np.array(low), np.array(high))
        self.scale = np.array([observed.scale(name) for name in names for _ in range(self.width(name))])
        self.scale = np.maximum(self.scale, np.abs(self.start))

    @staticmethod
    def width(name: str) -> int:
        """Numbers that a parameter has."""
        return 2 if name.startswith(COMPLEX) else 1

    def values(self, numbers: np.ndarray) -> dict[str, Any]:
        """Values by name."""
        found: dict[str, Any] = {}
        place = 0
        for name in self.names:
            if self.width(name) == 2:
                c, s = numbers[place : place + 2]
                found[name] = (float(math.hypot(c, s)), float(math.atan2(s, c)))
            else:
                found[name] = float(numbers[place])
            place += self.width(name)
        return found

    def at(self, numbers: np.ndarray) -> Axis:
        """The axis with these numbers."""
        return changes.apply(self.axis, self.values(numbers))


def _start(parameters: _Parameters, observed: observations.Observed) -> np.ndarray:
    """Where the least squares begins, in steps of the parameters: the best of some starts."""
    low, high = (bound / parameters.scale for bound in parameters.bounds)
    start = np.clip(parameters.start / parameters.scale, low, high)
    stiff = np.array(
        [name == "load.stiffness" for name in parameters.names for _ in range(parameters.width(name))]
    )
    tried = [start * np.where(stiff, factor, 1.0) for factor in (STIFFNESS if stiff.any() else (1.0,))]
    if len(tried) == 1:
        return start
    first = [_solved(parameters, observed, row, FIRST_EVALUATIONS) for row in tried]
    return np.asarray(min(first, key=lambda one: float(one.cost)).x)


def misfit_words(misfit: float) -> str:
    """A misfit for texts: what rounding of numbers leaves is nothing."""
    return wording.digits(misfit, 2) if misfit > NOTHING else "0"


def _misfit(solution: Any) -> float:
    """Root mean square of what a solution leaves."""
    return float(np.sqrt(np.sum(solution.fun**2) / max(len(solution.fun) - len(solution.x), 1)))


def _solved(
    parameters: _Parameters, observed: observations.Observed, start: np.ndarray, most: int = MOST_EVALUATIONS
) -> Any:
    """Solution of the least squares."""
    from scipy.optimize import least_squares

    def differences(scaled: np.ndarray) -> np.ndarray:
        return observed.differences(parameters.at(scaled * parameters.scale))

    def slopes(scaled: np.ndarray) -> np.ndarray:
        # Steps of a parameter's own size: relative ones vanish at a bound of zero.
        here, columns = differences(scaled), []
        for place, top in enumerate(high):
            step = np.zeros(len(scaled))
            step[place] = STEP if scaled[place] + STEP <= top else -STEP
            columns.append((differences(scaled + step) - here) / step[place])
        return np.stack(columns, axis=1)

    low, high = (bound / parameters.scale for bound in parameters.bounds)
    return least_squares(differences, start, slopes, bounds=(low, high), x_scale="jac", max_nfev=most)


def _twin(parameters: _Parameters, observed: observations.Observed, solution: Any) -> str:
    """Reason why a controller is not determined: another one makes the same torque of the same positions."""
    pair = ["control.position_gain", "control.integral_time"]
    if not set(pair) <= set(parameters.names):
        return ""
    places = [sum(map(parameters.width, parameters.names[: parameters.names.index(name)])) for name in pair]
    # (s + K)(s + 1/T)/s: the two corners may change places.
    other = solution.x.copy()
    other[places] = 1.0 / (solution.x * parameters.scale)[places[::-1]] / parameters.scale[places]
    twin = _solved(parameters, observed, other)
    values = parameters.values(twin.x * parameters.scale)
    near = abs(np.log(twin.x[places[0]] / solution.x[places[0]])) < LOAD_RIGHT
    if near or 2.0 * (twin.cost - solution.cost) > SAME:
        return ""
    both = " and ".join(
        f"{name} = {changes.write(parameters.axis, name, float(f'{values[name]:.4g}'))}" for name in pair
    )
    return f"{both} make the same torque: leave one of the two out of what is fitted"


def _result(
    parameters: _Parameters, solution: Any, observed: observations.Observed, misfit: float, twin: str
) -> Fit:
    """Values with uncertainty and correlation, and whether they are determined."""
    numbers = solution.x * parameters.scale
    normal = solution.jac.T @ solution.jac
    # What nothing in the recordings shows gets a large variance in place of none.
    floor = 1e-14 * np.trace(normal) * np.eye(len(normal))
    inverse = np.linalg.inv(normal + floor + np.finfo(float).tiny * np.eye(len(normal))) * max(
        1.0, _misfit(solution) ** 2
    )
    unseen = np.diag(normal) < 1e-20 * max(np.diag(normal).max(), 1e-300)
    covariance = inverse * np.outer(parameters.scale, parameters.scale)
    right = np.array(
        [
            LOAD_RIGHT * name.startswith("load.")
            for name in parameters.names
            for _ in range(parameters.width(name))
        ]
    )
    covariance += np.diag((right * numbers) ** 2)
    covariance[unseen, unseen] = np.inf
    values, slopes = parameters.values(numbers), []
    reported: dict[str, Any] = {}
    place = 0
    for name in parameters.names:
        row = np.zeros(len(numbers))
        if parameters.width(name) == 2:
            size, phase = values[name]
            row[place : place + 2] = np.cos(phase), np.sin(phase)
            both = slice(place, place + 2)
            seen = np.isfinite(covariance[both, both]).all()
            error = math.sqrt(row[both] @ covariance[both, both] @ row[both]) if seen else math.inf
            reported[name] = (error, error / size if size else math.inf)
        else:
            row[place] = 1.0
            reported[name] = float(np.sqrt(covariance[place, place]))
        slopes.append(row)
        place += parameters.width(name)
    rows = np.array(slopes)
    finite = np.where(np.isfinite(covariance), covariance, 0.0)
    reduced = rows @ finite @ rows.T
    spread = np.sqrt(np.maximum(np.diag(reduced), np.finfo(float).tiny))
    correlation = np.clip(reduced / np.outer(spread, spread), -1.0, 1.0)
    more = (twin,) if twin else ()
    reasons = (*observed.reasons, *more, *_reasons(parameters, solution, reported, correlation, misfit))
    return Fit(
        axis=parameters.at(numbers),
        values=Orders(values),
        uncertainty=Orders(reported),
        correlation=correlation,
        misfit=misfit,
        valid=not reasons,
        reasons=reasons,
        observed=observed.points(),
    )


def _reasons(
    parameters: _Parameters, solution: Any, reported: dict[str, Any], correlation: np.ndarray, misfit: float
) -> Iterator[str]:
    """Why the fit is not reliable."""
    if not solution.success:
        yield f"the fit did not converge in {MOST_EVALUATIONS} evaluations"
    if misfit**2 > LARGEST_MISFIT:
        yield f"the axis does not describe the recordings: they differ by {misfit_words(misfit)} uncertainties rms"
    names, found = parameters.names, parameters.at(solution.x * parameters.scale)
    for name in names:
        if not np.all(np.isfinite(reported[name])):
            yield f"the recordings do not show {name}"
        elif name.startswith(POSITIVE) and reported[name] > KNOWN * changes.value(found, name):
            wide = changes.write(found, name, float(f"{reported[name]:.2g}"))
            yield f"the recordings do not determine {name}: its uncertainty is {wide}"
    spread = [
        np.max(np.divide(reported[name], np.abs(changes.value(found, name)) + 1e-300)) for name in names
    ]
    for i, j in zip(*np.nonzero(np.triu(np.abs(correlation), 1) > TOGETHER), strict=True):
        if max(spread[i], spread[j]) > APART:
            yield f"the recordings do not tell {names[i]} from {names[j]}"
