"""Rings of random errors, and heads at equal angles."""

import numpy as np

from encsim.model.ring_geometry import Ring

ARCSEC = 1.0 / 206264.80624709636  # 648000/pi, definition
TURN = 2.0 * np.pi * np.arange(720) / 720


def equal(count, first=0.0):
    return [first + 2.0 * np.pi * j / count for j in range(count)]


def random_ring(seed, size=1e-4):
    """Displacements and angles of random size and phase, each at most ``size`` of the radius or rad."""
    rng = np.random.default_rng(seed)
    radius = 10 ** rng.uniform(-2, 0)

    def orders(scale):
        picked = rng.choice(np.arange(1, 20), 3, replace=False)
        return {int(n): (scale * size * rng.uniform(), rng.uniform(0, 7)) for n in picked}

    return Ring(
        2 * radius,
        eccentricity=radius * size * rng.uniform(),
        direction=rng.uniform(-4, 4),
        swash=size * rng.uniform(),
        head_offset=radius * rng.uniform(-1, 1),
        lobes=orders(radius),
        graduation=orders(1.0),
        wander=orders(radius),
        coupling=orders(1.0),
    )
