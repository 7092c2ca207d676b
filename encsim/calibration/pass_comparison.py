"""Error of an encoder against a reference encoder: a forward pass, a backward pass and their reversal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from .. import checks
from ..results import Series, measured_in, picture, recorded

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


FEWEST = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class PassComparison(Series):
    """Errors against a reference at the same positions in both directions.

    Attributes
    ----------
    position : ndarray, shape (n,)
        Positions of the reference, m or rad, rising.
    forward, backward : ndarray, shape (n,)
        Shown minus reference of each pass, position unit.
    error : ndarray, shape (n,)
        Mean of both.
    reversal : ndarray, shape (n,)
        Forward minus backward.
    reversal_mean, reversal_scatter : float
        Mean and standard deviation of ``reversal``.
    reversal_largest : float
        Value of ``reversal`` with the largest magnitude.
    unit : {"m", "rad"}
        Unit of all these.
    valid : bool
    reasons : tuple of str
        Why the figures may not be reliable.

    Examples
    --------
    >>> import encsim
    >>> forward = [[0.0, 0.1, 0.2], [0.0, 0.1 + 1e-6, 0.2]]
    >>> backward = [[0.2, 0.1, 0.0], [0.2, 0.1 + 3e-6, 0.0]]
    >>> found = encsim.compare_passes(forward, backward)
    >>> found.valid
    True
    """

    tabled = ("position", "forward", "backward", "error", "reversal")

    position: np.ndarray = field(metadata=measured_in("position"))
    forward: np.ndarray = field(metadata=measured_in("position"))
    backward: np.ndarray = field(metadata=measured_in("position"))
    error: np.ndarray = field(metadata=measured_in("position"))
    reversal: np.ndarray = field(metadata=measured_in("position"))
    reversal_mean: float = field(metadata=measured_in("position"))
    reversal_scatter: float = field(metadata=measured_in("position"))
    reversal_largest: float = field(metadata=measured_in("position"))
    unit: str
    valid: bool
    reasons: tuple[str, ...]

    @property
    def position_unit(self) -> str:
        """Unit of positions and errors, as asked for."""
        return self.unit

    plot = picture(
        "figures.error_maps:passes",
        "Draw the errors forward and backward and the reversal (position unit) against position.",
        alone="Takes the errors alone",
        example="position = np.linspace(0.0, 0.1, 11)\n"
        "up, down = (position, position + 2e-6), (position[::-1], position[::-1])\n"
        "ax = encsim.compare_passes(up, down).plot()",
    )


@recorded
def compare_passes(
    forward: ArrayLike,
    backward: ArrayLike,
    targets: ArrayLike | None = None,
    *,
    unit: str = "m",
) -> PassComparison:
    """Error of an encoder against a reference from a pass forward and one backward.

    Parameters
    ----------
    forward, backward : array-like, shape (2, n)
        Reference and shown positions of each pass, m or rad, in the order of reading: the reference rises forward and
        falls backward. The two passes may differ in n.
    targets : array-like, shape (k,), optional
        Positions to compare at, rising, within both passes; by default those of the forward pass within the backward
        pass.
    unit : {"m", "rad"}
        Unit of the positions.

    Returns
    -------
    PassComparison
        ``valid`` is False where a pass has fewer than half as many readings as there are targets.

    Raises
    ------
    InputError
        If a pass turns round, the passes do not overlap, or a value is not finite.

    Notes
    -----
    The error, not the position, is interpolated linearly between readings. Both passes have the same zero: a drift of
    the zero between them counts as reversal, and a time delay as reversal proportional to speed.

    Examples
    --------
    >>> import encsim
    >>> forward = [[0.0, 0.1, 0.2], [0.0, 0.1 + 1e-6, 0.2]]
    >>> backward = [[0.2, 0.1, 0.0], [0.2, 0.1 + 3e-6, 0.0]]
    >>> found = encsim.compare_passes(forward, backward)
    >>> found.valid
    True
    """
    checks.choice("compare_passes.unit", unit, ("m", "rad"))
    up, down = _pass("forward", forward, 1.0), _pass("backward", backward, -1.0)[:, ::-1]
    position = _targets(targets, up[0], down[0])
    error_up, error_down = (
        np.interp(position, reference, shown - reference) for reference, shown in (up, down)
    )
    reversal = error_up - error_down
    reasons = tuple(_pass_reasons(position, up[0], down[0]))
    return PassComparison(
        position=position,
        forward=error_up,
        backward=error_down,
        error=0.5 * (error_up + error_down),
        reversal=reversal,
        reversal_mean=float(reversal.mean()),
        reversal_scatter=float(reversal.std(ddof=1)) if len(reversal) > 1 else np.nan,
        reversal_largest=float(reversal[np.argmax(np.abs(reversal))]),
        unit=unit,
        valid=not reasons,
        reasons=reasons,
    )


def _pass(name: str, values: ArrayLike, sign: float) -> np.ndarray:
    """Reference and shown positions of one pass in the order of reading, checked; sign 1 forward, -1 backward."""
    label = f"compare_passes.{name}"
    rule = f"be two rows of real numbers, reference and shown, of {FEWEST} readings or more"
    table = checks.real_array(label, values, 2, rule)
    if len(table) != 2 or table.shape[1] < FEWEST:
        checks.refuse(label, rule, f"shape {table.shape}")
    if not np.isfinite(table).all():
        row, place = np.argwhere(~np.isfinite(table))[0]
        which = ("reference", "shown")[row]
        checks.refuse(label, "hold finite numbers only", f"{table[row, place]} in {which}, index {place}")
    wrong = np.flatnonzero(np.diff(table[0]) * sign <= 0.0)
    if wrong.size:
        direction = "rise" if sign > 0.0 else "fall"
        near = f"{table[0, wrong[0]]:.9g} then {table[0, wrong[0] + 1]:.9g} at index {wrong[0] + 1}"
        checks.refuse(label, f"{direction} in the reference from reading to reading", near)
    return table


def _targets(targets: ArrayLike | None, up: np.ndarray, down: np.ndarray) -> np.ndarray:
    """Positions to compare at: as given, or those of the forward pass within the backward pass."""
    low, high = max(up[0], down[0]), min(up[-1], down[-1])
    if low > high:
        checks.refuse(
            "compare_passes.backward", "overlap the forward pass", f"{down[0]:.9g} to {down[-1]:.9g}"
        )
    if targets is None:
        common = up[(up >= low) & (up <= high)]
        return common if common.size else np.array([low, high])
    label = "compare_passes.targets"
    positions = checks.finite_row(label, targets)
    falling = np.flatnonzero(np.diff(positions) <= 0.0)
    if falling.size:
        checks.refuse(label, "rise", f"{positions[falling[0] + 1]:.9g} after more")
    if positions[0] < low or positions[-1] > high:
        worst = positions[0] if positions[0] < low else positions[-1]
        checks.refuse(label, f"lie within both passes, {low:.9g} to {high:.9g}", float(worst))
    return positions


def _pass_reasons(positions: np.ndarray, up: np.ndarray, down: np.ndarray) -> Iterator[str]:
    """Why a comparison may not be reliable: one position only, or a pass with too few readings."""
    if len(positions) < 2:
        yield "the passes are compared at one position only"
        return
    for name, read in (("forward", up), ("backward", down)):
        within = np.count_nonzero((read >= positions[0]) & (read <= positions[-1]))
        if 2 * within < len(positions):
            yield f"the {name} pass was read {within} times where {len(positions)} positions are asked of it"
