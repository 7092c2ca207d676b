"""How many heads does the ring of Table T need, and how well must it be centred, for six seconds of arc?

Table T is invented: a ring of 150 mm, 4 um off centre, slightly oval, with errors of its lines. With a file name the
ring read by two opposite heads is drawn: python ring_heads.py ring.png
"""

import sys

import numpy as np

import encsim

ARCSEC = np.pi / 648_000
LINES = {4: 0.5 * ARCSEC, 6: 0.4 * ARCSEC}
RING = encsim.Ring(0.15, eccentricity=4e-6, direction=0.6, lobes={2: (3e-6, 0.3), 3: 1e-6}, graduation=LINES)


def main(picture=None):
    """Print a row for each number of heads, then three heads that must stand on one side, and what two allow."""
    print("heads  peak arcsec  at the rim um  largest order left")
    for count in (1, 2, 3, 4):
        curve = encsim.ring_curve(RING, 2 * np.pi * np.arange(count) / count)
        largest = max(curve.orders, key=lambda line: line.amplitude)
        print(f"{count:5}  {curve.peak / ARCSEC:11.2f}  {1e6 * curve.arc:13.2f}  {largest.order:18}")
    found = encsim.find_heads(RING, 3, sectors=[(0.0, np.pi)])
    left, equal = found.rms / ARCSEC, found.equal_rms / ARCSEC
    places = np.degrees(found.heads).round()
    print(f"three within half a turn, {places} deg: {left:.2f} arcsec rms; all round {equal:.2f}")
    limits = encsim.ring_tolerances(RING, 6 * ARCSEC, [0.0, np.pi])
    print(f"two opposite heads, 6 arcsec: off centre by up to {1e6 * limits.allowed['eccentricity']:.0f} um,")
    print(f"oval by up to {1e6 * limits.allowed['lobes.2']:.1f} um, all else as it is")
    if picture is not None:
        encsim.ring_curve(RING, [0.0, np.pi]).plot().figure.savefig(picture)


if __name__ == "__main__":
    main(*sys.argv[1:2])
