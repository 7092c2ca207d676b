"""How do I show a customer whether Stage X runs smoothly enough, and why? One page that opens from a mail.

Stage X is invented (stage_x_loop.toml), and so is what is asked of it. Give the name of the file to write.
"""

import sys
import tempfile
from pathlib import Path

import encsim

SPEEDS = (5e-3, 72e-3)


def main():
    """Write the page, and print what its first lines say."""
    target = sys.argv[1] if len(sys.argv) > 1 else Path(tempfile.mkdtemp()) / "stage_x.html"
    axis = encsim.load(Path(__file__).with_name("stage_x_loop.toml"))
    asked = encsim.Requirement(speeds=(0.1e-3, 0.3), relative=0.01, floor=50e-6, phase_margin=45)
    encsim.report(
        axis, target, speeds=SPEEDS, requirement=asked, title="Stage X, as ordered", reproducible=True
    )
    print(f"{target}: {Path(target).stat().st_size / 1e3:.0f} kB")
    for limit in asked.judge(axis).limits:
        where = "" if limit.speed != limit.speed else f" at {1e3 * limit.speed:.1f} mm/s"
        name, answer = limit.name.replace("_", " "), "met" if limit.met else "missed"
        print(f"  {name}: takes {limit.share:.0%} of its limit{where}, {answer}")


if __name__ == "__main__":
    main()
