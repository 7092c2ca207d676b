"""How fine must the counts of Stage X be, before finer ones no longer make slow motion smoother?

Stage X is invented (stage_x.toml). At 0.217 mm/s the factor is doubled until less than 10 % of ripple is gained; from
there on jitter and the cyclic error of the signals are what is left.
"""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import encsim

SPEED = 0.217e-3
FACTORS = (200, 400, 800, 1600, 3200, 6400, 12800, 25600, 51200)


def main():
    """Print ripple for each factor and the first one after which finer is not worth it."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    found = {}
    for factor in FACTORS:
        finer = replace(axis, interpolation=replace(axis.interpolation, factor=factor))
        curve = encsim.ripple(finer, SPEED)
        found[factor] = float(curve.rms)
        parts = ", ".join(f"{cause} {1e6 * part:.1f}" for cause, part in curve.parts.items())
        print(
            f"{factor:6d} counts of {1e9 * finer.resolution:6.2f} nm: {1e6 * curve.rms:6.1f} um/s rms ({parts})"
        )
    enough = next(
        (coarse for coarse, fine in pairwise(FACTORS) if found[fine] > 0.9 * found[coarse]), FACTORS[-1]
    )
    print(f"Beyond {enough} counts a period, twice as many gain less than 10 %.")


if __name__ == "__main__":
    main()
