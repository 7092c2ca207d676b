"""The commented axis file that a new user starts from, for an invented axis."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

from ..model.estimators import KINDS, Difference

_HEAD = """\
# {title}
# An invented example, not a real product: put your own figures in place of these.
#
# A quantity is text with its unit, a pure number has no unit and no quotes.
# Units: nm um mm m | deg arcsec mrad urad rad | ns us ms s | Hz kHz MHz
# "No limit" is leaving a key out. Lines that begin with "# key =" show a key that is not used here.
"""

_LINEAR = """
[scale]
period = "20 um"           # length of one signal period along the scale
# lines = 9000             # rotary scale instead: signal periods per revolution (then leave period out)
# diameter = "57.3 mm"     # rotary: diameter of the graduation; with period, lines follows from both
"""

_ROTARY = """
# heads = ["0 deg", "180 deg"]   # where the heads stand whose mean is used; left out: one head

[scale]
lines = 9000               # signal periods per revolution
diameter = "57.3 mm"       # diameter of the graduation; lets you give errors as a length along the rim
# period = "20 um"         # instead of lines: one signal period along the rim, together with diameter
"""

_REST = """
[signal]                   # the sine and cosine signals of the readhead; 1 is their nominal amplitude
# amplitude = 1.0          # amplitude of the cosine signal; below 1 with a misaligned or dirty readhead
offset = [0.01, -0.005]    # zero offset of cosine and sine signal: 1 %, -0.5 % of the nominal amplitude
gain = 0.02                # amplitude mismatch: the sine signal is larger than the cosine signal by 2 %
phase = "10 mrad"          # phase (quadrature) error: the sine signal leads by this angle of the signal period
harmonics = {{3 = 0.002}}    # harmonic distortion, {{order = share}}: 0.2 % third harmonic in both signals
{sde}# subdivisional error (SDE) of the position, {{harmonic = amplitude}}, where it is known
#                          # from a data sheet or a measurement; with a phase: {{1 = ["{error}", "17 deg"]}}
{jitter}# random noise of the position, rms
# jitter_bandwidth = "50 kHz"  # bandwidth of the jitter, first order; left out: white, a new value in each sample
# noise = 0.001            # electrical noise of each signal, rms, as a share of the nominal amplitude
# bandwidth = "500 kHz"    # bandwidth (-3 dB) of the readhead's signals
# skew = "10 ns"           # delay of the sine channel against the cosine channel

[interpolation]            # how the two signals become a position
factor = 4000              # counts per signal period; left out: no quantisation
bits = 12                  # resolution of the A/D converters; left out: ideal converters
# span = 1.25              # the converters take signals from -span to span; larger ones are clipped
# hysteresis = 1.0         # hysteresis of the count, total width in counts
# correction = 0.9         # share of offset, gain and phase that automatic signal correction removes, 0 to 1
# output = "ab"            # A/B square waves counted by the controller; left out: "position", a digital value
# edge_separation = "50 ns"    # with "ab": shortest time between two edges
# edge_clock = "20 MHz"    # with "ab": clock of the output; edges are on its ticks

[sampling]                 # when the controller reads the position
rate = "16 kHz"            # loop rate: how often the velocity is computed
jitter = "20 ns"           # sampling jitter, rms
# latency = "10 us"        # delay from reading to use of the position
# average = 4              # readings averaged per sample; 1: no averaging
# encoder_rate = "50 kHz"  # a serial encoder that samples on its own clock: its rate
# encoder_phase = 0.25     # phase of that clock at the first sample, 0 to 1

[motion]                   # speeds that matter: the default range of every command and picture
# lowest = "{lowest}"
# top = "{top}"

[estimator]                # how the controller computes the velocity from positions
kind = "difference"        # {difference}
samples = 1                # number of samples that it spans
# The other kinds, each with its keys; one of them takes the place of the two lines above:
{estimators}
"""

_RING = """
[ring]                     # mounting of the ring on its shaft: errors of a few cycles per revolution
eccentricity = "2 um"      # distance of its centre from the axis of rotation: half of the full run-out
# direction = "30 deg"     # where that offset points when the shaft is at zero
# swash = "10 arcsec"      # tilt of the ring against the plane of rotation, and
# head_offset = "1 mm"     # distance along the shaft of the head from the plane in which the ring is centred
lobes = {2 = "0.5 um"}     # the mounted ring is out of round, {number per revolution = change of radius}
# graduation = {5 = "0.2 arcsec"}  # errors of the lines themselves, {number per revolution = angle}
# wander = {3 = "0.1 um"}  # motion of the shaft in its bearing, {number per revolution = distance}
# coupling = {2 = "0.5 arcsec"}    # error of a coupling between this shaft and the one that matters
# compensation = {1 = ["14 arcsec", "20 deg"]}  # error map that the controller subtracts
# bore = "40 mm"           # bore of the ring, and
# shaft = "39.99 mm"       # its seat on the shaft: limits how eccentric the ring can be
"""

_LOOP = """
# A closed loop needs both of the next tables: take the "# " away before [load], [control] and the keys you use.
# Caution: computed gains are starting points. Moving machinery can injure: follow the machine's documentation and
# local codes, keep limits, guards and an emergency stop, and leave the work to qualified staff.
# Their units: {units}
#
# [load]                   # what the motor moves: {mass}, and the {word}s that act on it
{load}# encoder = "motor"        # which side of that spring the encoder sits on: "motor" or "load"
#
# [control]                # how the controller moves it: position loop, velocity loop, current loop
{control}"""
_LINEAR_LOAD = """\
# inertia = "5 kg"         # mass that moves (without the motor's, if that is given)
# viscous = "15 N s/m"     # friction that grows with the speed
# coulomb = "4 N"          # friction that only changes its direction with the motion
# stribeck = "2 N"         # excess of the breakaway force over that
# stribeck_speed = "1 mm/s"    # speed at which most of this excess is gone
# force = "0 N"            # constant force in the direction of positive motion, such as a weight
# motor_inertia = "1 kg"   # mass of the moving part of the motor
# stiffness = "12 N/um"    # of the spring that joins motor and load; left out: one rigid mass
# damping = "300 N s/m"    # of that spring
# cogging = {31 = "0.5 N"} # force ripple of the motor, {number per metre = amplitude}; one like 31.25 in quotes
# torque_constant = "45 N/A"   # force of the motor for one ampere
"""
_ROTARY_LOAD = """\
# inertia = "0.02 kg m2"   # rotating inertia (without the motor's, if that is given)
# viscous = "0.02 N m s/rad"   # friction that grows with the speed
# coulomb = "0.05 N m"     # friction that only changes its direction with the motion
# stribeck = "0.03 N m"    # excess of the breakaway force over that
# stribeck_speed = "0.2 rpm"   # speed at which most of this excess is gone
# force = "0 N m"          # constant torque in the direction of positive motion, such as an unbalanced weight
# motor_inertia = "0.004 kg m2"    # inertia of the rotor
# stiffness = "47 kN m/rad"    # of the spring that joins motor and load; left out: one rigid inertia
# damping = "1.2 N m s/rad"    # of that spring
# cogging = {36 = "0.02 N m"}  # torque ripple of the motor, {number per revolution = amplitude}
# torque_constant = "0.9 N m/A"    # torque of the motor for one ampere
"""
_CONTROL = """\
# position_gain = "60 1/s" # velocity command per unit of position error
# velocity_gain = "{gain}"  # {word} command per unit of velocity error
# integral_time = "12 ms"  # integral time (reset time) of the velocity loop; left out: no integral part
# current_bandwidth = "1 kHz"  # of the current loop; left out: no lag
# delay = "60 us"          # from the sample to the moment its {word} begins
# velocity_feedforward = 1.0   # share of the commanded velocity that is fed forward
# acceleration_feedforward = "{forward}"  # {word} per unit of commanded acceleration; in full: {whole}
# torque_limit = "{limit}"   # limit of the {word} command; left out: no limit
# notch = [{{frequency = "600 Hz", damping = 0.5, depth = 0.1}}]  # suppresses the {word} at the resonance;
#                          # order = 2 in place of a frequency follows that harmonic of the encoder with the speed
# lowpass = "1.5 kHz"      # low-pass of the {word} command; left out: none
"""
_LINEAR_UNITS = "g kg t | mN N kN | N s/m kN s/m | N/m kN/m N/um | N/A | 1/s"
_ROTARY_UNITS = (
    "g cm2, kg cm2, kg m2 | mN m, N cm, N m | N m s/rad | N m/deg, N m/rad, kN m/rad | N m/A | 1/s"
)


# What a starter uses more than the plain one does: keys that lose their "# ".
_AB = ("output", "edge_separation", "edge_clock")
# Edges a period for which the edge separation allows the speed that the title names, linear and rotary.
_AB_FACTOR = {False: "factor = 400", True: "factor = 40"}
_SERIAL = ("latency", "encoder_rate", "encoder_phase")
_RIGID = (
    ("inertia", "viscous", "torque_constant"),
    ("position_gain", "velocity_gain", "integral_time", "current_bandwidth", "delay", "torque_limit"),
)


def text(rotary: bool = False, *, loop: bool = False, ab: bool = False, serial: bool = False) -> str:
    """Text of the starter file: linear or rotary; with a closed loop, A/B output or a serial encoder in use."""
    found = _plain(rotary)
    if ab:
        found = re.sub(r"(?m)^factor = [^#]*", _AB_FACTOR[rotary].ljust(27), _using(found, _AB), count=1)
    if serial:
        found = _using(found, _SERIAL)
    return _with_loop(found) if loop else found


def _using(text: str, keys: tuple[str, ...]) -> str:
    """The text with commented keys in use, their comments where they were."""
    for key in keys:
        text = re.sub(rf"(?m)^# ({key} = .*?)(?= *#)( *)", r"\1\2  ", text, count=1)
    return text


def _with_loop(text: str) -> str:
    """The text with the tables of a closed loop in use: one rigid mass or inertia and its controller."""
    head, _, tables = text.partition("# A closed loop needs")
    tables = re.sub(r"(?m)^#\n# (\[load\]|\[control\])", r"\n\1  ", tables.partition("\n")[2])
    load, _, control = tables.partition("[control]")
    load, control = (_using(part, keys) for part, keys in zip((load, control), _RIGID, strict=True))
    return f"{head}# The closed loop: what the motor moves and how the controller moves it.\n{load}[control]{control}"


def _plain(rotary: bool) -> str:
    """Text of the starter with the tables of a loop commented out."""
    if rotary:
        title = (
            "Axis file of encsim: Table R, a rotary table with a ring of 9000 lines, up to about 3000 rpm."
        )
        return (
            _HEAD.format(title=title)
            + _ROTARY
            + _rest("0.3 arcsec", "0.004 arcsec", "50 rad/s2", ("1 rpm", "3000 rpm"))
            + _RING
            + _loop(rotary)
        )
    title = "Axis file of encsim: Stage X, a linear stage with a 20 um scale, up to about 1 m/s."
    return (
        _HEAD.format(title=title)
        + _LINEAR
        + _rest("40 nm", "0.5 nm", "2 m/s2", ("0.1 mm/s", "1 m/s"))
        + _loop(rotary)
    )


def _rest(error: str, jitter: str, acceleration: str, speeds: tuple[str, str]) -> str:
    """All but the scale: a cyclic error, a jitter, an acceleration and two speeds in the unit of the scale."""
    sde = f'# sde = {{1 = "{error}"}} '.ljust(27)
    return _REST.format(
        sde=sde,
        error=error,
        lowest=speeds[0],
        top=speeds[1],
        jitter=f'jitter = "{jitter}"'.ljust(27),
        difference=Difference.example[1],
        estimators="\n".join(_estimators(acceleration=acceleration, jitter=jitter)),
    )


def _estimators(**values: str) -> Iterator[str]:
    """Lines of the other kinds of estimator, with quantities in the unit of the scale."""
    for kind in KINDS.values():
        keys, (first, *more) = kind.example[0].format(**values), kind.example[1].split("\n")
        if kind is not Difference:
            yield f"#   kind = {json.dumps(kind.kind):18}{keys:39}  {first}"
            yield from (f"#{'':69}{line}" for line in more)


def _loop(rotary: bool) -> str:
    """The two tables of a closed loop, commented out."""
    if rotary:
        control = _CONTROL.format(
            word="torque",
            gain="10 N m s/rad",
            forward="0.024 kg m2",
            whole="the whole inertia",
            limit="10 N m",
        )
        return _LOOP.format(
            word="torque", mass="an inertia", units=_ROTARY_UNITS, load=_ROTARY_LOAD, control=control
        )
    control = _CONTROL.format(
        word="force", gain="2.5 kN s/m", forward="6 kg", whole="the whole mass", limit="400 N"
    )
    return _LOOP.format(word="force", mass="a mass", units=_LINEAR_UNITS, load=_LINEAR_LOAD, control=control)
