"""How time grows with samples, speeds, harmonics, candidates and workers: ``python -m benchmarks --plots FOLDER``.

A picture each, of the time of the processor, the best of some; of workers that of a clock, since they are there to save
it. A dashed line grows in proportion to what is varied.
"""

import itertools
import os
import time
from dataclasses import replace

import numpy as np
from matplotlib.figure import Figure

import encsim
from benchmarks import bench_choose, bench_closed_form, bench_simulation, bench_tolerance


def best(work, clock=time.process_time, rounds=3):
    """Least time of a call after one that warms up."""
    work()
    times = []
    for _ in range(rounds):
        start = clock()
        work()
        times.append(clock() - start)
    return min(times)


def samples(quick):
    """Seconds of `simulate` against its samples."""
    axis, speed = bench_simulation.AXIS, bench_simulation.SPEED
    numbers = [1 << k for k in range(10, 14 if quick else 25, 2)]
    return numbers, {
        "simulate": [best(lambda n=n: encsim.simulate(axis, speed, n, threads=1)) for n in numbers]
    }


def speeds(quick):
    """Seconds of `ripple` against its speeds."""
    numbers = [10, 100] if quick else [1, 10, 100, 1000, 10_000, 100_000]
    axes = {name: bench_closed_form.AXES[name] for name in list(bench_closed_form.AXES)[:: 4 if quick else 1]}
    return numbers, {
        name: [best(lambda n=n, axis=axis: encsim.ripple(axis, np.geomspace(2e-5, 1.0, n))) for n in numbers]
        for name, axis in axes.items()
    }


def harmonics(quick):
    """Seconds of `simulate` and `ripple` against the harmonics of the channels."""
    axis, speed = bench_simulation.AXIS, bench_simulation.SPEED
    numbers, size = [1, 4] if quick else [1, 2, 4, 8, 16, 32, 64, 100], 1 << (12 if quick else 18)
    axes = [
        replace(axis, signal=replace(axis.signal, harmonics={k: 1e-3 / k for k in range(2, n + 2)}))
        for n in numbers
    ]
    wanted = np.geomspace(2e-5, 1.0, 100 if quick else 1000)
    return numbers, {
        f"simulate, {size} samples": [
            best(lambda a=a: encsim.simulate(a, speed, size, threads=1)) for a in axes
        ],
        f"ripple, {wanted.size} speeds": [best(lambda a=a: encsim.ripple(a, wanted)) for a in axes],
    }


def candidates(quick):
    """Seconds of `choose` against its candidates."""
    lists = bench_choose.LISTS
    cuts = [1, 2] if quick else [1, 2, 4, 7, 10]
    taken = [{key: values[:cut] for key, values in lists.items()} for cut in cuts]
    numbers = [len(list(itertools.product(*some.values()))) for some in taken]

    def chosen(some):
        encsim.choose(bench_choose.STAGE, bench_choose.WANTED, some, bench_choose.COST, executor=1)

    return numbers, {"choose": [best(lambda some=some: chosen(some), rounds=1) for some in taken]}


def workers(quick):
    """Seconds by the clock of `tolerance` against its processes."""
    bench = bench_tolerance
    numbers = [1] if quick else list(range(1, (os.cpu_count() or 1) + 1))
    count = 20 if quick else 4000

    def spread(n):
        encsim.tolerance(bench.STAGE, bench.SPREAD, bench.SPEEDS, count, executor=n)

    return numbers, {
        f"tolerance, {count} axes": [best(lambda n=n: spread(n), time.perf_counter, 1) for n in numbers]
    }


VARIED = {each.__name__: each for each in (samples, speeds, harmonics, candidates, workers)}


def draw(folder, quick):
    """Write a PNG for each of them into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, measure in VARIED.items():
        numbers, found = measure(quick)
        figure = Figure(figsize=(6.0, 4.0), layout="constrained")
        scale = "linear" if name == "workers" else "log"
        axes = figure.add_subplot(xscale=scale, yscale=scale, xlabel=name, ylabel="seconds")
        for label, times in found.items():
            axes.plot(numbers, times, marker="o", label=label)
        axes.set_ylim(*(axes.get_ylim() if scale == "log" else (0.0, None)))
        # through the dearest end of the dearest line
        share, end = (-1.0, 0) if name == "workers" else (1.0, -1)
        most = max(times[end] for times in found.values())
        even = [most * (n / numbers[end]) ** share for n in numbers]
        axes.plot(numbers, even, "--", color="grey", label="in proportion")
        axes.set_xticks(numbers, [f"{n:,}".replace(",", " ") for n in numbers])
        axes.minorticks_off()
        axes.legend(frameon=False, fontsize="small")
        figure.savefig(folder / f"scaling_{name}.png", dpi=120)
        print(folder / f"scaling_{name}.png")
