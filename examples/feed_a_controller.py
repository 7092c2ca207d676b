"""How does one feed a controller on a test bench with Stage X, block by block, as it would run?

Stage X is invented (stage_x.toml). The stream fills two buffers that are made once; whatever the size of the blocks,
the samples are the same to the last bit. Here a simple threshold counts how often the speed leaves 1 %.
"""

from pathlib import Path

import numpy as np

import encsim

SPEED, BLOCK, BLOCKS = 2e-3, 160, 1000


def main():
    """Read ten seconds in blocks of ten milliseconds."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    stream = encsim.Stream(axis, SPEED, seed=1)
    position, velocity = np.empty(BLOCK), np.empty(BLOCK)
    outside = 0
    for _ in range(BLOCKS):
        stream.read(position, velocity)
        outside += np.count_nonzero(np.abs(velocity - SPEED) > 0.01 * SPEED)
    seconds = stream.sample / axis.sampling.rate
    share = 100 * outside / stream.sample
    print(f"{seconds:.0f} s at {1e3 * SPEED:g} mm/s: {share:.0f} % of samples are off by over 1 %")
    print(f"last position {1e3 * position[-1]:.6f} mm, sample {stream.sample - 1}")


if __name__ == "__main__":
    main()
