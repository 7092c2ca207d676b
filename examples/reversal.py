"""What does Stage X do where it turns round slowly: does it follow, or does it stick and slip?

Stage X and its guide are invented (stage_x_loop.toml). A model, no machine: on a real axis keep guards, limits and
emergency stop, and follow its documentation.
"""

import sys
from dataclasses import replace
from pathlib import Path

import encsim
from encsim.model import profiles

GUIDE = {"coulomb": 6.0, "stribeck": 4.0, "stribeck_speed": 1e-3}  # N, N, m/s: a preloaded guide with seals
GAINS = {
    "stiffer": (4000.0, 60.0, 0.012),
    "as in the file": (2000.0, 60.0, 0.012),
    "softer": (800.0, 40.0, 0.02),
}


def main():
    """Print how the axis turns with three sets of gains; draw the softest run into a file if one is named."""
    axis = encsim.load(Path(__file__).with_name("stage_x_loop.toml"))
    axis = replace(axis, load=replace(axis.load, **GUIDE))
    turn = profiles.Sine(0.5e-3, 0.25)  # to and fro, at most 0.79 mm/s
    print("gains           phase margin  sticks  off by up to  fastest, where 0.79 mm/s is asked")
    for name, (velocity, position, time) in GAINS.items():
        control = replace(axis.control, velocity_gain=velocity, position_gain=position, integral_time=time)
        tried = replace(axis, control=control)
        found, margin = encsim.run(tried, turn, 6.0), encsim.margins(tried).phase_margin
        off, fastest = 1e6 * abs(found.following_error).max(), 1e3 * abs(found.velocity).max()
        print(f"{name:14} {margin:9.0f} deg {found.sticking:7.0%} {off:10.1f} um {fastest:8.2f} mm/s")
    for target in sys.argv[1:]:
        found.plot().figure.savefig(target)


if __name__ == "__main__":
    main()
