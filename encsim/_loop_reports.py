"""Closed loops, proposed gains, compared estimators as text for people: the answer first, then tables, then notes."""

import math

import numpy as np

from . import _tables
from ._tables import aligned, beside, percent, show
from .working_speeds import LEAST_MARGIN

CURVES = ("measured", "torque", "actual")
# Causes named beside a value: the largest, and a second one from this share of the mean square on.
SECOND = 0.1
LIMITS = {
    "phase_margin": "phase margin",
    "sensitivity_peak": "sensitivity peak",
    "torque_ripple": "{force} ripple",
}
LEGEND = (
    "From: the largest causes, as shares of the mean square. True: velocity and position of the load. Friction\n"
    "and cogging are not in these values; --simulate has them.\n"
)
ELSEWHERE = (
    "Another estimator changes the delay within the loop, and with it the margins: compute them anew (encsim loop) "
    "before it is used."
)


def force(axis):
    """What drives the axis: ``force`` or ``torque``."""
    return "force" if axis.scale.unit == "m" else "torque"


def loop(found, curve, whole, simulated=None, *, cautions=()):
    """Report of a closed loop: margins in words, smoothness, simulated speeds, notes.

    Parameters
    ----------
    found : Margins
    curve : Smoothness
        What was asked for.
    whole : Smoothness
        The same range with more speeds, for the answer; or the curve itself.
    simulated : Runs, optional
    cautions : sequence of str
        Lines at the end.

    Returns
    -------
    str
    """
    parts = [margins(found)]
    if np.isfinite(curve.actual).any():
        unit = curve.units["speed"]
        table = aligned(_columns(curve, unit))
        parts += ["\n", _answer(curve, whole, unit), _tables.doubt(curve, unit), "\n", table]
        parts += [] if simulated is None else ["\n", _beside(curve, simulated)]
        parts += ["\n", LEGEND, *(f"Note: {reason}\n" for reason in curve.reasons)]
    return "".join([*parts, listed(cautions)])


def listed(cautions):
    """Cautions, a line each."""
    return "".join(["Cautions:\n" if cautions else "", *(f"  {line}\n" for line in cautions)])


def margins(found):
    """Margins in words.

    Parameters
    ----------
    found : Margins

    Returns
    -------
    str
        Some lines.
    """
    lines = _stable(found) if found.stable else _unstable(found)
    return "".join(f"{line}\n" for line in [*lines, *_resonances(found)])


def _stable(found):
    crossing = "the loop gain is nowhere 1"
    if math.isfinite(found.crossover):
        crossing = f"crossover {show(found.crossover, 'Hz')}, phase margin {found.phase_margin:.1f} deg"
    bears = (
        "any more delay" if math.isinf(found.delay_margin) else f"{show(found.delay_margin, 's')} more delay"
    )
    more = (
        "without limit" if math.isinf(found.gain_margin) else f"by a factor of {_factor(found.gain_margin)}"
    )
    less = f"to {percent(found.lower_gain_margin)} % of itself" if found.lower_gain_margin else "to nothing"
    yield f"The closed loop is stable: {crossing}; it bears {bears}."
    yield f"Its gain may rise {more} and fall {less}. Sensitivity peak {found.sensitivity_peak:.2f}."
    position = (
        "there is no position loop" if math.isnan(found.bandwidth) else f"position {_reach(found.bandwidth)}"
    )
    yield f"What it follows to -3 dB: {position}, velocity {_reach(found.velocity_bandwidth)}."


def _factor(value):
    return f"{show(value, '1')} ({20.0 * math.log10(value):.1f} dB)"


def _reach(bandwidth):
    return "up to half the loop rate" if math.isinf(bandwidth) else f"up to {show(bandwidth, 'Hz')}"


def _unstable(found):
    """What an unstable loop does, by its largest pole."""
    control, rate = found.axis.control, found.axis.sampling.rate
    if control.velocity_gain == 0.0:
        yield "The loop is open: control.velocity_gain is 0, and nothing holds the axis."
        return
    yield "The closed loop is UNSTABLE with these gains; they must not be tried on a machine."
    if len(found.poles) and abs(found.poles[0]) > 1.0:
        pole = found.poles[0]
        swing = abs(float(np.angle(pole))) * rate / (2.0 * math.pi)
        how = f"It swings at {show(swing, 'Hz')}" if swing > 0.0 else "It runs away"
        yield f"{how} and grows e-fold every {show(1.0 / (rate * math.log(abs(pole))), 's')}."
    if math.isfinite(found.gain_margin):
        factor = show(found.gain_margin, "1")
        yield f"The nearest gain at which it just keeps swinging is {factor} times the present one."


def _resonances(found):
    if not found.resonances:
        yield "One rigid mass: the file describes no resonance."
    for each in found.resonances:
        yield (
            f"Resonance {show(each.frequency, 'Hz')}, antiresonance {show(each.antiresonance, 'Hz')}, damping ratio "
            f"{show(each.damping, '1')}; the loop gain there is {show(each.loop_gain, '1')}."
        )


def _answer(curve, whole, unit):
    """The largest value of each curve and where it is."""
    over = f"at {_tables.counted_speeds(len(curve.speed))}"
    if whole is not curve:
        over = f"from {show(curve.speed[0], unit)} to {show(curve.speed[-1], unit)}"
    names = {
        "measured": "measured velocity",
        "torque": force(curve.axis),
        "actual": "true velocity of the load",
    }
    lines = [f"Largest ripple {over}, rms, by the encoder alone:\n"]
    for name in CURVES:
        values = getattr(whole, name)
        worst = int(np.nanargmax(np.where(np.isfinite(values), values, -1.0)))
        size, cause = show(values[worst], whole.units[name]), _causes(whole, name, worst)
        where = show(whole.speed[worst], unit) if whole.speed[worst] else "standstill"
        lines.append(f"  {names[name]} {size} at {where}, from {cause}\n")
    return "".join(lines)


def _causes(curve, name, index):
    """The largest causes of one value with their shares of its mean square."""
    square = float(getattr(curve, name)[index]) ** 2
    if not 0.0 < square < math.inf:
        return "-"
    shares = {cause: float(part[index]) ** 2 / square for cause, part in curve.parts[name].items()}
    first, *rest = sorted(shares, key=shares.get, reverse=True)
    named = [first, *(cause for cause in rest[:1] if shares[cause] >= SECOND)]
    return ", ".join(f"{cause} {_tables.share_text(shares[cause])} %" for cause in named)


def _columns(curve, unit):
    """Table of chosen speeds: the curves, each with its causes."""
    rows = _tables.chosen(curve.measured, curve.torque, curve.actual)
    marks = _tables.marks(curve)
    heads = {"measured": "measured", "torque": force(curve.axis), "actual": "true"}
    columns = {"speed": [show(curve.speed[i], unit) + marks[i] for i in rows]}
    for name in CURVES:
        columns[heads[name]] = [show(getattr(curve, name)[i], curve.units[name]) for i in rows]
        columns[f"from ({heads[name]})"] = [_causes(curve, name, i) for i in rows]
    columns["position"] = [show(curve.position[i], curve.units["position"]) for i in rows]
    if curve.current is not None:
        columns["current"] = [show(curve.current[i], "A") for i in rows]
    return columns


def _beside(curve, simulated):
    """Simulated values beside the predicted ones."""
    unit = curve.units["speed"]
    places = [int(np.argmin(np.abs(np.abs(curve.speed) - speed))) for speed in simulated.speed.tolist()]
    heads = {"measured": "measured", "torque": force(curve.axis), "actual": "true"}
    columns = {"speed": [show(speed, unit) for speed in simulated.speed.tolist()]}
    for name in CURVES:
        predicted = [float(getattr(curve, name)[i]) for i in places]
        pairs = list(zip(predicted, simulated.rms[name].tolist(), strict=True))
        columns[heads[name]] = [show(value, curve.units[name]) for value in predicted]
        columns[f"simulated {heads[name]}"] = [beside(run, value, curve.units[name]) for value, run in pairs]
        columns[f"{heads[name]} differs by %"] = [_differs(value, run) for value, run in pairs]
    text = f"Simulated: {simulated.samples} samples a speed, seed {simulated.seed}\n{aligned(columns)}"
    return text + "".join(f"Note: simulated: {reason}\n" for reason in simulated.reasons)


def _differs(predicted, simulated):
    if not (0.0 < predicted < math.inf and math.isfinite(simulated)):
        return "-"
    return f"{100.0 * (simulated / predicted - 1.0):+.1f}"


GAINS = {
    "position_gain": ("position gain", {"m": "1/s", "rad": "1/s"}),
    "velocity_gain": ("velocity gain", {"m": "N s/m", "rad": "N m s/rad"}),
    "integral_time": ("integral time", {"m": "s", "rad": "s"}),
}


def tuning(result, axis, limits, speed):
    """Report of proposed gains: gains, what binds, margins, what would allow more, cautions.

    Parameters
    ----------
    result : Tuning
    axis : Axis
        As it was.
    limits : dict
        What was asked for, {name: value or None}.
    speed : float
        Speed of the ripple, m/s or rad/s.

    Returns
    -------
    str
    """
    gains = aligned(
        {
            "gain": [words for words, _ in GAINS.values()],
            "now": [_gain(axis, name) for name in GAINS],
            "proposed": [_gain(result.axis, name) for name in GAINS],
        }
    )
    return (
        f"{_binds(result, axis)}\n{gains}\n{_reached(result, axis, limits, speed)}\n{margins(result.margins)}\n"
        f"{_allowed(result, limits)}{_believed(result, axis)}\n{listed(result.cautions)}"
    )


def _gain(axis, name):
    value = getattr(axis.control, name)
    return "none" if value is None else show(value, GAINS[name][1][axis.scale.unit])


def _limit_words(name, axis):
    return LIMITS[name].format(force=force(axis))


def _binds(result, axis):
    """The sentence that says what stops the gains."""
    if not result.binding:
        return "Proposed gains: nothing that was asked for binds, the loop rate alone stops the gains.\n"
    names = " and ".join(_limit_words(name, axis) for name in result.binding)
    return f"Proposed gains: {names} {'binds' if len(result.binding) == 1 else 'bind'}.\n"


def _reached(result, axis, limits, speed):
    """What was asked for beside what is reached."""
    unit = result.units["torque_ripple"]
    shown = {
        "phase_margin": lambda value: f"{value:.1f} deg",
        "sensitivity_peak": lambda value: f"{value:.3f}",
        "torque_ripple": lambda value: show(value, unit),
    }
    reached = {
        "phase_margin": abs(result.margins.phase_margin),
        "sensitivity_peak": result.margins.sensitivity_peak,
        "torque_ripple": result.torque_ripple,
    }
    words = {"phase_margin": "at least ", "sensitivity_peak": "at most ", "torque_ripple": "at most "}
    asked = {n: "no limit" if limits[n] is None else words[n] + shown[n](limits[n]) for n in LIMITS}
    where = f"at {show(abs(speed), axis.scale.unit + '/s')}" if speed else "at standstill"
    table = aligned(
        {
            "limit": [_limit_words(name, axis) for name in LIMITS],
            "asked": list(asked.values()),
            "reached": [shown[name](reached[name]) for name in LIMITS],
            "": ["binds" if name in result.binding else "" for name in LIMITS],
        }
    )
    rows = (line.rstrip() for line in table.splitlines())
    ripple = f"\nThe {force(axis)} ripple is that of encoder errors {where}, rms.\n"
    return "\n".join(rows) + ripple + _working(result, limits)


def _working(result, limits):
    """At which speeds gains for timed edges hold."""
    if result.stable_from is None:
        return ""
    speed, margin, stable = (
        show(value, result.units["speed"]) for value in (result.speed, result.margin_from, result.stable_from)
    )
    least = min(LEAST_MARGIN, limits["phase_margin"])
    return (
        f"Edges are timed, and all this holds at {speed}: slower, they are older. At least {least:.3g} deg of phase\n"
        f"margin are left down to {margin}, and the loop is stable down to {stable}; see the cautions.\n"
    )


def _allowed(result, limits):
    """What a better encoder, estimator, rate or drive would allow."""
    # finer counts are timed sooner
    lines, better = [], "better" if result.axis.estimator.linear else "quieter"
    if limits["torque_ripple"] is None:
        lines.append(f"A {better} encoder allows no more: no limit of ripple is set (--torque-ripple).\n")
    elif "torque_ripple" not in result.binding:
        lines.append(f"A {better} encoder allows no more: the limit of ripple does not bind.\n")
    if not result.remedies:
        return "".join(["No single change that was tried allows clearly more.\n", *lines])
    table = aligned(
        {
            "with": [each.name for each in result.remedies],
            "times as stiff": [show(each.stiffness, "1") for each in result.remedies],
            "crossover about": [show(each.crossover, "Hz") for each in result.remedies],
        }
    )
    return "".join(["What would allow more within the same limits, gains tuned anew:\n", table, *lines])


def _believed(result, axis):
    """Why the ripple may not be believed."""
    named = f"{force(axis)} ripple"
    return "".join(f"Note: {reason.replace('torque ripple', named, 1)}\n" for reason in result.reasons)


def frontier(result, names, own=None):
    """Report of compared estimators: answer, table by delay, notes.

    Parameters
    ----------
    result : Frontier
    names : sequence of str
        Texts of the candidates, in the order of the result.
    own : int, optional
        Place of the axis' own estimator.

    Returns
    -------
    str
    """
    order = sorted(range(len(names)), key=lambda i: (_last(result.delay[i]), result.rms[i]))
    shown = [i for i in order if len(order) <= _tables.ALL_ROWS or result.best[i] or i == own]
    hidden = len(order) - len(shown)
    more = (
        f"{hidden} more are worse in both than one of these; --json and --csv list them.\n" if hidden else ""
    )
    table = "\n".join(line.rstrip() for line in aligned(_candidates(result, names, shown, own)).splitlines())
    notes = [f"Note: {line}\n" for line in (*result.remarks, *result.reasons)]
    return "".join(
        [
            _smoothest(result, names, own),
            "\n",
            table,
            "\n",
            more,
            "\n",
            *_legend(result),
            *notes,
            f"Caution: {ELSEWHERE}\n",
        ]
    )


def _last(delay):
    return delay if math.isfinite(delay) else math.inf


def _smoothest(result, names, own):
    """What beats the axis' own estimator, or the ends of the frontier."""
    unit = result.units["rms"]
    where = f"at {show(result.speed, unit)}" if result.speed else "at standstill"
    best = [i for i in np.flatnonzero(result.best) if math.isfinite(result.delay[i])]
    best.sort(key=lambda i: result.delay[i])

    def words(i):
        return f"{names[i]}, delay {show(result.delay[i], 's')}, {show(result.rms[i], unit)} rms"

    if own is None or not math.isfinite(result.delay[own]):
        if not best:
            return f"No candidate can be judged {where}.\n"
        return f"Quickest {where}: {words(best[0])}.\nSmoothest: {words(best[-1])}.\n"
    lines = [f"The axis' own estimator {where}: {words(own)}.\n"]
    if result.best[own]:
        return lines[0] + "No candidate has as little delay and less ripple, or the reverse.\n"
    slack = 1.0 + 1e-9
    as_quick = [i for i in best if result.delay[i] <= slack * result.delay[own]]
    as_smooth = [i for i in best if result.rms[i] <= slack * result.rms[own]]
    if as_quick:
        lines.append(f"Smoothest with no more delay: {words(min(as_quick, key=lambda i: result.rms[i]))}.\n")
    if as_smooth:
        lines.append(
            f"Quickest with no more ripple: {words(min(as_smooth, key=lambda i: result.delay[i]))}.\n"
        )
    return "".join(lines)


def _candidates(result, names, rows, own):
    unit = result.units["rms"]
    marks = {True: "best", False: ""}
    return {
        "estimator": [names[i] for i in rows],
        "delay": [show(result.delay[i], "s") for i in rows],
        "rms": [show(result.rms[i], unit) for i in rows],
        "peak": [beside(result.peak[i], result.rms[i], unit) for i in rows],
        "noise gain": [f"{show(result.noise_gain[i], '1')} 1/s" for i in rows],
        "overshoot %": [percent(result.overshoot[i]) for i in rows],
        "bound": [
            beside(result.bound[i], result.rms[i], unit) if math.isfinite(result.bound[i]) else "-"
            for i in rows
        ],
        "": [" ".join(filter(None, [marks[bool(result.best[i])], "own" if i == own else ""])) for i in rows],
    }


def _legend(result):
    yield "Best: no other has as little delay and ripple, and less of one. Noise gain: velocity for white position\n"
    yield "noise of 1. Bound: least rms that white noise alone leaves to any estimator with this delay that does not\n"
    yield "overshoot.\n"
    yield f"White position noise here: {show(result.noise, result.units['noise'])} rms.\n"
