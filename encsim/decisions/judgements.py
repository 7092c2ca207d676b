"""An axis compared with each limit of a requirement: values, limits, shares."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

from ..closed_loop.loop import reading_delays
from ..model.axis import Axis
from ..open_loop.cause_models import resolved
from ..results import Result
from .ripple_summary import has_loop

if TYPE_CHECKING:
    from .requirements import Requirement
    from .worst_speeds import Curves


# Values are sums of many rounded terms: one that exceeds its limit by no more than this share meets it.
ROUNDING = 1e-9
# Units of the limits of a requirement.
LIMIT_UNITS = {
    **dict.fromkeys(("speeds", "measured", "relative", "actual", "top_speed", "floor"), "position/s"),
    "torque": "force",
    "phase_margin": "deg",
    "delay": "s",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitCheck:
    """One limit and the value that is nearest to it.

    Attributes
    ----------
    name : str
        Its name in the requirement.
    limit, value : float
        As in the requirement; for ``relative`` the ripple that is allowed at this speed, and the ripple.
    share : float
        Value over limit, or limit over value where the limit is a lower one: it is met up to 1.
    met : bool
    speed : float
        Speed of the value, m/s or rad/s; NaN where it does not depend on the speed.
    cause : str or None
        Largest cause of a ripple at this speed.
    cause_share : float
        Share of this cause in the mean square.
    """

    name: str
    limit: float
    value: float
    share: float
    met: bool
    speed: float = math.nan
    cause: str | None = None
    cause_share: float = math.nan


@dataclass(frozen=True, eq=False, kw_only=True)
class Judgement(Result):
    """An axis compared with a requirement.

    Attributes
    ----------
    met : bool
        Whether every limit is.
    limits : tuple of LimitCheck
        Each that applies, the highest of ``speeds`` as ``top_speed`` too.
    binding : str
        Name of the limiting criterion: the limit with the largest share.
    worst : float
        That share; above 1 the requirement is missed.
    basis : {"ripple", "smoothness"}
        How measured ripple is computed: in steady motion, or of the closed loop where the axis has one.
    requirement : Requirement

    Examples
    --------
    >>> import encsim
    >>> axis = encsim.load("stage_x.toml")
    >>> wanted = encsim.Requirement(speeds=(1e-3, 0.1), relative=0.02, floor=60e-6)
    >>> wanted.judge(axis).valid
    True
    """

    part_units: ClassVar[dict[str, str]] = LIMIT_UNITS

    met: bool
    limits: tuple[LimitCheck, ...]
    binding: str
    worst: float
    basis: str
    requirement: Requirement
    valid: bool
    reasons: tuple[str, ...]
    axis: Axis = field(metadata={"plain": False})

    # Any: a LimitCheck; callers who ask for the limiting criterion need not ask whether it is there
    def limit(self, name: str) -> Any:
        """The check of one limit, None where it does not apply."""
        return next((each for each in self.limits if each.name == name), None)


def delay(axis: Axis, speed: float = 0.0) -> float:
    """Delay from the true motion to the velocity in use, s: mean delay of the readings plus the estimator's at 0 Hz."""
    readings = reading_delays(axis)
    # Any: a linear estimator's delay depends on the loop rate only, that of timed edges on the motion too
    estimator: Any = resolved(axis) if axis.estimator.linear else axis.estimator
    motion = {} if estimator.linear else {"speed": speed, "resolution": axis.resolution}
    return float(estimator.delay(axis.sampling.rate, **motion)) + sum(readings) / len(readings)


def upper(name: str, limit: float, value: float, **at: Any) -> LimitCheck:
    """The check of a limit that a value must not exceed; ``at``: speed and cause of the value."""
    met = value <= limit * (1.0 + ROUNDING)
    return LimitCheck(name=name, limit=limit, value=value, share=value / limit, met=met, **at)


def lower(name: str, limit: float, value: float, speed: float = math.nan) -> LimitCheck:
    """The check of a limit that a value must reach."""
    share = math.inf if value <= 0.0 else limit / value
    met = value >= limit * (1.0 - ROUNDING)
    return LimitCheck(name=name, limit=limit, value=value, share=share, met=met, speed=speed)


def judgement(
    requirement: Requirement, axis: Axis, limits: list[LimitCheck], curves: Curves | None
) -> Judgement:
    """The checks of all limits as one result."""
    binding = max(limits, key=lambda each: (not each.met, each.share))
    reasons = () if curves is None else curves.reasons
    return Judgement(
        met=all(each.met for each in limits),
        limits=tuple(limits),
        binding=binding.name,
        worst=binding.share,
        basis="smoothness" if has_loop(axis) else "ripple",
        requirement=requirement,
        valid=not reasons,
        reasons=reasons,
        axis=axis,
    )
