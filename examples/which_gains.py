"""What gains would suit Stage X with a 5 kg slide, and what limits them: stability, or the encoder's errors?

Stage X is invented (stage_x_loop.toml). Computed gains are starting points: on a real machine start lower, keep its
guards, limits and emergency stop, and follow its documentation.
"""

from pathlib import Path

import encsim

SPEED = 10.37e-3


def main():
    """Print the proposed gains without and with a limit of the force ripple, and what would allow more."""
    axis = encsim.load(Path(__file__).with_name("stage_x_loop.toml"))
    for limit in (None, 0.4, 0.2):
        found = encsim.tuning(axis, phase_margin=60, torque_ripple=limit, speed=SPEED)
        control, margins = found.control, found.margins
        asked = "no limit of force ripple" if limit is None else f"force ripple up to {1e3 * limit:.0f} mN"
        print(f"\n{asked}; limited by: {' and '.join(found.binding) or 'nothing'}")
        time = 1e3 * control.integral_time
        gains = f"{control.position_gain:.0f} 1/s, {control.velocity_gain:.0f} N s/m, {time:.1f} ms"
        reached = f"crossover {margins.crossover:.0f} Hz, {margins.phase_margin:.0f} deg"
        print(f"  {gains}: {reached}, {1e3 * found.torque_ripple:.0f} mN rms at {1e3 * SPEED:g} mm/s")
        for remedy in found.remedies:
            print(f"  {remedy.name}: {remedy.stiffness:.1f} times as stiff")
    print("", *found.cautions, sep="\n")


if __name__ == "__main__":
    main()
