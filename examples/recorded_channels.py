"""Ask whether an angle may be trusted once the ellipse its two channels lie on is taken out.

Recording: a field sensor spun by about 3 turns beside a gyroscope; origin and licence in
tests/data/magnetic_two_channel_spin_mit. The ellipse fits to 2.4 % of the radius, yet against the gyroscope the
angle is worse after the correction than before: a small residual says nothing of errors along the circle.
"""

import argparse
from pathlib import Path

import numpy as np

import encsim

DATA = Path(__file__).resolve().parents[1] / "tests" / "data" / "magnetic_two_channel_spin_mit"


def once_per_turn(angle, reference):
    """Amplitude in degrees of the error once per turn; slope (the gyroscope's scale) and orders to 4 fitted too."""
    waves = [f(n * reference) for n in (1, 2, 3, 4) for f in (np.cos, np.sin)]
    columns = np.stack([*waves, reference, np.ones_like(reference)], axis=1)
    return np.degrees(np.hypot(*np.linalg.lstsq(columns, np.unwrap(angle) - reference, rcond=None)[0][:2]))


def main(plot=None):
    """Print the fit and both angle errors."""
    t, turning, x, y = np.loadtxt(DATA / "spin_z_3turns.csv", delimiter=",", skiprows=1).T
    turned = -np.radians(np.concatenate([[0.0], np.cumsum(0.5 * (turning[1:] + turning[:-1]) * np.diff(t))]))
    # The field is measured at 20.4 Hz and held in between; held rows and standstill would count twice.
    fresh = np.concatenate([[True], (np.diff(x) != 0.0) | (np.diff(y) != 0.0)]) & (np.abs(turning) > 20.0)
    x, y, turned = x[fresh], y[fresh], turned[fresh]
    fit = encsim.identify(x, y)
    signal, offset = fit.signal, np.multiply(fit.amplitude, fit.signal.offset)
    print(
        f"{fit.points} points: amplitude {fit.amplitude:.2f} uT, offsets {offset[0]:.2f} and {offset[1]:.2f} uT,"
    )
    print(
        f"gain {1 + signal.gain:.3f}, phase {np.degrees(signal.phase):.2f} deg, residual {fit.residual:.1%}"
    )
    print(*(f"note: {remark}" for remark in fit.remarks), sep="\n")
    c, s = x / fit.amplitude - signal.offset[0], y / fit.amplitude - signal.offset[1]
    corrected = np.arctan2(s / (1.0 + signal.gain) - c * np.sin(signal.phase), c * np.cos(signal.phase))
    before, after = once_per_turn(np.arctan2(y, x), turned), once_per_turn(corrected, turned)
    print(f"angle error once per turn against the gyroscope: {before:.1f} deg before, {after:.1f} deg after")
    if plot:
        fit.plot().figure.savefig(plot)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plot", metavar="FILE", help="draw the channels and the fit: .png, .svg or .pdf")
    main(parser.parse_args().plot)
