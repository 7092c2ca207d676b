"""Why does Stage X run roughly at 72 mm/s and 172 mm/s, but smoothly at 320 mm/s?

Stage X is invented (stage_x.toml). Each line of the encoder's error has a true frequency, speed times lines a
period; the controller sees it aliased below half its rate; at its null speeds it vanishes.
"""

from pathlib import Path

import encsim


def main():
    """Print the harmonics at three speeds, and the null speeds."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    for speed in (0.072, 0.172, 0.32):
        curve = encsim.ripple(axis, speed)
        print(f"\n{1e3 * speed:.0f} mm/s: {1e6 * curve.rms:.0f} um/s rms, {curve.regime}")
        lines = encsim.lines(axis, speed)
        for k in range(3):
            print(
                f"  harmonic {lines.harmonic[k]}, {1e9 * lines.position[k]:5.1f} nm: {lines.frequency[k]:7.0f} Hz,"
                f" seen at {lines.alias[k]:5.0f} Hz, {1e6 * lines.velocity[k]:6.1f} um/s"
            )
    for harmonic in (1, 2, 4):
        speeds = ", ".join(f"{1e3 * v:.0f}" for v in encsim.vanishing_speeds(axis, harmonic, 4))
        print(f"null speeds of harmonic {harmonic}: {speeds} mm/s ...")


if __name__ == "__main__":
    main()
