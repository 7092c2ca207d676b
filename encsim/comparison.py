"""Error of an encoder against a reference encoder, forward and backward, and what reverses with direction."""

from dataclasses import dataclass

import numpy as np

from . import _checks, _ring_checks, turned_steps
from ._results import Series

FEWEST = 2


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
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
        Mean of ``reversal`` and standard deviation of its values about it.
    reversal_largest : float
        Largest ``reversal`` by size, with its sign.
    unit : {"m", "rad"}
        Unit of all these.
    valid : bool
    reasons : tuple of str
        Why the figures may mislead.
    """

    position: np.ndarray
    forward: np.ndarray
    backward: np.ndarray
    error: np.ndarray
    reversal: np.ndarray
    reversal_mean: float
    reversal_scatter: float
    reversal_largest: float
    unit: str
    valid: bool
    reasons: tuple[str, ...]

    @property
    def units(self):
        """Units of the fields."""
        names = "position forward backward error reversal reversal_mean reversal_scatter reversal_largest"
        return dict.fromkeys(names.split(), self.unit)

    def columns(self):
        """Columns of the table, a row a position."""
        return {
            f"{name}_{self.unit}": getattr(self, name)
            for name in ("position", "forward", "backward", "error", "reversal")
        }

    def plot(self, ax=None):
        """Draw the errors forward and backward and the reversal.

        Parameters
        ----------
        ax : matplotlib Axes, optional
            Takes the errors alone.

        Returns
        -------
        Axes
        """
        from . import _figures

        return _figures.passes(self, ax)


def compare_passes(forward, backward, targets=None, *, unit="m"):
    """Error of an encoder against a reference from a pass forward and one backward.

    Parameters
    ----------
    forward, backward : array-like, shape (2, n)
        Reference and shown positions of each pass, m or rad, in the order they were read: the reference rises
        from reading to reading forward and falls backward. The passes may differ in n.
    targets : array-like, shape (k,), optional
        Positions to compare at, rising, within both passes; without it those of the forward pass that the
        backward pass covers too.
    unit : {"m", "rad"}
        Of the positions.

    Returns
    -------
    PassComparison
        ``valid`` is False where both passes together read the reference more coarsely than ``targets`` asks.

    Raises
    ------
    InputError
        If a pass turns round, the passes do not overlap, or a value is not finite.

    Notes
    -----
    Between readings the error, not the position, is interpolated linearly. Both passes have one zero: a drift of
    it between them is seen as reversal, and a lag in time as reversal that grows with speed.
    """
    _ring_checks.choice("compare_passes.unit", unit, ("m", "rad"))
    up, down = _pass("forward", forward, 1.0), _pass("backward", backward, -1.0)[:, ::-1]
    at = _targets(targets, up[0], down[0])
    errors = [np.interp(at, reference, shown - reference) for reference, shown in (up, down)]
    reversal = errors[0] - errors[1]
    reasons = tuple(_doubts(at, up[0], down[0]))
    return PassComparison(
        position=at,
        forward=errors[0],
        backward=errors[1],
        error=0.5 * (errors[0] + errors[1]),
        reversal=reversal,
        reversal_mean=float(reversal.mean()),
        reversal_scatter=float(reversal.std(ddof=1)) if len(reversal) > 1 else np.nan,
        reversal_largest=float(reversal[np.argmax(np.abs(reversal))]),
        unit=unit,
        valid=not reasons,
        reasons=reasons,
    )


def _pass(name, values, sign):
    """Reference and shown positions of one pass, in the order read."""
    label = f"compare_passes.{name}"
    rule = f"be two rows of real numbers, reference and shown, of {FEWEST} readings or more"
    table = turned_steps.real_array(label, values, 2, rule)
    if len(table) != 2 or table.shape[1] < FEWEST:
        _checks.refuse(label, rule, f"shape {table.shape}")
    if not np.isfinite(table).all():
        row, place = np.argwhere(~np.isfinite(table))[0]
        which = ("reference", "shown")[row]
        _checks.refuse(label, "hold finite numbers only", f"{table[row, place]} in {which}, index {place}")
    turned = np.flatnonzero(np.diff(table[0]) * sign <= 0.0)
    if turned.size:
        way = "rise" if sign > 0.0 else "fall"
        near = f"{table[0, turned[0]]:.9g} then {table[0, turned[0] + 1]:.9g} at index {turned[0] + 1}"
        _checks.refuse(label, f"{way} in the reference from reading to reading", near)
    return table


def _targets(targets, up, down):
    """Where to compare: as asked, or where the forward pass was read."""
    low, high = max(up[0], down[0]), min(up[-1], down[-1])
    if low > high:
        _checks.refuse(
            "compare_passes.backward", "overlap the forward pass", f"{down[0]:.9g} to {down[-1]:.9g}"
        )
    if targets is None:
        at = up[(up >= low) & (up <= high)]
        return at if at.size else np.array([low, high])
    at = turned_steps.numbers("compare_passes.targets", targets)
    if np.any(np.diff(at) <= 0.0):
        _checks.refuse(
            "compare_passes.targets",
            "rise",
            f"{at[np.flatnonzero(np.diff(at) <= 0.0)[0] + 1]:.9g} after more",
        )
    if at[0] < low or at[-1] > high:
        worst = at[0] if at[0] < low else at[-1]
        _checks.refuse(
            "compare_passes.targets", f"lie within both passes, {low:.9g} to {high:.9g}", float(worst)
        )
    return at


def _doubts(at, up, down):
    """Passes that were read more coarsely than they are compared."""
    if len(at) < 2:
        yield "the passes are compared at one position only"
        return
    for name, read in (("forward", up), ("backward", down)):
        within = np.count_nonzero((read >= at[0]) & (read <= at[-1]))
        if 2 * within < len(at):
            yield f"the {name} pass was read {within} times where {len(at)} positions are asked of it"
