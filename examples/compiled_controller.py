"""How fast runs a loop of my own in compiled code? An observer and a controller in numba around an Encoder.

Stage X is invented (stage_x.toml), and so is its slide of 5 kg. `compiled` gives the step of the encoder as a function
that code compiled by numba calls directly.
"""

import time
from pathlib import Path

import numba

import encsim

MASS, SPEED, SAMPLES = 5.0, 2e-3, 200_000


@numba.njit
def run(samples, period, step, state):
    """Slide, encoder, observer of the velocity, proportional control; returns mean squares of seen and true error."""
    position = velocity = shown = speed = seen = true = 0.0
    for k in range(samples):
        _count, measured, raw = step(position, state)
        shown += period * speed
        error = measured - shown
        shown += 0.2 * error
        speed += 0.02 / period * error
        force = 1500.0 * (SPEED - speed)
        velocity += period / MASS * force
        position += period * velocity
        if k >= samples // 2:
            seen += (raw - SPEED) ** 2
            true += (velocity - SPEED) ** 2
    return seen / (samples - samples // 2), true / (samples - samples // 2)


def main():
    """Compile, run and time the loop."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    period = 1.0 / axis.sampling.rate
    step, state = encsim.Encoder(axis, seed=1).compiled()
    run(10, period, step, state)
    encoder = encsim.Encoder(axis, seed=1)
    begin = time.process_time()
    seen, true = run(SAMPLES, period, *encoder.compiled())
    took = (time.process_time() - begin) / SAMPLES
    print(
        f"difference of positions: {1e6 * seen**0.5:.1f} um/s rms off the demand; slide: {1e6 * true**0.5:.2f} um/s"
    )
    print(f"{1e9 * took:.0f} ns a sample, {1 / (took * axis.sampling.rate):.0f} times as fast as the machine")


if __name__ == "__main__":
    main()
