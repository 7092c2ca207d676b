"""Signal errors from two recorded channels: offset, gain, phase, waveform, noise and jitter.

The result depends on what is known of the motion. Without ``steady`` the phase of each sample is unknown and only the
distance from the ellipse is used. With it the phase is a smooth function of time and both directions are used.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..model.scale_and_signal import Signal
from ..results import Orders, recorded
from . import ellipse, record_quality, waveform
from .capture import Capture
from .identification import Identification
from .record_quality import WIDE, sector_coverage

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from ..model.axis import Axis
    from .ellipse import Squares
    from .waveform import Steady


FEWEST = 20
LARGEST_JITTER = 0.1
ORDERS = tuple(range(2, 10))
CYCLIC_ORDERS = tuple(range(3, 11))
# Fewest points with which the cyclic part of the distance can be separated from ellipse and noise.
CYCLIC_POINTS = 60
ROUNDING = 1e-12
CORRELATED = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class _ChannelFit:
    """A fit of scaled channels: parameters q and covariance as in `ellipse`; noise and jitter with uncertainty."""

    q: np.ndarray
    covariance: np.ndarray
    orders: tuple[int, ...]
    noise: tuple[float, float]
    jitter: tuple[float, float]
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]


@recorded
def identify(
    cosine: ArrayLike | Capture,
    sine: ArrayLike | None = None,
    steady: bool = False,
    *,
    period: float | None = None,
    axis: Axis | None = None,
) -> Any:
    """Say what the encoder does: faults of two recorded channels, or errors from counts or positions in motion.

    Parameters
    ----------
    cosine : array-like, shape (n,), or Capture
        The cosine channel, sampled evenly, in any unit; or a recording, without ``sine``: of both channels, or of
        counts or positions of an axis in motion.
    sine : array-like, shape (n,), optional
        The sine channel, sampled at the same instants, in the same unit.
    steady : bool
        Whether the motion was smooth. If so, the phase is a slow polynomial of time, and harmonics, noise and position
        jitter are separated; otherwise only the distance from the ellipse is used.
    period : float, optional
        Signal period, m or rad; with it ``signal.jitter`` is the jitter as a position. Of counts without ``axis`` it is
        in counts.
    axis : Axis, optional
        Of counts and positions: gives signal period, counts per period and unit.

    Returns
    -------
    Identification or MotionIdentification
        The second of counts and positions. ``valid`` is False, with ``reasons``, for fewer than 20 points, less than
        half of the circle, a residual above 0.1, clipped channels, no ellipse, an offset larger than the signal, or
        with ``steady`` a motion that is not smooth.

    Raises
    ------
    InputError
        If a channel is not a row of finite numbers or the two differ in length.

    Notes
    -----
    Heydemann's conic starts a fit of least orthogonal distance, corrected for the curvature of the ellipse. With
    ``steady`` the phase is a polynomial of degree 1 to 6, the lowest degree that omits no significant one, and radial
    and tangential residuals are weighted by their variances. Harmonics of orders 2 to 9 are kept if they exceed 4
    standard uncertainties, alone or together with harmonics that are strongly correlated with them. Harmonics and
    phase hold at the speed of the recording: they include the effects of bandwidth and skew.

    The uncertainties assume white noise of the same size in both channels.

    Counts and positions: harmonics of the signal period and orders per revolution are fitted in angle beside a slow
    polynomial of time, so that neither an even speed nor one below half a period per sample is needed.

    References
    ----------
    P. L. M. Heydemann, "Determination and correction of quadrature fringe measurement errors in
    interferometers", Applied Optics 20, 3382 (1981).

    Examples
    --------
    >>> import encsim
    >>> import numpy as np
    >>> angle = np.linspace(0.0, 20.0, 500)
    >>> found = encsim.identify(1.02 * np.cos(angle) + 0.01, 1.02 * np.sin(angle))
    >>> round(float(found.amplitude), 3)
    1.02
    """
    if isinstance(cosine, Capture):
        if cosine.kind in ("counts", "position"):
            from .motion_fit import identify_motion

            return identify_motion(cosine, period=period, axis=axis)
        cosine, sine = _recorded(cosine, sine)
    c, s = _channel("cosine", cosine), _channel("sine", sine)
    _check_arguments(c, s, steady, period)
    if len(c) < FEWEST:
        return _unfitted(c, s, steady, f"{len(c)} points are fewer than {FEWEST}")
    middle = np.array([0.5 * channel.min() + 0.5 * channel.max() for channel in (c, s)])
    size = max(0.5 * channel.max() - 0.5 * channel.min() for channel in (c, s))
    try:
        fit, circle = _fitted(c - middle[0], s - middle[1], size, steady)
    except ellipse.NoFit as fault:
        return _unfitted(c, s, steady, f"no ellipse: {fault}")
    values, errors = _of_unit_amplitude(fit, middle / size)
    signal, refused = _signal(fit, values, period)
    residual = float(np.sqrt(np.mean((np.abs(circle) - 1.0) ** 2)))
    coverage = sector_coverage(circle)
    reasons = (*record_quality.reasons(c, s, residual, coverage), *fit.reasons, *refused)
    return Identification(
        signal=signal,
        amplitude=float(values[0] * size),
        residual=residual,
        coverage=coverage,
        points=len(c),
        steady=bool(steady),
        phase_jitter=float(fit.jitter[0]),
        uncertainty=_uncertainty(fit, errors, size, period),
        valid=not reasons,
        reasons=reasons,
        remarks=(*fit.remarks, *record_quality.remarks(c, s, circle, coverage)),
        cosine=c,
        sine=s,
    )


def _recorded(capture: Capture, sine: ArrayLike | None) -> tuple[np.ndarray, np.ndarray]:
    """The channels of a recording."""
    if sine is not None:
        checks.refuse("identify.sine", "be left out with a Capture", sine)
    if capture.cosine is None or capture.sine is None:
        checks.refuse("identify.capture", "hold two channels", capture.kind)
    return capture.cosine, capture.sine


def _channel(name: str, values: ArrayLike | None) -> np.ndarray:
    """One channel, checked, as a new read-only row of floats."""
    label = f"identify.{name}"
    if np.ma.is_masked(values):
        checks.refuse(label, "hold no masked values", "a masked array")
    try:
        raw = np.asarray(values)
    except (ValueError, TypeError, OverflowError):
        raw = np.asarray(None)
    if raw.ndim != 1 or (raw.size and raw.dtype.kind not in "iuf"):
        checks.refuse(label, "be one row of real numbers", f"{raw.dtype} of shape {raw.shape}")
    row = raw.astype(np.float64)
    broken = np.nonzero(~np.isfinite(row))[0]
    if broken.size:
        value, hint = f"{row[broken[0]]} at index {broken[0]}", "leave such samples out of both channels"
        checks.refuse(label, "hold finite numbers only", value, hint=hint)
    row.setflags(write=False)
    return row


def _check_arguments(c: np.ndarray, s: np.ndarray, steady: bool, period: float | None) -> None:
    if len(c) != len(s):
        checks.refuse("identify.sine", f"be as long as cosine, {len(c)}", len(s))
    if not isinstance(steady, (bool, np.bool_)):
        checks.refuse("identify.steady", "be True or False", steady)
    if period is not None and not (checks.is_real(period) and period > 0.0):
        checks.refuse("identify.period", "be positive and finite", period, "m or rad")


def _unfitted(c: np.ndarray, s: np.ndarray, steady: bool, reason: str) -> Identification:
    """The result if nothing could be fitted."""
    return Identification(
        signal=None,
        amplitude=np.nan,
        residual=np.nan,
        coverage=np.nan,
        points=len(c),
        steady=bool(steady),
        phase_jitter=np.nan,
        uncertainty=Orders(),
        valid=False,
        reasons=(reason,),
        remarks=(),
        cosine=c,
        sine=s,
    )


def _fitted(c: np.ndarray, s: np.ndarray, size: float, steady: bool) -> tuple[_ChannelFit, np.ndarray]:
    """The fit of both channels divided by ``size``, and the corrected circle."""
    if size == 0.0:
        raise ellipse.NoFit("both channels are constant")
    x, y = c / size, s / size
    squares = ellipse.fit_ellipse(x, y)
    circle = ellipse.corrected(squares.q, x, y)
    if not steady:
        return _from_ellipse(squares, x, y, sector_coverage(circle)), circle
    fit = _from_motion(squares, x, y, sector_coverage(circle))
    return fit, ellipse.corrected(fit.q, x, y)


def _from_ellipse(squares: Squares, x: np.ndarray, y: np.ndarray, coverage: float) -> _ChannelFit:
    """The fit by the distance from the ellipse alone."""
    free = len(x) - 5
    variance, sum_of_harmonics = np.sum(ellipse.distances(squares.q, x, y)[0] ** 2) / free, ""
    if coverage >= WIDE and len(x) >= CYCLIC_POINTS:
        harmonic_sum, error, variance = ellipse.cyclic_distance(squares.q, x, y, CYCLIC_ORDERS)
        free -= 2 * len(CYCLIC_ORDERS)
        size = squares.q[2]
        sum_of_harmonics = (
            f": h3 + h5 = {harmonic_sum / size:.2g} ± {error / size:.1g} (position needs h5 - h3)"
        )
    noise = np.sqrt(variance)
    remarks = (
        "fitted to the ellipse alone: a small residual is no proof that the angle is right",
        "noise is what the radius shows; position jitter does not show",
        f"of waveform harmonics only sums show{sum_of_harmonics}; smooth motion (steady) would tell them apart",
    )
    errors = noise / np.sqrt(2.0 * free)
    return _ChannelFit(squares.q, squares.covariance, (), (noise, errors), (np.nan, np.nan), (), remarks)


def _from_motion(squares: Squares, x: np.ndarray, y: np.ndarray, coverage: float) -> _ChannelFit:
    """The fit with smooth motion, or that of the ellipse alone with a reason if smooth motion does not fit."""
    alone = _from_ellipse(squares, x, y, coverage)
    try:
        fit = waveform.fit_steady(squares.q, x, y, ORDERS)
    except ellipse.NoFit as fault:
        return replace(alone, reasons=(f"no smooth motion fits: {fault}",))
    noise = _root(fit.spread.noise, fit.spread.noise_error)
    jitter, error = _root(fit.spread.jitter, fit.spread.jitter_error)
    if jitter > LARGEST_JITTER:
        off = f"{jitter:.2g} rad rms off a slow polynomial, above {LARGEST_JITTER}"
        return replace(alone, reasons=(f"the motion is not smooth: {off}",))
    if noise[0] > _largest_noise(alone.noise[0], jitter, len(x)):
        off = f"{noise[0]:.2g} rms with it, {alone.noise[0]:.2g} for the ellipse alone"
        return replace(alone, reasons=(f"the motion is not smooth: radius error {off}",))
    remarks = tuple(_motion_remarks(fit, jitter, error))
    significant = (jitter if fit.spread.shaky else 0.0, error)
    return _ChannelFit(fit.q, fit.covariance, fit.orders, noise, significant, (), remarks)


def _largest_noise(alone: float, jitter: float, count: int) -> float:
    """Largest noise with smooth motion that agrees with the residual of the ellipse alone."""
    # Twice that variance, six standard deviations of chance, and twice the radial part of the jitter.
    return float(np.sqrt(alone**2 * (2.0 + 6.0 * np.sqrt(4.0 / count)) + jitter**4) + ROUNDING)


def _root(variance: float, error: float) -> tuple[float, float]:
    """Standard deviation and its uncertainty, from a variance and its uncertainty."""
    root = np.sqrt(max(variance, 0.0))
    return root, error / (2.0 * max(root, np.sqrt(0.5 * error), 1e-300))


def _motion_remarks(fit: Steady, jitter: float, error: float) -> Iterator[str]:
    yield (
        f"smooth motion assumed: {abs(fit.turns):.4g} periods as sampled, phase a polynomial of degree {fit.degree}; "
        "errors that repeat every period but are no waveform harmonic are not modelled"
    )
    if fit.spread.shaky:
        yield f"phase jitter {jitter:.2g} ± {error:.1g} rad rms, unsteadiness of the true motion included"
    else:
        yield f"no phase jitter seen, less than about {jitter + 2.0 * error:.1g} rad rms"
    if abs(fit.spread.correlation) > CORRELATED:
        yield (
            "successive phase errors are alike: the true motion varied or samples are held, and the "
            "uncertainties are too small"
        )
    yield f"harmonics of orders {ORDERS[0]} to {ORDERS[-1]} smaller than {fit.limit:.1g} do not show"


def _of_unit_amplitude(fit: _ChannelFit, middle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Amplitude, offsets, gain, phase and harmonics for unit amplitude, and their standard uncertainties."""
    q, a = fit.q, fit.q[2]
    offset, harmonics = (q[:2] + middle) / a, q[5 : 5 + len(fit.orders)] / a
    values = np.array([a, *offset, q[3] / a - 1.0, q[4], *harmonics])
    slopes = np.zeros((len(values), len(q)))
    slopes[:, 2] = [1.0, *(-offset / a), -q[3] / a**2, 0.0, *(-harmonics / a)]
    slopes[1, 0] = slopes[2, 1] = slopes[3, 3] = 1.0 / a
    slopes[4, 4] = 1.0
    for row in range(5, len(values)):
        slopes[row, row] = 1.0 / a
    return values, np.sqrt(np.diag(slopes @ fit.covariance @ slopes.T))


def _signal(
    fit: _ChannelFit, values: np.ndarray, period: float | None
) -> tuple[Signal | None, tuple[str, ...]]:
    """The signal, or None and the reasons why there is none."""
    if np.hypot(values[1], values[2] / (1.0 + values[3])) >= 1.0:
        offset = f"({values[1]:.4g}, {values[2]:.4g})"
        return None, (
            f"the offset {offset} of unit amplitude is larger than the signal: take mid-scale off first",
        )
    jitter = 0.0 if period is None or np.isnan(fit.jitter[0]) else fit.jitter[0] * period / (2.0 * np.pi)
    try:
        return Signal(
            offset=tuple(values[1:3].tolist()),
            gain=float(values[3]),
            phase=float(values[4]),
            harmonics=dict(zip(fit.orders, values[5:].tolist(), strict=True)),
            noise=float(fit.noise[0] / fit.q[2]),
            jitter=float(jitter),
        ), ()
    except checks.InputError as error:
        return None, tuple(str(error).splitlines())


def _uncertainty(fit: _ChannelFit, errors: np.ndarray, size: float, period: float | None) -> Orders:
    """Standard uncertainties by field, in the shape and unit of the field."""
    sizes = errors.tolist()
    entries: dict[str, Any] = {
        "amplitude": float(sizes[0] * size),
        "offset": tuple(sizes[1:3]),
        "gain": sizes[3],
        "phase": sizes[4],
        "noise": float(fit.noise[1] / fit.q[2]),
    }
    if np.isfinite(fit.jitter[0]):
        entries["harmonics"] = Orders(dict(zip(fit.orders, sizes[5:], strict=True)))
        entries["phase_jitter"] = float(fit.jitter[1])
        if period is not None:
            entries["jitter"] = float(fit.jitter[1] * period / (2.0 * np.pi))
    return Orders(entries)
