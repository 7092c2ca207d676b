"""Which interpolation resolution is enough for Stage X, before finer counts no longer make it run smoother?

Stage X is invented (stage_x.toml). It has to run from 0.2 mm/s with 2 % of velocity ripple, or with 60 um/s where that
is more; beyond the factor that the last line names, jitter or the cyclic error of the signals is what is left.
"""

from pathlib import Path

import encsim

FACTORS = [200, 400, 1000, 2000, 4000, 10000, 40000]
SMOOTH = encsim.Requirement(speeds=(0.2e-3, 20e-3), relative=0.02, floor=60e-6)


def main():
    """Print the worst ripple for each factor, what is enough, and why finer is not worth it."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    choice = encsim.choose(
        axis,
        SMOOTH,
        {"interpolation.factor": FACTORS},
        cost={"counts": lambda axis: axis.interpolation.factor},
    )
    for row in sorted(choice.rows, key=lambda row: row.cost["counts"]):
        worst = row.judgement.limit("relative")
        answer = "enough" if row.met else "too coarse"
        print(
            f"{row.axis.interpolation.factor:6d} counts per period: {1e6 * worst.value:5.1f} um/s at "
            f"{1e3 * worst.speed:.2f} mm/s, {100 * worst.share:4.0f} % of what is allowed: {answer}"
        )
    end = choice.saturation[0]
    enough = (
        "None is enough." if choice.best is None else f"{choice.best.axis.interpolation.factor} are enough."
    )
    left = "the cyclic error of the signals (sde)" if end.cause == "sde" else end.cause
    print(f"{enough} Beyond {end.value} finer ones gain less than 10 %: what is left is mostly {left}.")


if __name__ == "__main__":
    main()
