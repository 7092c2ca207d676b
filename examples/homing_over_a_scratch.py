"""Does my drive notice counts that a scratch has cost it? A homing move over a scratch, checked at the index mark.

A scenario of our own invention: the rotary table Table R turns at half a revolution a second in search of its index
mark and goes on for two turns. A scratch takes the signals away for half a degree; meanwhile the counter stands still.
The drive compares the counts between two passages of the mark with those of one revolution.
"""

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np

import encsim

TURN, SPEED = 2.0 * np.pi, np.pi  # rad, rad/s
SCRATCH = encsim.Scratch(begin=0.8 * TURN, end=0.8 * TURN + np.radians(0.5))
TOLERANCE = 4  # counts, beside those of one sample


def main():
    """Turn, find the mark three times, check the counts between."""
    axis = encsim.load(Path(__file__).with_name("table_r.toml"))
    axis = replace(axis, interpolation=encsim.Interpolation(factor=100, output="ab"))
    encoder = encsim.Encoder(axis, seed=1, faults=[SCRATCH], index_at=0.3 * TURN)
    angle = SPEED * np.arange(0.0, 5.0, 1.0 / axis.sampling.rate)
    count, index = np.empty(angle.size, np.int32), np.empty(angle.size, np.int8)
    encoder.read(angle, count=count, index=index)
    passages, turn = np.flatnonzero(index), axis.scale.lines * axis.interpolation.factor
    print(f"homed at {angle[passages[0]] / TURN:.3f} turns; a turn has {turn} counts")
    for before, here in itertools.pairwise(passages):
        off = count[here] - count[before] - turn
        fault = abs(off) > TOLERANCE + SPEED / axis.sampling.rate / axis.resolution
        verdict = "FAULT, counts lost: home again" if fault else "in order"
        print(f"mark passed at {angle[here] / TURN:.3f} turns: {off:+d} counts, {verdict}")
    print(f"truth: the counter lost {encoder.lost} counts = {encoder.lost // 100} signal periods")


if __name__ == "__main__":
    main()
