"""What the pictures of rings say: causes in words and roles, titles, alternative texts."""

import numpy as np

from ._plot_numbers import counted, listed, quantity, sentence

# Role of a cause's bar, its hatch, its word on a bar, and what stays in a title.
CAUSES = {
    "eccentricity": ("cyclic", "", "off-centre", "its eccentricity"),
    "swash": ("cyclic", "", "tilted", "its tilt"),
    "lobes": ("true", "////", "", ""),
    "graduation": ("counts", "", "graduation", "its graduation"),
    "wander": ("cyclic", "\\\\\\\\", "bearing", "the wander of the bearing"),
    "coupling": ("force", "xxxx", "coupling", "the coupling"),
    "sde": ("muted", "....", "signal period", "the error within the signal period"),
    "mixed": ("muted", "", "second order", "what its faults make together"),
}
# A cause is named beside the largest of its order from this share of it on; an order is shown from this on.
BESIDE, SHOWN = 0.1, 0.01
NOTHING = 1e-3


def angle(value, count=2):
    """An angle as titles show it."""
    return quantity(value, "rad", count)


def half_range(values):
    """Half of peak to peak."""
    return float(np.ptp(values)) / 2.0


def main_cause(line):
    """The cause that makes most of a line."""
    return max(line.causes, key=line.causes.get) if line.causes else "mixed"


def bar_words(line):
    """Causes of a line, the largest first, as they stand beside its bar."""
    most = max(line.causes.values(), default=0.0)
    kept = sorted(
        (name for name, size in line.causes.items() if size >= BESIDE * most), key=lambda n: -line.causes[n]
    )
    return ", ".join(_shape(line.order) if name == "lobes" else CAUSES[name][2] for name in kept or ["mixed"])


def _shape(order):
    return {1: "one lobe", 2: "oval"}.get(order, f"{counted(order)} lobes")


def _stays(line):
    """What a line comes from, as a title says it."""
    cause = main_cause(line)
    if cause == "lobes":
        return "its oval shape" if line.order == 2 else f"its shape of {_shape(line.order)}"
    return CAUSES[cause][3]


def heads_words(count):
    """``one head``, ``three heads``."""
    return "one head" if count == 1 else f"{counted(count)} heads"


def ring_title(curve):
    """The answer: how far the ring reads off, what the heads leave, and what that comes from."""
    alone, count = half_range(curve.alone), len(curve.heads)
    if alone == 0.0 and curve.peak == 0.0:
        return "The ring reads true: nothing is wrong with its mounting"
    most = max(curve.orders, key=lambda line: line.amplitude, default=None)
    if count == 1:
        return f"The ring reads off by ±{angle(curve.peak)}; most of it is {_stays(most)}"
    who = sentence(heads_words(count))
    if most is None or curve.peak < NOTHING * alone:
        left = f"; ±{angle(curve.peak)} stay" if most is not None else ""
        return f"{who} take all that matters off the ring's ±{angle(alone)}{left}"
    if curve.peak > 0.98 * alone:
        return f"{who} are no help: ±{angle(curve.peak)} where one shows ±{angle(alone)}"
    return f"{who} take the ring from ±{angle(alone)} to ±{angle(curve.peak)}; what stays is {_stays(most)}"


def ring_note(curve):
    """What is drawn, and what is left out."""
    size = quantity(curve.ring.diameter, "m", strip=True)
    arc = quantity(curve.arc, "m")
    words = [f"Ring of {size}: angle shown minus true angle over a turn; at its rim ±{arc}."]
    words += [sentence(f"{reason}.") for reason in curve.reasons]
    return " ".join(words)


def ring_text(curve, title):
    """Alternative text: kind, quantity; the answer; the largest orders."""
    words = [
        f"Line chart of angle error against shaft angle over a turn, ring with heads, bars by order. {title}."
    ]
    largest = sorted(curve.alone_orders, key=lambda line: -line.amplitude)[:3]
    if largest:
        lines = [
            f"{angle(line.amplitude)} at {line.order} a turn" for line in largest if line.amplitude > 0.0
        ]
        words.append(f"One head: {listed(lines)}.")
    return " ".join(words)
