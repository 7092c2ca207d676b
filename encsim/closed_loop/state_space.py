"""State-space form of the closed loop: poles, noise gains, step responses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .loop import Loop


CURVES = ("measured", "torque", "actual", "position")
# Inputs: error of the encoder, velocity command added to that of the position control, torque on the load; and torque
# command of a loop that is open there.
INPUTS = ("error", "command", "load_torque", "drive")
# Time constants of the slowest pole after which a response has decayed.
DECAYED = 40.0
# With more doublings only rounding distinguishes a pole from one on the unit circle.
MOST_DOUBLINGS = 45


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class ClosedLoop:
    """``x[k+1] - x[k] = increment x[k] + entry e[k]``, outputs ``row x[k] + direct e[k]`` of each curve."""

    increment: np.ndarray
    entry: np.ndarray
    rows: dict[str, np.ndarray]
    direct: dict[str, float]
    # without position control: the free position is taken out of the states
    drifts: bool

    def poles(self) -> np.ndarray:
        """Closed-loop poles minus 1, complex: z - 1 keeps the digits of slow poles."""
        return np.linalg.eigvals(self.increment)

    def noise_gain(self) -> dict[str, float]:
        """Rms of each curve for white encoder error of rms 1."""
        # H2 norm from ``P = A P A' + b b'``, A = 1 + M, by doubling (Smith) of the root of P = L L': L becomes [L, A
        # L], made square again by reflections (QR), and M becomes 2 M + M**2. Unlike a Schur form this keeps the
        # digits of small states beside large ones, unlike P itself those of outputs that nearly cancel.
        poles = self.poles()
        if not inside(poles).all():
            return dict.fromkeys(CURVES, np.inf)
        root = _root(self.increment, self.entry, poles)
        gains = {
            name: float(np.hypot(np.linalg.norm(row @ root), self.direct[name]))
            for name, row in self.rows.items()
        }
        return gains | ({"position": np.inf} if self.drifts else {})


def _root(increment: np.ndarray, entry: np.ndarray, poles: np.ndarray) -> np.ndarray:
    """L of the covariance L L' of the states for a white error of mean square 1; NaN where a pole is too near 1."""
    root, step = entry[:, None], increment
    with np.errstate(divide="ignore"):
        fall = -0.5 * np.log1p(2.0 * poles.real + np.abs(poles) ** 2).max()
    doublings = np.ceil(np.log2(DECAYED / fall + len(entry)))
    if not doublings <= MOST_DOUBLINGS:
        return np.full_like(increment, np.nan)
    for _ in range(int(doublings)):
        root = np.hstack([root, root + step @ root])
        if root.shape[1] > len(entry):
            root = np.asarray(np.linalg.qr(root.T, mode="r")).T
        step = 2.0 * step + step @ step
    return root


def inside(shifted: np.ndarray) -> np.ndarray:
    """Which poles, given minus 1, lie inside the unit circle."""
    # a pole that lies inside only by rounding counts as outside
    return (2.0 * shifted.real + np.abs(shifted) ** 2 < 0.0) & (np.abs(1.0 + shifted) < 1.0)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class DrivenLoop:
    """``x[k+1] - x[k] = increment x[k] + sum of entry * input[k]``, outputs ``row x[k] + sum of direct * input[k]``."""

    increment: np.ndarray
    # of each of INPUTS
    entries: dict[str, np.ndarray]
    # of each of CURVES; the position is a state also without position control
    rows: dict[str, np.ndarray]
    # by input, then by curve
    direct: dict[str, dict[str, float]]

    def step(self, name: str, samples: int) -> dict[str, np.ndarray]:
        """Outputs at some samples when one input becomes 1 at the first of them; the axis is at rest before."""
        # with the input as a further state x[k+m] = x[k] + M(m) x[k]; rows of states are doubled by
        # M(2 m) = 2 M(m) + M(m)**2, which keeps the digits of slow poles
        n = len(self.increment)
        step = np.zeros((n + 1, n + 1))
        step[:n, :n], step[:n, n] = self.increment, self.entries[name]
        states = np.zeros((samples, n + 1))
        states[0, n], known = 1.0, 1
        with np.errstate(over="ignore", invalid="ignore"):
            while known < samples:
                more = min(known, samples - known)
                states[known : known + more] = states[:more] + states[:more] @ step.T
                step, known = 2.0 * step + step @ step, known + more
            direct = self.direct[name]
            return {key: states @ np.append(row, direct[key]) for key, row in self.rows.items()}


Matrices = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


class Assembly:
    """Assembles the parts of a loop; a signal is a row of weights of all states and, last, the INPUTS."""

    def __init__(self, loop: Loop) -> None:
        self.loop = loop
        self.ahead, self.behind = _matched(*loop.estimator.coefficients(loop.rate))
        self.filters = [section.coefficients() for section in loop.filters]
        self.sizes = {
            "plant": len(loop.plant.states),
            "commands": loop.plant.remembered,
            "readings": max(reading.back for reading in loop.plant.readings),
            "estimator": len(self.ahead) - 1,
            "integral": int(loop.control.integral_time is not None),
            "filters": sum(len(above) - 1 for above, _ in self.filters),
        }
        ends = np.cumsum(list(self.sizes.values()))
        self.starts = dict(zip(self.sizes, ends - list(self.sizes.values()), strict=True))
        self.order = int(ends[-1])

    def _state(self, part: str, n: int = 0) -> np.ndarray:
        return self._unit(self.starts[part] + n)

    def _unit(self, place: int) -> np.ndarray:
        row = np.zeros(self.order + len(INPUTS))
        row[place] = 1.0
        return row

    def _input(self, name: str) -> np.ndarray:
        return self._unit(self.order + INPUTS.index(name))

    def _of_plant(self, weights: np.ndarray | tuple[()]) -> np.ndarray:
        row = np.zeros(self.order + len(INPUTS))
        row[: len(weights)] = weights
        return row

    def closed(self) -> ClosedLoop:
        """The loop with an error of the encoder as its input."""
        rows = self._assembled()
        error = self.order + INPUTS.index("error")
        increment, entry = self.changes[:, : self.order], self.changes[:, error]
        direct = {name: float(row[error]) for name, row in rows.items()}
        rows = {name: row[: self.order] for name, row in rows.items()}
        return self._finish(increment, entry, rows, direct)

    def driven(self) -> DrivenLoop:
        """The loop with all its inputs, the position among its states even where nothing holds it."""
        rows, n = self._assembled(), self.order
        return DrivenLoop(
            increment=self.changes[:, :n],
            entries={name: self.changes[:, n + i] for i, name in enumerate(INPUTS)},
            rows={name: row[:n] for name, row in rows.items()},
            direct={
                name: {key: float(row[n + i]) for key, row in rows.items()} for i, name in enumerate(INPUTS)
            },
        )

    def opened(self, output: str) -> Matrices:
        """A, B, C, D from the torque command to minus the controller's ("torque"), or to the position it reads."""
        rows = self._assembled(opened=True)
        # the plant with its delays stands first
        n = self.order if output == "torque" else self.starts["estimator"]
        row, drive = rows[output], self.order + INPUTS.index("drive")
        sign = -1.0 if output == "torque" else 1.0
        matrix = np.eye(n) + self.changes[:n, :n]
        return matrix, self.changes[:n, [drive]], sign * row[None, :n], np.array([[sign * row[drive]]])

    def _assembled(self, opened: bool = False) -> dict[str, np.ndarray]:
        """Rows of all outputs, assembled in the order in which the controller computes."""
        self.changes = np.zeros((self.order, self.order + len(INPUTS)))
        queue = self.sizes["readings"]
        measured = self._state("readings") if queue else self._of_plant(())
        for reading in self.loop.plant.readings:
            if reading.back == 0:
                measured = measured + self._of_plant(reading.row)
        measured = measured + self._input("error")
        velocity = self._filter("estimator", 0, self.ahead, self.behind, measured)
        torque = self._torque(measured, velocity)
        self._move_plant(self._input("drive") if opened else torque)
        return ({"reading": measured} if opened else {}) | {
            "measured": velocity,
            "torque": torque,
            "actual": self._of_plant(self.loop.plant.velocity),
            "position": self._of_plant(self.loop.plant.position),
        }

    def _torque(self, measured: np.ndarray, velocity: np.ndarray) -> np.ndarray:
        control = self.loop.control
        error = self._input("command") - control.position_gain * measured - velocity
        total = error
        if control.integral_time is not None:
            change = error / (self.loop.rate * control.integral_time)
            self.changes[self.starts["integral"]] = change
            total = error + self._state("integral") + change
        torque = control.velocity_gain * total
        first = 0
        for above, below in self.filters:
            torque = self._filter("filters", first, above, below, torque)
            first += len(above) - 1
        return torque

    def _filter(
        self, part: str, first: int, above: np.ndarray, below: np.ndarray, entry: np.ndarray
    ) -> np.ndarray:
        """Output of a filter in transposed direct form II, whose state changes it records."""
        if len(above) == 1:
            return above[0] * entry
        output = above[0] * entry + self._state(part, first)
        for n in range(1, len(above)):
            row = above[n] * entry - below[n] * output - self._state(part, first + n - 1)
            if n + 1 < len(above):
                row = row + self._state(part, first + n)
            self.changes[self.starts[part] + first + n - 1] = row
        return output

    def _move_plant(self, torque: np.ndarray) -> None:
        body, late = self.loop.plant, self.loop.plant.delay
        past = [self._state("commands", n) for n in range(self.sizes["commands"])]
        commands = [torque, *past]
        newer = commands[late]
        older = commands[late + 1] if np.any(body.older) else 0.0 * torque
        push = self._input("load_torque")
        n = len(body.states)
        self.changes[:n, :n] = body.increment
        self.changes[:n] += np.outer(body.newer, newer) + np.outer(body.older, older)
        self.changes[:n] += np.outer(body.load_torque, push)
        for k, row in enumerate(past):
            self.changes[self.starts["commands"] + k] = commands[k] - row
        first = self.starts["readings"]
        for k in range(self.sizes["readings"]):
            self.changes[first + k] -= self._state("readings", k)
            if k:
                self.changes[first + k - 1] += self._state("readings", k)
        for reading in body.readings:
            if reading.back:
                what = self._of_plant(reading.row) + reading.newer * newer + reading.older * older
                self.changes[first + reading.back - 1] += what + reading.push * push

    def _finish(
        self, increment: np.ndarray, entry: np.ndarray, rows: dict[str, np.ndarray], direct: dict[str, float]
    ) -> ClosedLoop:
        drifts = self.loop.control.position_gain == 0.0
        if drifts:
            rest = self._around_drift()
            increment, entry = rest.T @ increment @ rest, rest.T @ entry
            rows = {name: row @ rest for name, row in rows.items()}
        return ClosedLoop(increment=increment, entry=entry, rows=rows, direct=direct, drifts=drifts)

    def _around_drift(self) -> np.ndarray:
        """Orthonormal states without the one that shifts all positions equally."""
        shift = np.zeros(self.order)
        shift[0] = 1.0
        for reading in self.loop.plant.readings:
            shift[self.starts["readings"] :][: reading.back] += reading.row[0]
        # a constant position leaves sum b y in each state of the estimator, and no velocity
        tail = np.cumsum(self.ahead[::-1])[::-1][1:]
        shift[self.starts["estimator"] :][: len(tail)] = tail
        return np.linalg.qr(shift[:, None], mode="complete")[0][:, 1:]


def estimator_matrices(loop: Loop) -> Matrices:
    """A, B, C, D of the estimator alone, in transposed direct form II."""
    ahead, behind = _matched(*loop.estimator.coefficients(loop.rate))
    n = len(ahead) - 1
    matrix = np.eye(n, k=1)
    matrix[:, 0] = -behind[1:]
    return matrix, (ahead[1:] - behind[1:] * ahead[0])[:, None], np.eye(1, n), np.array([[ahead[0]]])


def _matched(above: np.ndarray, below: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients in z**-1 of one length, the denominator beginning with 1."""
    above, below = (np.atleast_1d(np.asarray(poly, dtype=float)) for poly in (above, below))
    size = max(len(above), len(below))
    above, below = (np.concatenate([poly, np.zeros(size - len(poly))]) for poly in (above, below))
    return above / below[0], below / below[0]
