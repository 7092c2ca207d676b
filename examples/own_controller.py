"""How does my own controller run with this encoder? A plant of SciPy, a PI loop in Python, an Encoder between them.

Stage X is invented (stage_x.toml), and so is its slide of 5 kg. Sample by sample: true position of the plant in,
velocity that the drive sees out. A drive that saw the true velocity would leave no ripple at all.
"""

from pathlib import Path

import numpy as np
from scipy import signal

import encsim

MASS, FRICTION, SPEED, SECONDS = 5.0, 15.0, 2e-3, 0.5
GAIN, INTEGRAL = 1500.0, 100.0  # N s/m, 1/s


def main():
    """Run the loop and compare the true velocity with the one the encoder shows."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    period = 1.0 / axis.sampling.rate
    dynamics = np.array([[0.0, 1.0], [0.0, -FRICTION / MASS]])
    slide = dynamics, np.array([[0.0], [1.0 / MASS]]), np.eye(2), np.zeros((2, 1))
    step, push = signal.cont2discrete(slide, period)[:2]
    encoder, state, total = encsim.Encoder(axis, seed=1), np.zeros(2), 0.0
    true, seen = [], []
    for _ in range(round(SECONDS / period)):
        _count, _position, velocity = encoder.step(state[0])
        error = SPEED - velocity
        total += INTEGRAL * period * error
        state = step @ state + push[:, 0] * GAIN * (error + total)
        true.append(state[1])
        seen.append(velocity)
    half = len(true) // 2
    print(f"velocity the drive sees: {1e6 * np.std(seen[half:]):.1f} um/s rms about its mean")
    print(
        f"velocity of the slide: {1e6 * np.std(true[half:]):.2f} um/s rms at {1e3 * np.mean(true[half:]):.3f} mm/s"
    )


if __name__ == "__main__":
    main()
