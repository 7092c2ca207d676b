"""What a ripple curve says, in words and numbers: title, note, alternative text."""

import numpy as np

from ._plot_numbers import axis_words, counted, digits, percent, quantity, sentence, with_unit

CAUSES = {
    "cyclic": "cyclic error",
    "counts": "resolution",
    "noise": "noise",
    "muted": "the age of the reading",
}


def title(view):
    """The answer: where the limit is exceeded, else where the ripple is largest, and the cause."""
    if _title_doubts(view):
        return f"In doubt: {view.curve.reasons[0] if view.curve.reasons else 'the result says so'}"
    if not len(view.speed):
        still = view.standstill[0] if view.standstill else 0.0
        return (
            f"At standstill: ripple {quantity(still, view.unit, 2)} rms"
            if still
            else "At standstill: no ripple"
        )
    if not np.any(view.rms > 0.0):
        return "No velocity ripple at these speeds: this axis is ideal"
    if view.allowed is not None:
        return _against_limit(view)
    return _largest(view)


def _title_doubts(view):
    """Whether there is no speed, or no telling which, that the result is sure of."""
    return not view.curve.valid and bool(np.all(view.doubtful == view.doubtful[:1]))


def _largest(view):
    rms = view.rms[view.sound]
    worst = int(np.flatnonzero(view.sound)[np.argmax(rms)])
    size = quantity(rms.max(), view.unit, 2)
    if len(view.speed) == 1:
        share = percent(view.rms[0] / view.speed[0])
        return f"At {_given(view.speed[0], view)}: ripple {size} rms, {share} of the speed: {_cause(view, 0)}"
    if rms.max() < 1.02 * rms.min():
        return f"Ripple is {size} rms at {_every(view)}: {_cause(view, worst)}"
    return f"Ripple is largest at {_two(view, worst)}, {size} rms: {_cause(view, worst)}"


def _given(speed, view):
    return quantity(speed, view.unit, 3, strip=True)


def role_of(view, index):
    """Role of the largest part at one speed, None where there is none."""
    role = max(view.parts, key=lambda name: view.parts[name][index], default=None)
    return role if role and view.parts[role][index] > 0.0 else None


def _cause(view, index):
    """The largest part at one speed in words."""
    role = role_of(view, index)
    aliased = role == "cyclic" and str(view.regime[index]) == "aliased"
    return ("aliased " if aliased else "") + CAUSES.get(role, "no cause found")


def _against_limit(view):
    excess = np.where(view.sound, view.rms, 0.0) / view.allowed
    worst = int(np.argmax(excess))
    if not np.any(excess > 1.0):
        most = percent(excess[worst])
        return f"Within the limit at {_every(view)}: at most {most} of it, at {_two(view, worst)}"
    ranges = ranges_above(view)
    cause = f"{_cause(view, worst)} causes it" if len(ranges) == 1 else f"worst at {_two(view, worst)}"
    if np.all(excess[view.sound] > 1.0) and len(view.speed) > 1:
        return f"Above the limit at {_every(view)}: {_cause(view, worst)} causes it"
    if len(ranges) == 1 and ranges[0][0] == ranges[0][1]:
        return f"Above the limit at {quantity(ranges[0][0], view.unit, 2)}: {cause}"
    low, high = (quantity(end, view.unit, 2) for end in (ranges[0][0], ranges[-1][1]))
    several = "" if len(ranges) == 1 else f" in {counted(len(ranges))} ranges"
    return f"Above the limit{several} from {low} to {high}: {cause}"


def _every(view):
    """All speeds that a title speaks of: it is silent about those in doubt."""
    return "every speed" if np.all(view.sound) else "every speed that is not in doubt"


def _two(view, index):
    return quantity(view.speed[index], view.unit, 2)


def ranges_above(view):
    """Ranges of speed in which the limit is exceeded, ends by interpolation on the log scale."""
    above = np.log(np.maximum(np.where(view.sound, view.rms, 0.0), 1e-300) / view.allowed)
    found = []
    for index in np.flatnonzero(above > 0.0):
        if found and found[-1][2] == index - 1:
            found[-1][2] = index
        else:
            found.append([_crossing(view, above, index - 1, index), None, index])
    return [(low, _crossing(view, above, last + 1, last)) for low, _, last in found]


def _crossing(view, above, outside, inside):
    """Speed between two neighbours at which the limit is met; the inner one where there is no outer."""
    if not 0 <= outside < len(above):
        return float(view.speed[inside])
    share = above[inside] / (above[inside] - above[outside])
    return float(view.speed[inside] * (view.speed[outside] / view.speed[inside]) ** share)


def rule(view, unit=None):
    """The limit in words; angles a time in the unit of the axis (its name and size) where that is given."""
    share, least = view.limit
    size = quantity(least, view.unit, 3, strip=True)
    if unit is not None and view.unit == "rad/s":
        size = with_unit(digits(least / unit[1], 3, strip=True), unit[0])
    if share <= 0.0:
        return f"limit: {size}"
    floor = f", at least {size}" if least > 0.0 else " of the speed"
    return f"limit: {percent(share, 3, strip=True)}{floor}"


def note(view, explained=True):
    """The axis, and what the marks mean."""
    words = [f"{sentence(axis_words(view.curve.axis))}."]
    if len(view.ring_speed):
        words.append("Lines: predicted; rings: simulated.")
    elif view.few and len(view.speed) > 1:
        words.append("Dots: speeds given.")
    if view.standstill is not None and len(view.speed):
        words.append(f"At standstill {quantity(view.standstill[0], view.unit)} rms.")
    if not explained:
        words.append("Ticks on top: lines that vanish.")
    if np.any(view.doubtful):
        reason = f": {view.curve.reasons[0]}" if view.curve.reasons and not _title_doubts(view) else ""
        words.append(f"{'Hatched: in doubt' if len(view.speed) > 1 else 'In doubt'}{reason}.")
    return " ".join(words)


def alternative(view):
    """Alternative text: kind, quantity, range; the answer; the limit; what is odd."""
    if len(view.speed) < 2:
        return f"Bars of velocity ripple, rms, and of its parts. {title(view)}."
    ends = [quantity(end, view.unit, 3, strip=True) for end in (view.speed[0], view.speed[-1])]
    words = [
        f"Log-log chart of velocity ripple, rms, against speed from {ends[0]} to {ends[1]}. {title(view)}."
    ]
    if np.any(view.rms > 0.0):
        first, last = (quantity(view.rms[end], view.unit, 2) for end in (0, -1))
        words.append(f"It is {first} at the slowest, {last} at the fastest.")
    if view.allowed is not None:
        words.append(f"The {rule(view).replace('limit:', 'limit is')}.")
    if view.vanishing:
        words.append(f"Lines vanish from {quantity(view.vanishing[0][0], view.unit, 2)} on.")
    if np.any(view.doubtful):
        words.append("Some values are in doubt.")
    return " ".join(words)
