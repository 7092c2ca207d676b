"""What would trimming offset, gain and phase of the readhead give Stage X, and what would it leave?

Stage X is invented (stage_x.toml). Conditioning lowers the cyclic error; it never touches jitter, and the waveform's
own harmonics stay (common practice, no source). A short simulation checks each prediction.
"""

from dataclasses import replace
from pathlib import Path

import encsim

SPEED = 10.37e-3  # no simple fraction of a period a sample: one run then sees every place of the period


def main():
    """Print ripple before and after trimming, predicted and simulated."""
    axis = encsim.load(Path(__file__).with_name("stage_x.toml"))
    print("trimmed away  error nm rms  ripple um/s rms  simulated")
    for correction in (0.0, 0.5, 0.9, 1.0):
        trimmed = replace(axis, interpolation=replace(axis.interpolation, correction=correction))
        error = encsim.position_error(trimmed).error
        predicted = encsim.ripple(trimmed, SPEED).rms
        simulated = encsim.simulate(trimmed, SPEED, samples=200_000).rms
        print(
            f"{100 * correction:10.0f} %  {1e9 * error.std():12.2f}  {1e6 * predicted:15.1f}  {1e6 * simulated:9.1f}"
        )


if __name__ == "__main__":
    main()
