"""The caller's buffers of an encoder: what may be filled, and how each output is brought to their types."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..kernels import rows
from .encoder_edges import check_edges

if TYPE_CHECKING:
    from ..model.axis import Axis

FRACTION_BITS = 32  # of a position in a buffer of integers

BITS = {
    "cosine": rows.OUT_COSINE,
    "sine": rows.OUT_SINE,
    "velocity": rows.OUT_VELOCITY,
    "position_out": rows.OUT_POSITION,
    "count": rows.OUT_COUNT,
    "a": rows.OUT_COUNT,
    "b": rows.OUT_COUNT,
    "serial": rows.OUT_COUNT,
}
COUNTED = "count", "a", "b", "serial"
DIRECT = "cosine", "sine", "position_out", "velocity", "count"
LEVELS = "a", "b", "index", "serial"  # fit into every buffer

Writer = Callable[[slice], None]
Room = tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]  # of numbers, of whole numbers


@dataclass(frozen=True, kw_only=True, slots=True)
class SerialWord:
    """Word of a serial encoder: the count in a field of bits, everything else constant.

    Parameters
    ----------
    bits : int
        Length of the word, 1 to 64.
    width : int
        Bits of the position field; the count wraps around in it.
    low : int
        Lowest bit of the field, 0 is the last bit of the word.
    constant : int
        All other bits.

    Raises
    ------
    InputError
        If a number is out of range, the field does not fit, or a constant bit lies in it.

    Examples
    --------
    >>> import encsim
    >>> encsim.SerialWord(bits=32, width=26, low=4, constant=0b1001).width
    26
    """

    bits: int
    width: int
    low: int = 0
    constant: int = 0

    def __post_init__(self) -> None:
        check = checks.Check(self)
        check.whole("bits", 1, 64)
        check.done()
        check.whole("low", 0, self.bits - 1)
        check.done()
        check.whole("width", 1, self.bits - self.low)
        check.whole("constant", 0, (1 << self.bits) - 1)
        check.done()
        if self.constant >> self.low & ((1 << self.width) - 1):
            checks.refuse("SerialWord.constant", "leave the bits of the position field 0", self.constant)

    def words(self, counts: np.ndarray) -> np.ndarray:
        """The words of these counts, unsigned 64 bits."""
        field = counts.astype(np.uint64) & np.uint64((1 << self.width) - 1)
        return (field << np.uint64(self.low)) | np.uint64(self.constant)


class Outputs:
    """Room for the samples of a piece, and the ways from there into buffers of any type.

    Attributes
    ----------
    room : tuple of ndarray
        Numbers and whole numbers that the kernel fills, a row for each output.
    position_scale : float
        One unit of a position in a buffer of integers, m or rad.
    saturated : int
        Values so far that did not fit into a buffer of integers.
    """

    def __init__(self, axis: Axis, samples: int, serial: SerialWord | None) -> None:
        self._axis, self._serial = axis, serial
        self.numbers = np.zeros((rows.OUT_WITHIN + 1, samples))
        self.wholes = np.zeros((rows.OUT_TOTAL + 1, samples), np.int64)
        self.room = tuple(self.numbers), tuple(self.wholes)
        self.position_scale = axis.scale.pitch / 2.0**FRACTION_BITS
        self.saturated = 0
        bits = axis.interpolation.bits
        self._codes = 0.0 if bits is None else 2.0 ** (bits - 1) / axis.interpolation.span  # 0: none
        self.wanted = 0  # bits of the outputs that the kernel has to fill
        self._makers: dict[str, Callable[[int], np.ndarray]] = {
            "cosine": lambda n: self._channel(rows.OUT_COSINE, n),
            "sine": lambda n: self._channel(rows.OUT_SINE, n),
            "position_out": self._fixed_point,
            "a": lambda n: (self._counts(n) + 1) >> 1 & 1,
            "b": lambda n: self._counts(n) >> 1 & 1,
            "serial": self._words,
            "index": lambda n: self.index[:n],
        }
        self.index = np.zeros(samples, np.int64)
        self._rows = {
            "cosine": self.numbers[rows.OUT_COSINE],
            "sine": self.numbers[rows.OUT_SINE],
            "position_out": self.numbers[rows.OUT_POSITION],
            "velocity": self.numbers[rows.OUT_VELOCITY],
            "count": self.wholes[rows.OUT_TOTAL],
        }

    def want(self, given: dict[str, np.ndarray]) -> None:
        """Ask for the outputs that these buffers need."""
        self.wanted = 0
        for name, buffer in given.items():
            if name == "index":
                continue
            bit = BITS[name]
            if name == "position_out" and buffer.dtype.kind in "iu":
                bit = rows.OUT_WITHIN
            self.wanted |= 1 << bit

    def writers(
        self,
        buffers: dict[str, np.ndarray | None],
        samples: int,
        taken: tuple[np.ndarray, ...],
        edges: np.ndarray | None = None,
    ) -> tuple[list[Writer], Room | None]:
        """Functions that write a piece into each buffer given, or room that needs none; refuses other buffers."""
        given = {name: buffer for name, buffer in buffers.items() if buffer is not None}
        for name, buffer in given.items():
            self._check(name, buffer, samples)
        if edges is None:
            _refuse_shared(given, taken)
        else:
            check_edges(edges, self._axis)
            _refuse_shared({**given, "edges": edges}, taken)
        self.want(given)
        self.wanted |= (edges is not None) << rows.OUT_COUNT
        if edges is None and "index" not in given and all(map(_direct, given, given.values())):
            return [], self._straight(given)
        return [self._writer(name, buffer) for name, buffer in given.items()], None

    def _straight(self, given: dict[str, np.ndarray]) -> Room:
        """Room in the caller's own buffers."""
        numbers, wholes = map(list, self.room)
        for name, buffer in given.items():
            if name == "count":
                wholes[rows.OUT_TOTAL] = buffer
            else:
                numbers[BITS[name]] = buffer
        return tuple(numbers), tuple(wholes)

    def _check(self, name: str, buffer: Any, samples: int) -> None:
        """Refuse one buffer that cannot be filled."""
        field = f"Encoder.read.{name}"
        if not isinstance(buffer, np.ndarray) or buffer.ndim != 1 or buffer.dtype.kind not in "iuf":
            checks.refuse(field, "be a one-dimensional array of integers or floats", _described(buffer))
        if buffer.dtype == np.float16:
            checks.refuse(field, "be floats of 32 bits or more", buffer.dtype)
        if buffer.size != samples:
            checks.refuse(field, f"have the {samples} samples of position", buffer.size)
        if not buffer.flags.writeable:
            checks.refuse(field, "be writable", "a read-only array")
        whole = buffer.dtype.kind in "iu"
        if name in ("cosine", "sine") and whole and not self._codes:
            rule = "be floats where Interpolation.bits is not given"
            checks.refuse(field, rule, buffer.dtype)
        if name == "velocity" and whole:
            checks.refuse(field, "be floats", buffer.dtype)
        if name == "serial" and self._serial is None:
            checks.refuse(field, "be left out where Encoder.serial is not given", "a buffer")
        bits = 0 if self._serial is None else self._serial.bits
        if name == "serial" and (not whole or np.iinfo(buffer.dtype).bits < bits):
            checks.refuse(field, f"be integers of {bits} bits or more", buffer.dtype)
        if name in COUNTED and self._axis.interpolation.factor is None:
            checks.refuse(field, "be left out where Interpolation.factor is not given", "a buffer")

    def _writer(self, name: str, buffer: np.ndarray) -> Writer:
        """How a piece of one output gets into its buffer."""
        if name == "count" or (buffer.dtype.kind == "f" and name in self._rows):
            row = self._rows[name]

            def copy(part: slice) -> None:
                target = buffer[part]
                np.copyto(target, row[: target.size], casting="unsafe")

            return copy
        make = self._makers[name]

        def limit(part: slice) -> None:
            target = buffer[part]
            if name in LEVELS:
                np.copyto(target, make(target.size), casting="unsafe")
            else:
                self._saturate(make(target.size), target)

        return limit

    def _saturate(self, values: np.ndarray, target: np.ndarray) -> None:
        """Write whole numbers into a narrower type, limited to its range."""
        kind = np.iinfo(target.dtype)
        low, high = max(kind.min, np.iinfo(np.int64).min), min(kind.max, np.iinfo(np.int64).max)
        limited = np.clip(values, low, high)
        self.saturated += int(np.count_nonzero(limited != values))
        np.copyto(target, limited, casting="unsafe")

    @property
    def counts(self) -> np.ndarray:
        """Room for all counts of a piece."""
        return self.wholes[rows.OUT_TOTAL]

    def _counts(self, samples: int) -> np.ndarray:
        return self.wholes[rows.OUT_TOTAL, :samples]

    def _words(self, samples: int) -> np.ndarray:
        """Words of the serial interface."""
        if self._serial is None:
            raise AssertionError("checked before")
        return self._serial.words(self._counts(samples))

    def _channel(self, row: int, samples: int) -> np.ndarray:
        """Codes of the converter; of averaged readings the nearest to their mean."""
        return np.rint(self.numbers[row, :samples] * self._codes).astype(np.int64)

    def _fixed_point(self, samples: int) -> np.ndarray:
        """Positions in units of ``position_scale``, limited to 64 bits."""
        most = (1 << (63 - FRACTION_BITS)) - 2
        whole = self.wholes[rows.OUT_WHOLE, :samples]
        limited = np.clip(whole, -most, most)
        self.saturated += int(np.count_nonzero(limited != whole))
        within = np.rint(self.numbers[rows.OUT_WITHIN, :samples] * 2.0**FRACTION_BITS)
        return (limited << FRACTION_BITS) + within.astype(np.int64)


def _direct(name: str, buffer: np.ndarray) -> bool:
    """Whether the kernel itself can write into a buffer."""
    kind = np.int64 if name == "count" else np.float64
    return name in DIRECT and buffer.dtype == kind and buffer.flags.carray


def _described(value: Any) -> Any:
    return f"{value.dtype} of shape {value.shape}" if isinstance(value, np.ndarray) else type(value)


def _refuse_shared(given: dict[str, np.ndarray], taken: tuple[np.ndarray, ...]) -> None:
    """Refuse buffers in the memory of another, or of the positions."""
    known = [("position", array) for array in taken]
    for name, buffer in given.items():
        for other, array in known:
            # columns of one table lie between each other, which the quick question takes for shared
            if np.may_share_memory(buffer, array) and np.shares_memory(buffer, array):
                rule = f"not share memory with {other}"
                checks.refuse(f"Encoder.read.{name}", rule, "the same memory")
        known.append((name, buffer))
