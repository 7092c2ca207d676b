"""Kinds of quantities that text may carry, and the size of each of their units.

``length`` ``angle`` ``time`` ``frequency`` ``rate`` (1/s) ``stress`` ``temperature`` are the same on every scale.
The others depend on the position unit of the scale: ``position`` ``speed`` ``acceleration`` ``jerk``, and of a
closed loop ``inertia`` ``torque`` ``torque per speed`` ``stiffness`` ``torque per current``, which mean mass and
force on a linear scale. Their kinds are ``position(m)`` and ``position(rad)``, ``speed(m/s)`` ``acceleration(m/s2)``
``inertia(m)`` and so on; a name without brackets takes both and serves where it is not known yet which of the two
is meant.
"""

from collections import namedtuple

# 50 digits: far more than any decimal of 17 digits needs for one correct rounding.
_PI = (31415926535897932384626433832795028841971693993751, 10**49)

# What a kind of unit is called, an example, and each unit's size as a ratio of whole numbers.
Dimension = namedtuple("Dimension", "noun example units")


def ten(exponent, times=(1, 1)):
    """``times`` 10**exponent as a ratio."""
    return times[0] * 10 ** max(exponent, 0), times[1] * 10 ** max(-exponent, 0)


def _turned(above, below):
    """``pi`` above/below as a ratio."""
    return _PI[0] * above, _PI[1] * below


def _per_turned(above, below):
    """1/(``pi`` above/below) as a ratio."""
    return _turned(above, below)[::-1]


LENGTH = {"nm": ten(-9), "um": ten(-6), "mm": ten(-3), "m": ten(0), "pm": ten(-12)}
_ANGLE = {
    "arcsec": _turned(1, 648_000),
    "deg": _turned(1, 180),
    "rad": ten(0),
    "mrad": ten(-3),
    "urad": ten(-6),
    "nrad": ten(-9),
}
_TIME = {"ns": ten(-9), "us": ten(-6), "ms": ten(-3), "s": ten(0), "ps": ten(-12)}
_FREQUENCY = {"Hz": ten(0), "kHz": ten(3), "MHz": ten(6), "GHz": ten(9)}
_LINEAR_SPEED = {
    "um/s": ten(-6),
    "mm/s": ten(-3),
    "m/s": ten(0),
    "mm/min": ten(-3, (1, 60)),
    "m/min": ten(0, (1, 60)),
    "nm/s": ten(-9),
}
_ROTARY_SPEED = {
    "rpm": _turned(1, 30),
    "deg/s": _turned(1, 180),
    "rad/s": ten(0),
    "arcsec/s": _turned(1, 648_000),
    "mrad/s": ten(-3),
    "urad/s": ten(-6),
}
_LINEAR_ACCELERATION = {"mm/s2": ten(-3), "m/s2": ten(0), "um/s2": ten(-6)}
_ROTARY_ACCELERATION = {"deg/s2": _turned(1, 180), "rad/s2": ten(0), "mrad/s2": ten(-3)}
_LINEAR_JERK = {"mm/s3": ten(-3), "m/s3": ten(0), "um/s3": ten(-6)}
_ROTARY_JERK = {"deg/s3": _turned(1, 180), "rad/s3": ten(0), "mrad/s3": ten(-3)}
_MASS = {"g": ten(-3), "kg": ten(0), "t": ten(3)}
_INERTIA = {"kg m2": ten(0), "kg cm2": ten(-4), "kg mm2": ten(-6), "g m2": ten(-3), "g cm2": ten(-7)}
_FORCE = {"mN": ten(-3), "N": ten(0), "kN": ten(3)}
_TORQUE = {"mN m": ten(-3), "N m": ten(0), "kN m": ten(3), "N cm": ten(-2), "N mm": ten(-3)}
_FORCE_PER_SPEED = {"N s/m": ten(0), "kN s/m": ten(3), "N/(m/s)": ten(0), "N s/mm": ten(3)}
_TORQUE_PER_SPEED = {
    "mN m s/rad": ten(-3),
    "N m s/rad": ten(0),
    "N m/(rad/s)": ten(0),
    "N m/rpm": _per_turned(1, 30),
}
_LINEAR_STIFFNESS = {"N/m": ten(0), "N/um": ten(6), "N/mm": ten(3), "kN/m": ten(3)}
_ROTARY_STIFFNESS = {"N m/rad": ten(0), "kN m/rad": ten(3), "N m/deg": _per_turned(1, 180)}
_FORCE_PER_CURRENT = {"N/A": ten(0)}
_TORQUE_PER_CURRENT = {"mN m/A": ten(-3), "N m/A": ten(0)}


def _on_both(noun, linear, rotary):
    """A kind on a linear scale, on a rotary one, and where it is not known which."""
    return linear, rotary, Dimension(noun, linear.example, linear.units | rotary.units)


_OF_SCALE = {
    "position": _on_both(
        "length or angle",
        Dimension("length", "0.5 nm", LENGTH),
        Dimension("angle", "0.1 arcsec", _ANGLE),
    ),
    "speed": _on_both(
        "speed",
        Dimension("linear speed", "2 mm/s", _LINEAR_SPEED),
        Dimension("rotary speed", "3 rpm", _ROTARY_SPEED),
    ),
    "acceleration": _on_both(
        "acceleration",
        Dimension("linear acceleration", "2 m/s2", _LINEAR_ACCELERATION),
        Dimension("rotary acceleration", "50 rad/s2", _ROTARY_ACCELERATION),
    ),
    "jerk": _on_both(
        "jerk",
        Dimension("linear jerk", "100 m/s3", _LINEAR_JERK),
        Dimension("rotary jerk", "500 rad/s3", _ROTARY_JERK),
    ),
    "inertia": _on_both(
        "mass or inertia",
        Dimension("mass", "5 kg", _MASS),
        Dimension("inertia", "0.02 kg m2", _INERTIA),
    ),
    "torque": _on_both(
        "force or torque",
        Dimension("force", "20 N", _FORCE),
        Dimension("torque", "0.5 N m", _TORQUE),
    ),
    "torque per speed": _on_both(
        "force or torque per speed",
        Dimension("force per speed", "2 kN s/m", _FORCE_PER_SPEED),
        Dimension("torque per speed", "8 N m s/rad", _TORQUE_PER_SPEED),
    ),
    "stiffness": _on_both(
        "stiffness",
        Dimension("linear stiffness", "50 N/um", _LINEAR_STIFFNESS),
        Dimension("rotary stiffness", "20 kN m/rad", _ROTARY_STIFFNESS),
    ),
    "torque per current": _on_both(
        "force or torque per current",
        Dimension("force per current", "40 N/A", _FORCE_PER_CURRENT),
        Dimension("torque per current", "0.9 N m/A", _TORQUE_PER_CURRENT),
    ),
}
_BRACKETS = {"speed": "{}/s", "acceleration": "{}/s2", "jerk": "{}/s3"}


def on_scale(dimension, unit):
    """The dimension on a scale with this position unit; one that does not depend on it, or no unit: as it is."""
    if not unit or dimension not in _OF_SCALE:
        return dimension
    return f"{dimension}({_BRACKETS.get(dimension, '{}').format(unit)})"


DIMENSIONS = {
    "length": Dimension("length", "20 um", LENGTH),
    "angle": Dimension("angle", "0.6 deg", _ANGLE),
    "time": Dimension("time", "20 ns", _TIME),
    "frequency": Dimension("frequency", "16 kHz", _FREQUENCY),
    "rate": Dimension("1/time", "200 1/s", {"1/s": ten(0)}),
    "stress": Dimension(
        "stress", "300 MPa", {"MPa": ten(6), "GPa": ten(9), "kPa": ten(3), "Pa": ten(0), "N/mm2": ten(6)}
    ),
    "temperature": Dimension("temperature difference", "10 K", {"K": ten(0), "mK": ten(-3)}),
    **{
        on_scale(name, unit): kind
        for name, kinds in _OF_SCALE.items()
        for unit, kind in zip(("m", "rad", None), kinds, strict=True)
    },
}


def unit_on_scale(text, unit):
    """The one of "kg m2 or kg" that fits a scale with this position unit; any other text as it is."""
    fitting = [kind for name, kind in DIMENSIONS.items() if unit and f"({unit}" in name]
    return next((part for part in text.split(" or ") for kind in fitting if part in kind.units), text)
