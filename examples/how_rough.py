"""How rough does Stage X run at each speed, and what causes it?

Stage X is invented: a linear stage with a 20 um scale, described in stage_x.toml. Prints the largest part at each
speed; with a file name the curve is drawn: python how_rough.py ripple.png
"""

import sys
from pathlib import Path

import numpy as np

import encsim


def main(picture=None):
    """Print a short table of ripple against speed."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    curve = encsim.ripple(axis, np.geomspace(20e-6, 1.0, 400))
    print("speed mm/s  ripple rms um/s  share of speed  largest part")
    for k in range(0, 400, 40):
        share = 100.0 * curve.relative[k]
        print(f"{1e3 * curve.speed[k]:10.3f}  {1e6 * curve.rms[k]:15.1f}  {share:12.2f} %  {curve.regime[k]}")
    if picture is not None:
        curve.plot().figure.savefig(picture)


if __name__ == "__main__":
    main(*sys.argv[1:2])
