"""Samples of an encoder as bytes for another program: formats, their scales, the pace of a clock."""

from __future__ import annotations

import math
import struct
import time
from array import array
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from .encoder_tables import straight

if TYPE_CHECKING:
    from ..model.axis import Axis
    from ..model.profiles import Profile
    from .encoder import Encoder

# {name: (output of Encoder.read, column of a table; {} is the position unit)}
SIGNALS = {
    "cos": ("cosine", "cos"),
    "sin": ("sine", "sin"),
    "count": ("count", "count"),
    "position": ("position_out", "position_{}"),
    "velocity": ("velocity", "velocity_{}_s"),
    "a": ("a", "a"),
    "b": ("b", "b"),
    "index": ("index", "index"),
}
FORMATS = {"int16": "<i2", "int32": "<i4", "float32": "<f4", "csv": "<f8", "wav": "<i2"}
FULL_SCALE = 32767  # of a WAV file with 16 bits
BLOCK = 4096  # samples of a block without a pace
TICK = 1e-3  # s between two blocks with one
UNKNOWN_LENGTH = 0xFFFFFFFF  # of a WAV file that goes into a pipe


class SampleFormat:
    """How the samples of some signals become bytes.

    Attributes
    ----------
    limited : int
        Values so far that did not fit into the format and were limited to its range.
    """

    def __init__(self, encoder: Encoder, signals: list[str], kind: str) -> None:
        self.encoder, self.signals, self.kind = encoder, signals, kind
        self._limited = 0
        self._refuse_pairs()

    @property
    def limited(self) -> int:
        """Values so far that were limited to the range of the format."""
        return self._limited + self.encoder.saturated

    def _refuse_pairs(self) -> None:
        """Refuse signals that the format cannot hold."""
        interpolation, whole = self.encoder.axis.interpolation, self.kind in ("int16", "int32")
        for name in self.signals:
            if whole and name in ("position", "velocity"):
                checks.refuse("--format", f"be float32 or csv for {name}", self.kind, hint="count is whole")
            if whole and name in ("cos", "sin") and interpolation.bits is None:
                hint = "give interpolation.bits, or take float32 or wav"
                checks.refuse("--format", "have a converter for codes of cos and sin", self.kind, hint=hint)
            if self.kind == "wav" and name not in ("cos", "sin", "a", "b"):
                checks.refuse("--format", "be another for signals that are no voltages", f"wav, {name}")
            if name in ("count", "a", "b") and interpolation.factor is None:
                rule = "name no counts or edges where interpolation.factor is not given"
                checks.refuse("--signals", rule, name)

    @property
    def header(self) -> str:
        """First line of a table."""
        unit = self.encoder.axis.scale.unit
        return ",".join(SIGNALS[name][1].format(unit) for name in self.signals) + "\n"

    def begin(self, samples: int | None) -> bytes:
        """What stands before the first sample."""
        if self.kind == "csv":
            return self.header.encode()
        if self.kind != "wav":
            return b""
        rate, channels = self.encoder.axis.sampling.rate, len(self.signals)
        if rate != round(rate) or not 1.0 <= rate * 2 * channels < UNKNOWN_LENGTH:
            checks.refuse(
                "--format", "be another: the rate of a wav file is a whole number of Hz", f"wav, {rate:g} Hz"
            )
        if samples is not None and samples * 2 * channels > UNKNOWN_LENGTH - 36:
            checks.refuse("--format", "be another for more than 4 GB", f"wav, {samples} samples")
        return wav_header(rate, channels, samples)

    def samples(self, position: Any, number: int) -> bytes:
        """Samples of some true positions, signals side by side."""
        real = self.kind in ("wav", "csv")
        table = np.empty((number, len(self.signals)), np.float64 if real else FORMATS[self.kind])
        self.encoder.read(position, **{SIGNALS[name][0]: table[:, j] for j, name in enumerate(self.signals)})
        if self.kind == "csv":
            return "".join(",".join(map(_text, row)) + "\n" for row in table.tolist()).encode()
        return self._voltages(table).tobytes() if real else table.tobytes()

    def _voltages(self, table: np.ndarray) -> np.ndarray:
        """Whole numbers of 16 bits; full scale is the range of the converter, or 1 of a level."""
        full = [self._full(name) for name in self.signals]
        values = np.rint(table * (FULL_SCALE / np.array(full)))
        limited = np.clip(values, -FULL_SCALE - 1, FULL_SCALE)
        self._limited += int(np.count_nonzero(limited != values))
        return limited.astype(FORMATS["wav"])

    def _full(self, name: str) -> float:
        return 1.0 if name in ("a", "b") else self.encoder.axis.interpolation.span

    def scale(self, name: str, volts: float) -> tuple[float, str]:
        """What one unit of a signal in the file is, with its unit; ``volts`` is the nominal amplitude, or a level."""
        interpolation, unit = self.encoder.axis.interpolation, self.encoder.axis.scale.unit
        if name in ("count", "index"):
            return 1.0, "1"
        if name in ("position", "velocity"):
            return 1.0, unit if name == "position" else f"{unit}/s"
        if self.kind == "wav":
            return volts * self._full(name) / FULL_SCALE, "V"
        if self.kind in ("int16", "int32") and name in ("cos", "sin"):
            return volts * interpolation.span / 2.0 ** ((interpolation.bits or 1) - 1), "V"
        return volts, "V"

    def sidecar(self, samples: int, volts: float) -> str:
        """TOML that says how the file is to be read."""
        lines = [
            "# Samples of an encoder simulated by encsim: how to read the file beside this one.",
            f'format = "{self.kind}"  # signals of one sample side by side'
            + ("" if self.kind == "csv" else ", little-endian"),
            f"signals = [{', '.join(f'{chr(34)}{name}{chr(34)}' for name in self.signals)}]",
            f"rate = {self.encoder.axis.sampling.rate!r}  # Hz",
            f"samples = {samples}",
            f"seed = {self.encoder.seed}",
            f"amplitude = {volts!r}  # V, of a signal of nominal amplitude",
            "",
            "[scale]  # of one unit in the file",
        ]
        for name in self.signals:
            value, unit = self.scale(name, volts)
            if name == "count" and self.kind in ("int16", "int32"):
                unit += f"; wraps around in {self.kind.removeprefix('int')} bits"
            lines.append(f"{name} = {value!r}  # {unit}")
        return "\n".join(lines) + "\n"


def _text(value: float) -> str:
    """A number as a table shows it: whole ones without a point."""
    return str(int(value)) if value == math.floor(value) and abs(value) < 1e15 else f"{value:.12g}"


def wav_header(rate: float, channels: int, samples: int | None) -> bytes:
    """Header of a WAV file of 16-bit samples; of unknown length without a number of samples."""
    frame = 2 * channels
    size = UNKNOWN_LENGTH if samples is None else samples * frame
    total = UNKNOWN_LENGTH if samples is None else size + 36
    sound = struct.pack("<HHIIHH", 1, channels, round(rate), round(rate) * frame, frame, 16)
    riff = b"RIFF" + struct.pack("<I", total) + b"WAVEfmt " + struct.pack("<I", len(sound))
    return riff + sound + b"data" + struct.pack("<I", size)


class Pace:
    """Waits until samples are due by the monotonic clock, and remembers how late each block was.

    Attributes
    ----------
    late : array of float
        Lateness of each block, s.
    """

    def __init__(self, rate: float) -> None:
        self.rate, self.late, self._begin = rate, array("d"), 0.0

    def wait(self, samples: int) -> None:
        """Wait until this number of samples is due."""
        if not self.late:
            self._begin = time.monotonic() - samples / self.rate
        due = self._begin + samples / self.rate
        rest = due - time.monotonic()
        if rest > 0.0:
            time.sleep(rest)
        self.late.append(max(time.monotonic() - due, 0.0))

    def told(self, block: int) -> list[str]:
        """The lateness in two lines."""
        if not self.late:
            return []
        late = np.array(self.late)
        median, most, worst = np.median(late), np.quantile(late, 0.999), late.max()
        lines = [
            f"lateness of {late.size} blocks of {block} samples: median {_time(median)}, "
            f"99.9 % within {_time(most)}, worst {_time(worst)}"
        ]
        behind = int(np.count_nonzero(late > block / self.rate))
        if behind:
            lines.append(
                f"{behind} blocks came later than one block: the reader or this machine is slower than the pace; "
                "no sample was left out"
            )
        return lines


def _time(seconds: float) -> str:
    return f"{1e6 * seconds:.3g} us" if seconds < 1e-3 else f"{1e3 * seconds:.3g} ms"


def steady_blocks(axis: Axis, speed: float, samples: int, block: int) -> Iterator[tuple[Any, int]]:
    """True positions of a steady motion from 0 on, block by block."""
    for first in range(0, samples, block):
        numbers = np.arange(first, min(first + block, samples))
        yield straight(axis, numbers, (0, 0.0), speed), numbers.size


def profile_blocks(axis: Axis, profile: Profile, samples: int, block: int) -> Iterator[tuple[Any, int]]:
    """True positions of a profile, block by block."""
    for first in range(0, samples, block):
        numbers = np.arange(first, min(first + block, samples))
        yield profile.at(numbers / axis.sampling.rate)[0], numbers.size


def read_blocks(
    read: Callable[[int], bytes], lines: bool, parse: Callable[[str, int], float]
) -> Iterator[Any]:
    """True positions as they come from another program: lines of text, or raw float64, little-endian."""
    rest, number = b"", 0
    while True:
        got = read(1 << 16)
        content = rest + got
        if lines:
            cut = content.rfind(b"\n") + 1 if got else len(content)
            texts = content[:cut].decode("utf-8", "replace").removeprefix("\ufeff").splitlines()
            values, wrong = [], None
            for i, text in enumerate(texts):
                try:
                    values += [parse(text, number + i + 1)] if text.strip() else []
                except checks.InputError as error:
                    wrong = error
                    break
            number += len(texts)
            if wrong is not None:
                # the samples before the wrong line are right
                yield np.array(values), len(values)
                raise wrong
        else:
            cut = len(content) // 8 * 8
            values = np.frombuffer(content[:cut], "<f8").tolist()
        rest = content[cut:]
        if len(values):
            yield np.array(values), len(values)
        if not got:
            break
    if rest:
        checks.refuse("--profile", "end with a whole number of 8 bytes", f"{len(rest)} bytes more")
