"""Loops of all kinds at 4 kHz: margins and responses of the same ones are checked against python-control."""

from dataclasses import replace

import slow_loop

from encsim.model.estimators import Difference
from encsim.model.load_and_control import Control, Load

RATE = 4000.0
T = 1.0 / RATE
RIGID = Load(1e-3, viscous=0.01)
FLEXIBLE = Load(4e-4, motor_inertia=1e-4, stiffness=300.0, damping=0.02)
AXES = {
    "rigid": slow_loop.axis(
        RIGID, Control(80.0, 0.8, integral_time=0.02, delay=2 * T, current_bandwidth=400.0), RATE
    ),
    "no integral": slow_loop.axis(Load(1e-3), Control(40.0, 0.3), RATE, Difference(3)),
    "motor side": slow_loop.axis(FLEXIBLE, Control(40.0, 0.15, integral_time=0.03, delay=T), RATE),
    "load side": slow_loop.axis(
        replace(FLEXIBLE, encoder="load", damping=0.1), Control(10.0, 0.02, integral_time=0.1, delay=T), RATE
    ),
    "lightly damped": slow_loop.axis(replace(FLEXIBLE, damping=1e-4), Control(20.0, 0.02, delay=T), RATE),
    "speed loop": slow_loop.axis(FLEXIBLE, Control(0.0, 0.05, integral_time=0.03, delay=T), RATE),
    "unstable": slow_loop.axis(RIGID, Control(80.0, 8.0, integral_time=0.02, delay=2 * T), RATE),
}
