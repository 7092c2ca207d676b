"""One table of speed: each item beside what one would write without this package, and beside a limit of the machine.

``python -m benchmarks`` measures and prints it; ``--readme`` writes it into README as well; ``--quick`` does everything
once, on little data, to see that it runs. Times are those of the processor, the best of several. Where the processor
knows 512-bit vectors, compiled loops are measured with 256 and with 512 bits, each in a process and a cache of its own.
"""

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

# one thread, as the loops have; before numpy is loaded
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

ROOT = Path(__file__).resolve().parents[1]
# The first prefers vectors of 256 bits, the second takes 512.
WIDTHS = {"256": "skylake-avx512", "512": "znver4"}
BEGIN, END = "<!-- speed: made by python -m benchmarks --readme -->\n", "<!-- end of speed -->\n"
HEADS = ("item", "plain", "vectors", "encsim", "ratio", "limit of the machine", "share of it")


def seconds(work, quick, most=15, budget=1.0):
    """Least time of the processor for a call."""
    work()
    best, begin = float("inf"), time.process_time()
    for _ in range(1 if quick else most):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
        if time.process_time() - begin > budget:
            break
    return best


def chain_rows(quick):
    """The open chain: Stream, simulate and the blocks of an encoder, ns a sample."""
    import numpy as np

    import encsim
    from benchmarks import bench_encoder
    from benchmarks import bench_simulation as bench

    size = 1 << (14 if quick else 20)
    arrays, rng = (np.empty(size), np.empty(size)), np.random.default_rng(0)
    stream, copy = encsim.Stream(bench.AXIS, bench.SPEED), np.empty(size)

    def plain_run():
        bench.plain_numpy(*arrays, rng)
        moments = np.arange(size) / bench.RATE
        return moments, np.sqrt(np.mean((arrays[1] - bench.SPEED) ** 2)), np.ptp(arrays[1])

    def each(work):
        return 1e9 * seconds(work, quick) / size

    plain, chain = each(lambda: bench.plain_numpy(*arrays, rng)), each(lambda: stream.read(*arrays))
    run = each(lambda: encsim.simulate(bench.AXIS, bench.SPEED, size, threads=1))
    call, stages = seconds(lambda: bench.idle(arrays[0]), quick), bench.STAGES.values()
    total = sum(seconds(stage, quick, 2000, 0.05) - call for stage in stages) * 1e9 / bench.rows.CHUNK
    written = each(lambda: np.copyto(copy, arrays[0]))
    work, samples = bench_encoder.blocks(min(size, bench_encoder.LONG))
    blocks = 1e9 * seconds(work, quick) / samples
    return [
        ("chain, 1e6 samples in blocks", plain, chain, "ns", "sum of its stages", total),
        (
            "simulate with times and rms",
            each(plain_run),
            run,
            "ns",
            "writing its three arrays",
            3.0 * written,
        ),
        ("encoder, any motion, in blocks", plain, blocks, "ns", "Stream", chain),
    ]


def loop_rows(quick):
    """The closed loop, ns a step."""
    import numpy as np

    from benchmarks import bench_run as bench

    steps = 200 if quick else 20_000
    plain = 1e9 * seconds(lambda: bench.plain_python(steps), quick) / steps
    # One step cannot begin before the one before it has ended: phase, channels, phase again, as bare formulas.
    limits = 1e9 * seconds(lambda: bench.waiting(steps), quick) / steps
    rows = []
    for lanes, name in ((1, "closed loop, one run"), (256, "closed loop, 256 runs side by side")):
        speeds = [bench.SPEED] if lanes == 1 else np.geomspace(1e-3, 0.5, lanes)
        loops, out = bench.Loops(bench.AXIS, speeds, range(lanes), 0), np.zeros((5, 2 * bench.CHUNK))
        out = out if lanes == 1 else None
        loops.advance(-bench.CHUNK, 2 * bench.CHUNK, out)
        took = seconds(lambda loops=loops, out=out: loops.advance(bench.CHUNK, 2 * bench.CHUNK, out), quick)
        limit = ("latency of its formulas", limits) if lanes == 1 else ("", None)
        rows.append((name, plain, 1e9 * took / (lanes * bench.CHUNK), "ns", *limit))
    return rows


def formula_rows(quick):
    """The closed form: NumPy alone, whatever the vectors."""
    import numpy as np

    import encsim
    from benchmarks import bench_calibration, bench_smoothness
    from benchmarks import bench_closed_form as bench

    speeds = bench.SPEEDS[:: 100 if quick else 1]
    plain = seconds(lambda: bench.plain_numpy(0.0123, 1 << (12 if quick else 18)), quick)
    rows = []
    for name, axis in bench.AXES.items():
        took = seconds(lambda axis=axis: encsim.ripple(axis, speeds), quick)
        rows.append((f"{speeds.size} speeds, {name}", plain * speeds.size, took, "s", "", None))

    def first():
        bench.structure_function.table.cache_clear()
        encsim.ripple(bench.STAGE, speeds[:1])

    spectrum = np.random.default_rng(0).standard_normal(encsim.open_loop.structure_function.LARGEST)
    limit = seconds(lambda: np.fft.rfft(spectrum), quick)
    rows.append(
        ("first speed of an axis", plain, seconds(first, quick), "s", "one FFT of 2**20 points", limit)
    )
    for name, axis in list(bench_smoothness.AXES.items())[: 1 if quick else None]:
        few = bench_smoothness.SPEEDS[:: 50 if quick else 1]
        took = seconds(lambda axis=axis, few=few: encsim.smoothness(axis, few), quick, 4)
        rows.append((f"smoothness, {few.size} speeds, {name}", None, took, "s", "", None))
    table = bench_calibration.readings("thousand")
    took = [
        seconds(lambda work=work: work(*table), quick)
        for work in (bench_calibration.plain_numpy, encsim.calibrate)
    ]
    rows.append(("calibrate, 1000 points, 12 steps", *took, "s", "", None))
    return rows


def decision_rows(quick):
    """Many axes at once: a choice and a tolerance, beside plain calls of ripple."""
    import encsim
    from benchmarks import bench_choose, bench_tolerance

    bench_choose.LISTS = {key: values[: 2 if quick else None] for key, values in bench_choose.LISTS.items()}
    bench_choose.EVERY = 8 if quick else bench_choose.EVERY
    rows, axis = [], bench_tolerance.STAGE
    plain = bench_choose.EVERY * seconds(bench_choose.plain, quick, 1)
    took = seconds(bench_choose.chosen, quick, 2)
    count = math.prod(map(len, bench_choose.LISTS.values()))
    rows.append((f"choose, {count} candidates", plain, took, "s", "", None))

    def spread(count, executor):
        given = axis, bench_tolerance.SPREAD, bench_tolerance.SPEEDS, count
        return encsim.tolerance(*given, requirement=bench_tolerance.LIMITS, executor=executor)

    few, many = (4, 40) if quick else (20, 10_000)
    drawn = spread(few, 1)
    one = seconds(
        lambda: [encsim.ripple(drawn.sample(n), bench_tolerance.SPEEDS) for n in range(few)], quick, 2
    )
    begin = time.perf_counter()
    spread(many, 1 if quick else os.cpu_count())
    name = f"tolerance, {many} axes at 100 speeds, by the clock"
    return [*rows, (name, one / few * many, time.perf_counter() - begin, "s", "", None)]


def measured(what, width, quick):
    """Rows of another process, whose compiler prefers vectors of this width."""
    environment = dict(os.environ)
    if width:
        folder = Path(tempfile.gettempdir()) / f"encsim-benchmarks-{width}"
        environment |= {"NUMBA_CPU_NAME": WIDTHS[width], "NUMBA_CACHE_DIR": str(folder)}
    command = [sys.executable, "-m", "benchmarks", "--measure", what, *(["--quick"] if quick else [])]
    done = subprocess.run(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True, check=True)
    return [(width, *row) for row in json.loads(done.stdout.splitlines()[-1])]


def widths():
    """Widths of vectors that this processor can be tried with; none by name where it has no 512 bits."""
    try:
        found = "avx512vl" in Path("/proc/cpuinfo").read_text()
    except OSError:
        found = False
    return list(WIDTHS) if found else [""]


def shown(value, unit):
    """A time with a fitting unit."""
    if value is None:
        return ""
    if unit == "ns":
        return f"{value:.1f} ns" if value < 100.0 else f"{value:.0f} ns"
    return f"{value:.1f} s" if value >= 1.0 else f"{1e3 * value:.1f} ms"


def cells(row):
    """Words of one row of the table."""
    width, item, plain, ours, unit, limit, least = row
    ratio = "" if plain is None else f"{plain / ours:.3g}" if plain < 100.0 * ours else f"{plain / ours:.0f}"
    share = "" if least is None else f"{100.0 * least / ours:.0f} %"
    limited = f"{limit}, {shown(least, unit)}" if limit else ""
    return item, shown(plain, unit), width and f"{width} bits", shown(ours, unit), ratio, limited, share


def table(rows):
    """The table as Markdown, its columns under each other."""
    lines = [HEADS, *(cells(row) for row in rows)]
    wide = [max(len(line[i]) for line in lines) for i in range(len(HEADS))]
    lines.insert(1, tuple("-" * width for width in wide))
    return "".join(
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(line, wide, strict=True)) + " |\n"
        for line in lines
    )


def write_readme(text):
    """Put the table into README, in the place of the one before."""
    path = ROOT / "README.md"
    before, rest = path.read_text(encoding="utf-8").split(BEGIN)
    path.write_text(before + BEGIN + "\n" + text + "\n" + END + rest.split(END)[1], encoding="utf-8")


def main():
    """Measure, print, and write where asked."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="everything once, on little data: does it run?")
    parser.add_argument("--readme", action="store_true", help="write the table into README")
    parser.add_argument(
        "--plots", type=Path, help="write pictures of how time grows into this folder instead"
    )
    parser.add_argument("--measure", choices=KINDS, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.measure:
        print(json.dumps(KINDS[given.measure](given.quick)))
        return
    if given.plots:
        from benchmarks import scaling

        scaling.draw(given.plots, given.quick)
        return
    tried = [""] if given.quick else widths()
    rows = [
        row for kind in ("chain", "loop") for width in tried for row in measured(kind, width, given.quick)
    ]
    rows += [row for kind in ("formulas", "decisions") for row in measured(kind, "", given.quick)]
    print(table(rows), end="")
    if given.readme:
        write_readme(table([row for row in rows if row[2] is not None]))  # those with a plain version


KINDS = {"chain": chain_rows, "loop": loop_rows, "formulas": formula_rows, "decisions": decision_rows}

if __name__ == "__main__":
    main()
