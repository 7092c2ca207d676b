"""How well do two stacked rings of Table T calibrate each other in eleven turned steps?

Table T is invented: rings A and B with errors of some arcseconds, read together 720 times per revolution
with 0.3 arcsec of noise. The true maps are known here, so that the claim can be checked; with a file name the maps
are drawn.
"""

import sys

import numpy as np

import encsim

ARCSEC, POINTS, STEPS = np.pi / 648_000, 720, 11


def main(picture=None):
    """Plan, read, calibrate; print what is lost, the stated and the true error, and the size of a C table."""
    steps, angle = 2 * np.pi * np.arange(STEPS) / STEPS, 2 * np.pi * np.arange(POINTS) / POINTS
    plan = encsim.calibration_plan(steps, POINTS)
    print(f"before measuring: {len(plan.lost)} of {len(plan.orders)} orders lost, the lowest {plan.lost[0]}")
    rng, n = np.random.default_rng(1), np.arange(1, 8)
    phase = rng.uniform(0, 2 * np.pi, (2, 7))
    a, b = (lambda x, f=f: 3 * ARCSEC / n @ np.sin(np.outer(n, x) + f[:, None]) for f in phase)
    readings = np.array([a(angle) - b(angle - psi) for psi in steps])
    found = encsim.calibrate(readings + 0.3 * ARCSEC * rng.standard_normal(readings.shape), steps)
    for name, map_, true in (("A", found.a, a(angle)), ("B", found.b, b(angle))):
        error = (map_ - true) / ARCSEC
        print(
            f"ring {name}: +-{np.ptp(true) / 2 / ARCSEC:.2f} arcsec, map wrong by {error.std():.3f} arcsec rms"
        )
    print(f"stated: {found.uncertainty[0] / ARCSEC:.3f} arcsec rms, a reading {found.residual / ARCSEC:.3f}")
    table = found.error_map("a").smooth(range(1, 11)).c_table(bound=0.01 * ARCSEC)
    print(f"C table of orders 1 to 10: {table.size} intervals keep within 0.01 arcsec of the map")
    if picture is not None:
        found.plot().figure.savefig(picture)


if __name__ == "__main__":
    main(*sys.argv[1:2])
