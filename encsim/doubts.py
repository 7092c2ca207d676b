"""Doubts: why a result is not reliable, each a code with its numbers, and all the words for it.

A room that finds a doubt makes ``Doubt("code", number=...)`` and puts it into ``reasons`` of its result, where it is
the engineer's text. Whoever tells it otherwise (the customer's page, a short label) takes ``plain`` or ``short``;
whoever acts on it asks for its code by `named`. No text is searched anywhere.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class DoubtWords:
    """Words of one doubt, templates for its numbers.

    Attributes
    ----------
    code : str
    reason : str
        For the engineer, in ``reasons``.
    plain : str
        For somebody who does not compute.
    short : str
        A label of a few words.
    """

    code: str
    reason: str
    plain: str
    short: str


class Doubt(str):
    """A reason why a result is not reliable: the engineer's text, which knows its code and its numbers.

    Parameters
    ----------
    code : str
        Key of `DOUBTS`.
    subject : str
        What of a result is not reliable, told in front; empty for all of it.
    **numbers
        The numbers and names that the words of this code take.

    Raises
    ------
    KeyError
        If the code is not registered or a number of its words is missing.

    Examples
    --------
    >>> doubt = Doubt("few_ticks", ticks=10)
    >>> doubt
    'fewer than 10 ticks of the clock between edges'
    >>> doubt.short
    'few clock ticks per edge'
    """

    code: str
    subject: str
    numbers: dict[str, Any]

    def __new__(cls, code: str, /, *, subject: str = "", **numbers: Any) -> Doubt:
        """The engineer's text of the code with these numbers."""
        text = DOUBTS[code].reason.format(**numbers)
        self = super().__new__(cls, f"{subject}: {text}" if subject else text)
        self.code, self.subject, self.numbers = code, subject, numbers
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        return _again, (self.code, self.subject, self.numbers)

    @property
    def plain(self) -> str:
        """For somebody who does not compute."""
        return DOUBTS[self.code].plain.format(**self.numbers)

    @property
    def short(self) -> str:
        """A label of a few words."""
        return DOUBTS[self.code].short.format(**self.numbers)

    def about(self, subject: str) -> Doubt:
        """The same doubt about one thing of a result."""
        return Doubt(self.code, subject=subject, **self.numbers)


def _again(code: str, subject: str, numbers: dict[str, Any]) -> Doubt:
    """A doubt as it was pickled."""
    return Doubt(code, subject=subject, **numbers)


def named(reasons: Iterable[str], *codes: str) -> bool:
    """Whether one of these doubts is among the reasons of a result."""
    return any(isinstance(reason, Doubt) and reason.code in codes for reason in reasons)


_UNSTABLE = "the loop is unstable: it oscillates more and more"
_NO_POSITION = "the two signals do not enclose zero, so there is no position to read"
_TOO_FAST = "it is faster than the encoder can follow"
_CLIPPED = "the signals are larger than the converter can read"
_TOO_SHORT = "the simulation is too short to settle"
_SELDOM = "there are so few counts per second that the controller sees the speed with a long delay"

_WORDS = {
    # the signals and the encoder
    "top_speed": ("above the top speed {top:.4g} {unit}/s ({limit})", _TOO_FAST, "above top speed"),
    "clipping": ("the converter clips the signals (interpolation.span)", _CLIPPED, "converter clips"),
    "no_circle": ("the two channels do not enclose zero at some speed", _NO_POSITION, "no position"),
    "no_position": (
        "the two channels do not enclose zero: there is no position to decode",
        _NO_POSITION,
        "no position",
    ),
    "noise_not_small": (
        "channel noise above {share:g} of the amplitude is not small",
        "the signals are so noisy that the formulas no longer hold",
        "large signal noise",
    ),
    "small_error": (
        "approximate, within some 2 % at the speeds that are not marked: {which}",
        "some of these numbers are approximate, within some 2 %",
        "approximate",
    ),
    "counts_unresolved": (
        "the estimator filters so much that the beat of counts and cyclic error is not resolved: simulate",
        "the filter leaves a slow beat of the counts that the formulas do not resolve",
        "beat of the counts",
    ),
    "estimator_rings": (
        "the Kalman filter rings at half the loop rate, since it expects next to no noise: give estimator.noise of at "
        "least {least:.2g} {unit}, or a smaller acceleration",
        "the velocity filter rings, since it is told to expect next to no noise",
        "Kalman filter rings",
    ),
    "converter_steps": (
        "converter steps not smoothed by jitter, taken as white noise: simulate",
        "the steps of the converter repeat, which the formulas take as noise",
        "converter steps as noise",
    ),
    "noise_in_step": (
        "channel noise below half a step of the converter, taken as noise of the position: simulate",
        "noise and steps of the converter act together, which the formulas take apart",
        "converter steps and noise",
    ),
    # hysteresis
    "hysteresis_in_noise": (
        "hysteresis within reach of the noise has no closed form: the value is without it; simulate",
        "noise and hysteresis act together, which no formula describes: the numbers are without hysteresis",
        "hysteresis and noise",
    ),
    "hysteresis_held": (
        "noise shifts the moments at which counts held by hysteresis change: up to a third more; simulate",
        "noise moves the moments at which counts change: the ripple may be up to a third larger",
        "hysteresis and noise",
    ),
    # edges timed by a clock
    "below_one_count": (
        "slower than one count per second: the measured velocity drops to zero",
        "it is so slow that the measured speed drops to zero between two counts",
        "under one count per second",
    ),
    "jitter_of_time": (
        "jitter beyond {percent:g} % of the time between edges: some per cent low; simulate",
        "noise moves the counts so much that the ripple is some per cent larger than shown",
        "large edge jitter",
    ),
    "jitter_of_edges": (
        "jitter of the edges beyond {counts:g} counts: which of them came last depends on it; simulate",
        "noise moves the counts so much that it decides which of them came last",
        "large edge jitter",
    ),
    "shared_edges": (
        "a window of few counts: samples share the noise of an edge now and then: use run",
        "the window holds few counts, so that the noise of one count is seen more than once",
        "few counts per window",
    ),
    "few_ticks": (
        "fewer than {ticks:g} ticks of the clock between edges: simulate",
        "the clock that times the counts is too slow for this speed",
        "few clock ticks per edge",
    ),
    "few_edges": (
        "fewer than {edges:g} counts in 1/crossover, too few for period measurement to act as a fixed filter: use "
        "run",
        _SELDOM,
        "few edges per loop response",
    ),
    "few_edges_margins": (
        "fewer than {edges:g} counts in 1/crossover: at this speed there are {frequency:.3g} counts per second, only "
        "{ratio:.2g} times the crossover. The loop reacts to single edges, and margins are a rough guide: use run",
        _SELDOM,
        "few edges per loop response",
    ),
    "even_ticks": (
        "ticks of the timing clock, not smoothed by jitter, alias to any frequency: use run",
        "the clock that times the counts leaves a pattern of its own",
        "clock ticks aliased",
    ),
    "held_error": (
        "the error, held from edge to edge, aliases into the bandwidth of the loop: use run",
        "the error is seen only when a count comes, which the controller follows",
        "held error aliased",
    ),
    "uneven_edges": (
        "the speed varies so much that the edges are uneven: use run",
        "the speed varies so much that the counts are uneven",
        "uneven edges",
    ),
    "answer_changes_age": (
        "the response changes the speed by up to {percent:.3g} %, and with it the delay of period measurement: a "
        "{what} up to {most:.3g} {unit} changes it by less than {least:g} %",
        "the response changes the speed so much that the counts are uneven",
        "uneven edges",
    ),
    # the closed loop
    "unstable": ("the loop is unstable: its oscillation grows", _UNSTABLE, "unstable loop"),
    "unstable_margins": (
        "the loop is unstable: margins and bandwidths have no meaning",
        _UNSTABLE,
        "unstable loop",
    ),
    "unstable_opened": (
        "the loop is unstable: the values are those of the encoder and the estimator alone",
        _UNSTABLE,
        "unstable loop",
    ),
    "unstable_run": ("the loop is not stable: see margins", _UNSTABLE, "unstable loop"),
    "blind": (
        "less than one count per second: period measurement gives no velocity, and the values are those of encoder and "
        "estimator alone: use run",
        "it is so slow that the controller does not see the speed: the numbers are without its loop",
        "under one count per second",
    ),
    "steep_error": (
        "loop or noise moves the axis so far that it reads the error at displaced positions: use run",
        "the axis moves so far along the encoder's error that it changes what is read",
        "steep error",
    ),
    "limit_cycle": (
        "limit cycle on quantisation; the linear model does not apply: use run",
        "the controller reacts to single counts or steps, which no formula predicts",
        "limit cycle on quantisation",
    ),
    "slow_converter": (
        "limit cycle on converter steps, at a frequency below {crossovers:g} crossovers; the linear model does not "
        "apply: use run",
        "it is so slow that the controller reacts to each step of the converter",
        "limit cycle on converter steps",
    ),
    "hysteresis_in_loop": (
        "hysteresis has no linear model in a closed loop at this speed: use run",
        "the counts stay behind where the axis reverses, and the controller follows",
        "hysteresis in the loop",
    ),
    "friction_reverses": (
        "the ripple reverses the speed, and friction with it: use run",
        "the speed varies so much that the axis reverses: friction then holds it and releases it",
        "friction reverses",
    ),
    "torque_near_limit": (
        "the torque comes within {peaks:g} rms of its limit: use run",
        "the motor comes near its limit",
        "torque near its limit",
    ),
    "cogging": (
        "cogging is not in these values and adds more than {percent:g} %: use run",
        "the motor's own cogging moves the axis too and is not in these numbers",
        "without cogging",
    ),
    "age_swings": (
        "asynchronous sampling moves the axis so much that its own delay changes: use run",
        "asynchronous sampling moves the axis, and that changes the delay of the readings again",
        "asynchronous sampling",
    ),
    "torque_exceeds": (
        "the torque would reach {torque:.4g} {unit}, above the limit {limit:.4g} {unit}: the axis responds more "
        "slowly{below}",
        "the motor reaches its limit, so the axis responds more slowly",
        "torque limit exceeded",
    ),
    "friction_left_out": (
        "dry friction of {friction:.4g} {unit} is not included, beside a torque of up to {torque:.4g} {unit}: use run",
        "dry friction is left out of these numbers",
        "without dry friction",
    ),
    # simulated
    "run_above_top_speed": (
        "speed {speed:.4g} {unit}/s is above the top speed {top:.4g} {unit}/s ({limit})",
        _TOO_FAST,
        "above top speed",
    ),
    "run_clips": (
        "the converter clips, {readings} readings of a channel were cut off",
        _CLIPPED,
        "converter clips",
    ),
    "estimator_unsettled": (
        "the run is too short for estimator or hysteresis to settle: take more samples",
        _TOO_SHORT,
        "run too short",
    ),
    "loop_unsettled": (
        "the run is too short for the loop to settle: run longer",
        _TOO_SHORT,
        "run too short",
    ),
    "run_stopped": ("stopped at {time:.6g} s: {why}", "the simulation stopped early", "run stopped"),
    "demand_exceeds_torque": (
        "the demand asks for {torque:.4g} {unit} at {time:.4g} s, more than the torque limit {limit:.4g} {unit}",
        "the motion asks for more than the motor can give",
        "torque limit exceeded",
    ),
    "simulation_disagrees": (
        "the simulation does not agree within {percent:g} %",
        "a simulation gives other numbers",
        "simulation disagrees",
    ),
    "not_simulated": ("{fault}", "it could not be simulated", "not simulated"),
    "runs_away": ("the axis runs away", "in the simulation the axis runs away", "runs away"),
    # many axes, candidates and estimators
    "fast_form_off": (
        "the quick form is off by up to {percent:.2g} % at some speeds",
        "the quick computation for many axes is up to {percent:.2g} % off at some speeds",
        "fast form inexact",
    ),
    "axes_without_position": (
        "{lost} of {samples} axes have channels that the converter clips or that do not enclose zero",
        "{lost} of {samples} axes have signals that cannot be read",
        "signals unreadable",
    ),
    "few_samples": (
        "fewer than {samples} samples say little about the ends of the band",
        "fewer than {samples} axes were tried, too few for the best and the worst of many",
        "few samples",
    ),
    "screened": (
        "rows that are not exact were screened (approximate): mostly within some per cent, rarely 25 % off",
        "some candidates were computed approximately: mostly within some per cent, seldom 25 % off",
        "screened",
    ),
    "start_matters": (
        "at {speed:.6g} {unit}/s a run meets the same {where} of a signal period again and again: its rms depends "
        "on where it starts ({estimator}: {low:.3g} to {high:.3g} {unit}/s); take a speed beside it",
        "at this speed the ripple depends on where the motion starts",
        "depends on the start",
    ),
    # rings
    "foreshortened": (
        "left out: the tilted ring is foreshortened, {angle:.3g} rad at 2 per turn",
        "a tilted ring looks slightly oval, which is left out of these numbers",
        "foreshortening left out",
    ),
    # calibration
    "lost_orders": (
        "these {who} cannot {cannot} {orders}",
        "some errors of the ring cannot be seen this way",
        "unobservable orders",
    ),
    "no_spare_readings": (
        "no reading is left over to judge the noise by: use more {who}, or state the noise",
        "there are too few readings to tell how noisy they are",
        "noise unknown",
    ),
}
DOUBTS = {code: DoubtWords(code, *words) for code, words in _WORDS.items()}
