"""Why does Stage X run roughly at 5 mm/s, and which change would help most: trimming, counts, estimator, gains?

Stage X and its loop are invented (stage_x_loop.toml). Computed gains are starting points: on a real machine start
lower, keep its guards, limits and emergency stop, and follow its documentation.
"""

from pathlib import Path

import encsim

SPEED = 5e-3


def main():
    """Print the causes, the three best remedies with their price, and one that is often asked for in vain."""
    axis = encsim.load(Path(__file__).with_name("stage_x_loop.toml"))
    found = encsim.explain(axis, SPEED)
    print(f"Stage X (invented) at {1e3 * SPEED:g} mm/s, largest causes:")
    for cause in found.causes[:2]:
        print(f"  {100 * cause.share:.0f} %: {cause.sentence}")
    print("What helps most:")
    for remedy in [remedy for remedy in found.remedies if remedy.applies][:3]:
        print(f"  {remedy.sentence}")
        for effect in remedy.side_effects:
            print(f"    besides, {effect}")
    finer = next(remedy for remedy in found.remedies if remedy.kind == "finer counts")
    print(finer.sentence)
    print("", *found.cautions, sep="\n")


if __name__ == "__main__":
    main()
