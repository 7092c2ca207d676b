"""Ask whether an order in the ripple is an error of the encoder or motion of the machine, and fit the friction.

Invented machine: a turntable of 256 lines with cogging at 12 per revolution and a cyclic error of its encoder, recorded
with its torque at two speeds.
"""

import encsim

AXIS = encsim.Axis(
    encsim.Scale(lines=256),
    signal=encsim.Signal(sde={1: 20e-6}, jitter=2e-6),
    sampling=encsim.Sampling(2e3),
    estimator=encsim.LowPass(300.0),
    load=encsim.Load(2e-3, viscous=5e-3, coulomb=0.004, cogging={12: 0.02}),
    control=encsim.Control(20.0, 0.25, integral_time=0.05),
)


def recording(speed):
    """Position and torque of a run, as a log of the drive would hold them."""
    run = encsim.run(AXIS, speed, 6.0, seed=1)
    return encsim.Capture("position", 2e3, position=run.position, torque=run.torque)


def main():
    """Print the owner of each order, then the fitted friction."""
    captures = [recording(speed) for speed in (1.3, 2.9)]
    for row in encsim.separate(captures, AXIS).rows:
        print(f"{row.name}: {row.owner}, {row.amplitude:.3g} +- {row.uncertainty:.1g}")
    start = encsim.changes.apply(AXIS, {"load.viscous": 0.0, "load.coulomb": 0.0})
    found = encsim.fit(start, captures, free=["load.viscous", "load.coulomb"])
    for name, value in found.values.items():
        print(f"{name} = {value:.3g} +- {found.uncertainty[name]:.1g}")


if __name__ == "__main__":
    main()
