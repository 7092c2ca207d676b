"""Does a faster speed loop make Table R run more smoothly, or only increase the measured ripple?

Table R is invented (table_r.toml): a rotary table with 9000 lines. A difference over one sample grows rougher with
the loop rate, because the same error is divided by a shorter time; at low speed its cyclic part does not.
"""

import math
from dataclasses import replace
from pathlib import Path

import encsim

RPM = 2.0 * math.pi / 60.0


def main():
    """Print ripple in rpm at a few speeds for three loop rates, and where the slow beats are."""
    axis = encsim.load(Path(__file__).with_name("table_r.toml"))
    for rate in (4e3, 8e3, 16e3):
        looped = replace(axis, sampling=replace(axis.sampling, rate=rate))
        curve = encsim.ripple(looped, [0.1 * RPM, 3.0 * RPM, 40.0 * RPM])
        shown = ", ".join(
            f"{v / RPM:g} rpm: {r / RPM:.3g} rpm rms ({why})"
            for v, r, why in zip(curve.speed, curve.rms, curve.regime, strict=True)
        )
        beat = encsim.vanishing_speeds(looped, 1, 1)[0] / RPM
        print(f"{rate / 1e3:4.0f} kHz  {shown}; beats are slow near {beat:.1f} rpm")


if __name__ == "__main__":
    main()
