"""How many stages of one design run smoothly enough, and which tolerance should be tightened first?

Stage X is invented (stage_x.toml), and so is what its readheads differ in. Of a thousand stages drawn, each has
signals of its own, and each stands in a hall that is up to 8 K warmer or colder.
"""

from pathlib import Path

import numpy as np

import encsim
from encsim import Normal, Triangular, Uniform

SPREAD = {
    "signal.gain": Normal(0.006),
    "signal.offset.0": Normal(0.004, per_kelvin=2e-4),
    "signal.offset.1": Normal(0.004, per_kelvin=2e-4),
    "signal.phase": Uniform(6e-3),
    "signal.jitter": Triangular(0.2e-9),
    "temperature": Uniform(8.0),
}
LIMITS = encsim.Requirement(speeds=(0.1e-3, 0.5), relative=0.025, floor=0.1e-3)


def main():
    """Print the share that passes, where most fail, and what halving each spread would bring."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    found = encsim.tolerance(axis, SPREAD, np.geomspace(0.1e-3, 0.5, 40), requirement=LIMITS)
    low, high = found.yield_interval
    worst = found.yield_by_speed.argmin()
    print(
        f"{100 * found.yield_fraction:.0f} of 100 stages pass ({100 * low:.0f} to {100 * high:.0f} of all)."
    )
    print(f"Most fail at {1e3 * found.speed[worst]:.1f} mm/s.")
    for key, share in found.sensitivity.items():
        print(
            f"{key:16} {100 * share:3.0f} % of the variance; halved, {100 * found.halved[key]:.0f} of 100 pass"
        )
    print(f"Tighten first: {found.tighten}.")


if __name__ == "__main__":
    main()
