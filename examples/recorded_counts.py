"""Ask whether a speed from whole counts jumps because the motor does, or because counts are whole.

Recording: a small DC motor with a 4-edge incremental encoder read every 5 ms at nearly constant speed; origin and
licence in tests/data/dc_motor_x4_counts_200hz. The prediction knows only its mean speed. Over 1 sample it is an
identity: two neighbouring values of known mean always spread so. Over 2 and 3 samples it is a check. From about
5 samples on counting no longer explains the spread; what does is unevenness of the true speed or of the edges.
"""

from pathlib import Path

import numpy as np

import encsim

DATA = Path(__file__).resolve().parents[1] / "tests" / "data" / "dc_motor_x4_counts_200hz"
RATE = 200.0
UNEVEN = np.linspace(0.0, 2.0, 401)


def predicted(samples, speed, uneven=0.0):
    """Standard deviation in counts of differences over ``samples``, if the travel varies by ``uneven`` counts rms."""
    axis = encsim.Axis(
        encsim.Scale(period=4.0),
        signal=encsim.Signal(jitter=uneven / np.sqrt(2.0)),
        interpolation=encsim.Interpolation(factor=4),
        sampling=encsim.Sampling(rate=RATE),
        estimator=encsim.Difference(samples),
    )
    return float(encsim.ripple(axis, speed).rms) * samples / RATE


def explaining(spread, samples, speed):
    """Smallest unevenness of the travel, counts rms, that explains a spread."""
    enough = [predicted(samples, speed, uneven) >= spread for uneven in UNEVEN]
    return UNEVEN[np.argmax(enough)] if any(enough) else np.nan


def main():
    """Print recorded and predicted spreads, and what they leave for the true speed."""
    counts = np.abs(np.loadtxt(DATA / "encoders3_rows300to700.csv", delimiter=",", skiprows=1, usecols=1))
    mean = abs(counts[-1] - counts[0]) / (len(counts) - 1)
    print(f"{mean:.3f} counts per sample\nsamples  recorded  predicted  unevenness left")
    for samples, left in {1: "identity", 2: "check", 3: "check", 5: "", 10: "", 20: ""}.items():
        spread = np.std(counts[samples:] - counts[:-samples])
        if not left:
            share = explaining(spread, samples, mean * RATE) / (samples * mean)
            left = f"{100.0 * share:.2f} % of the speed, rms"
        print(f"{samples:7d}  {spread:8.3f}  {predicted(samples, mean * RATE):9.3f}  {left}")


if __name__ == "__main__":
    main()
