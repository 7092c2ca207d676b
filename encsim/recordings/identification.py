"""What was identified from two recorded channels."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..model.scale_and_signal import Signal
from ..results import Orders, Result, measured_in, picture


@dataclass(frozen=True, kw_only=True, eq=False)
class Identification(Result):
    """Signal errors fitted to two recorded channels.

    Attributes
    ----------
    signal : Signal or None
        The signal errors, for a cosine amplitude of 1; None if nothing could be fitted.
    amplitude : float
        Amplitude of the cosine channel, in the unit of the input.
    residual : float
        Rms error of the radius after correction of offset, gain and phase, relative to the amplitude.
    coverage : float
        Share of 64 sectors of the circle that contain a point.
    points : int
        Number of samples.
    steady : bool
        Whether smooth motion was assumed.
    phase_jitter : float
        Rms jitter of the signal phase, rad, variation of the actual motion included; NaN without ``steady``.
    uncertainty : mapping of str to float, tuple or mapping
        Standard uncertainty of each fitted field, in its shape.
    valid : bool
        Whether the fit is reliable.
    reasons : tuple of str
        Why not.
    remarks : tuple of str
        What the figures include and what they do not show.
    cosine, sine : ndarray, shape (points,)
        The channels as given.

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle = np.linspace(0.0, 20.0, 500)
    >>> found = encsim.identify(1.02 * np.cos(angle) + 0.01, 1.02 * np.sin(angle))
    >>> found.points
    500
    """

    signal: Signal | None
    amplitude: float = field(metadata=measured_in("as input"))
    residual: float = field(metadata=measured_in("1"))
    coverage: float = field(metadata=measured_in("1"))
    points: int
    steady: bool
    phase_jitter: float = field(metadata=measured_in("rad"))
    uncertainty: Orders
    valid: bool
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]
    cosine: np.ndarray = field(metadata={"plain": False}, repr=False)
    sine: np.ndarray = field(metadata={"plain": False}, repr=False)

    plot = picture(
        "figures.channels:recorded",
        "Draw the recorded channels and the fit, sine against cosine, of unit amplitude.",
        raises="If nothing was fitted.",
        example="theta = np.linspace(0.0, 200.0, 3000)\n"
        "ax = encsim.identify(1.7 * np.cos(theta), 1.8 * np.sin(theta)).plot()",
    )


def fitted_channels(signal: Signal, phase: np.ndarray) -> np.ndarray:
    """Cosine + j sine of a fitted signal, of unit cosine amplitude, at signal phases in rad."""
    waves = [(size, order) for order, size in signal.harmonics.items()]
    cosine = np.cos(phase) + sum((size * np.cos(order * phase) for size, order in waves), signal.offset[0])
    late = phase - np.pi / 2.0
    sine = sum((size * np.cos(order * late) for size, order in waves), signal.offset[1])
    return cosine + 1j * ((1.0 + signal.gain) * np.sin(phase + signal.phase) + sine)
