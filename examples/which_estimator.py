"""Which velocity estimator gives Stage X least ripple for its delay, and how much noise must any of them leave?

Stage X is invented (stage_x.toml). A longer memory is smoother but later, and a late velocity costs the loop phase.
At 10.37 mm/s the cyclic error, not noise, is what most of them let through: all stay far above the bound of noise.
"""

from pathlib import Path

import encsim

SPEED = 10.37e-3
CANDIDATES = [
    *(encsim.Difference(samples) for samples in (1, 4, 8, 16, 64)),
    *(encsim.LeastSquares(samples) for samples in (8, 16, 64)),
    *(encsim.LowPass(corner) for corner in (1000.0, 400.0, 100.0)),
    *(encsim.Tracking(bandwidth) for bandwidth in (400.0, 100.0)),
    encsim.Kalman(0.05),
]


def main():
    """Print the candidates by delay, the best marked, beside the least that white noise leaves."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    found = encsim.frontier(axis, SPEED, CANDIDATES)
    print("delay us  ripple um/s rms  bound um/s")
    for k in found.delay.argsort():
        mark = "best" if found.best[k] else ""
        print(
            f"{1e6 * found.delay[k]:8.0f}  {1e6 * found.rms[k]:15.1f}  {1e6 * found.bound[k]:10.3f}"
            f"  {mark:4}  {found.family[k]}, {found.setting[k]}"
        )


if __name__ == "__main__":
    main()
