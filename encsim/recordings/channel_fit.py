"""Signal errors from two recorded channels: offset, gain, phase, waveform, noise and jitter.

The result depends on what is known of the motion. Without ``steady`` the phase of each sample is unknown and only the
distance from the ellipse is used. With it the phase is a smooth function of time and both directions are used.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import checks
from ..calibration import ellipse
from ..checks import Orders
from ..model.axis import Axis, check_axis
from ..model.scale_and_signal import Signal
from ..results import recorded
from . import converter, curve_fit, identification
from .capture import Capture
from .identification import Identification, sector_coverage

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from .curve_fit import ChannelFit


FEWEST = 20


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
        Whether the motion was smooth; the speed may change. If so, the phase is a slow curve of time, and harmonics,
        noise and position jitter are separated; otherwise only the distance from the ellipse is used. Of a `Capture`
        smooth motion is tried in any case; with ``steady`` it is refused where the motion was not smooth.
    period : float, optional
        Signal period, m or rad; with it ``signal.jitter`` is the jitter as a position. Of counts without ``axis`` it is
        in counts.
    axis : Axis, optional
        Of counts and positions: gives signal period, counts per period and unit.

    Returns
    -------
    Identification or MotionIdentification
        The second of counts and positions. ``valid`` is False, with ``reasons``, for fewer than 20 points, less than
        half of the circle, a residual above 0.1, clipped channels, no ellipse, an offset larger than the signal, a
        drift above 0.1, or with ``steady`` a motion that is not smooth.

    Raises
    ------
    InputError
        If a channel is not a row of finite numbers or the two differ in length.

    Notes
    -----
    Heydemann's conic starts a fit of least orthogonal distance, corrected for the curvature of the ellipse. With smooth
    motion the phase is a polynomial of degree 1 to 6 or a spline with pieces of at least four periods, and radial and
    tangential residuals are weighted by their variances. Harmonics of orders 2 to 9, common to both channels or of one
    alone, are kept if they exceed 4 standard uncertainties, alone or together with those that are strongly correlated
    with them. Where the channels are in steps of a converter larger than half of the residuals, the noise is that
    before the converter, and with smooth motion the fit ends with the maximum likelihood of the codes: the chance that
    noise and jitter bring a point into the cell of its two codes. Of the ellipse alone, bias and uncertainty then come
    from simulated conversions.

    Without smooth motion the uncertainties assume white noise of the same size in both channels; with it they
    follow the spectrum of the phase errors where these are correlated. Of more than 32 768 samples the colour, and
    with noise below half a converter's step everything, is seen from evenly spread ones only. Where several speeds
    show them, ``skew`` and ``bandwidth`` are fields of the signal. ``bound`` is the Cramér-Rao bound: with smooth
    motion that of the codes, otherwise that of the noise before the converter.

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
    if axis is not None:
        check_axis("identify.axis", axis)
    rate, k, tried = None, None, bool(steady)
    if isinstance(cosine, Capture):
        if cosine.kind in ("counts", "position"):
            from .motion_fit import identify_motion

            return identify_motion(cosine, period=period, axis=axis)
        rate, k, wanted = cosine.rate, _sample_times(cosine), True if steady is True else None
        cosine, sine = _recorded(cosine, sine)
    else:
        wanted = steady
    c, s = _channel("cosine", cosine), _channel("sine", sine)
    _check_arguments(c, s, steady, period)
    if len(c) < FEWEST:
        return _unfitted(c, s, tried, f"{len(c)} points are fewer than {FEWEST}")
    middle = np.array([0.5 * channel.min() + 0.5 * channel.max() for channel in (c, s)])
    size = max(0.5 * channel.max() - 0.5 * channel.min() for channel in (c, s))
    try:
        fit, circle = curve_fit.fitted(c - middle[0], s - middle[1], size, wanted, k)
    except ellipse.NoFit as fault:
        return _unfitted(c, s, tried, f"no ellipse: {fault}")
    return _identification(fit, circle, (c, s), middle / size, size, _Known(tried, period, rate))


@dataclass(frozen=True, slots=True)
class _Known:
    """What the caller knows: whether smooth motion was asked for, signal period, sampling rate."""

    steady: bool
    period: float | None
    rate: float | None


def _identification(
    fit: ChannelFit,
    circle: np.ndarray,
    channels: tuple[np.ndarray, np.ndarray],
    middle: np.ndarray,
    size: float,
    known: _Known,
) -> Identification:
    """The result of a fit."""
    c, s = channels
    values, slopes = _of_unit_amplitude(fit, middle)
    covariance = slopes @ fit.covariance @ slopes.T
    errors, bound = (np.sqrt(np.diag(slopes @ part @ slopes.T)) for part in (fit.covariance, fit.bound))
    signal, refused = _signal(fit, values, known)
    residual = float(np.sqrt(np.mean((np.abs(circle) - 1.0) ** 2)))
    coverage, moved = sector_coverage(circle), identification.drift(circle)
    reasons = (
        *identification.reasons(c, s, residual, identification.arc_seen(circle), moved),
        *fit.reasons,
        *refused,
    )
    smooth = fit.angle is not None
    angle = np.empty(0) if fit.angle is None else fit.angle
    averages = identification.averaging(len(angle)) if smooth else np.empty(0, dtype=int)
    interval = (1.0 / known.rate if known.rate else 1.0) * (len(c) - 1) / max(len(angle) - 1, 1)
    found = Identification(
        signal=signal,
        amplitude=float(values[0] * size),
        residual=residual,
        coverage=coverage,
        points=len(c),
        steady=known.steady or smooth,
        phase_jitter=float(fit.jitter[0]),
        uncertainty=_uncertainty(fit, errors, size, known),
        bound=_uncertainty(fit, bound, size, known),
        correlation=_correlation(fit, covariance),
        harmonics_cosine=_own_harmonics(fit, values, 1.0),
        harmonics_sine=_own_harmonics(fit, values, -1.0),
        jitter_colour=fit.colour.name if fit.colour else "",
        jitter_bandwidth=_bandwidth(fit, known.rate),
        averaging_time=averages * interval,
        allan_deviation=identification.allan_deviation(angle, interval, averages),
        step=(converter.converter_step(c), converter.converter_step(s)),
        cyclic=(np.nan, np.nan),
        drift=moved,
        valid=not reasons,
        reasons=reasons,
        remarks=(*identification.remarks(c, s, circle, coverage, moved),
                 *fit.remarks, *_speed_remarks(fit, known.rate)),
        cosine=c,
        sine=s,
    )  # fmt: skip
    if fit.phase is None or fit.used is None or signal is None or reasons:
        return found
    shown, after = np.arctan2(s[fit.used], c[fit.used]), np.nan
    with contextlib.suppress(checks.InputError):  # no table takes out errors of a large part of a period
        after = identification.cyclic_error(found.error_map().invert(shown), fit.phase)
    return replace(found, cyclic=(identification.cyclic_error(shown, fit.phase), after))


def _sample_times(capture: Capture) -> np.ndarray | None:
    """Times of the samples in sampling intervals where samples are missing; None for even ones."""
    if capture.time is None or capture.rate is None:
        return None
    k = (capture.time - capture.time[0]) * capture.rate
    # Stamps of a logger scatter; only whole missing samples count.
    even = np.rint(k) if np.all(np.diff(np.rint(k)) > 0.0) else np.arange(len(k))
    return None if even[-1] == len(k) - 1 else even


def _bandwidth(fit: ChannelFit, rate: float | None) -> float:
    """Corner frequency of a one-pole jitter, Hz; NaN for any other, or where the rate is not known."""
    if fit.colour is None or fit.colour.name != "one pole" or rate is None:
        return np.nan
    return float(rate / (2.0 * np.pi * fit.colour.memory))


def _of_speed(fit: ChannelFit, rate: float | None) -> dict[str, tuple[float, float]]:
    """Fields of the signal that several speeds show, with their uncertainties; none where the rate is not known."""
    found = {}
    if rate is not None and fit.speed.lag is not None:
        found["skew"] = (fit.speed.lag[0] / rate, fit.speed.lag[1] / rate)
    if rate is not None and fit.speed.pole is not None:
        pole, error = fit.speed.pole
        corner = rate / (2.0 * np.pi * pole)
        found["bandwidth"] = (corner, corner * error / pole)
    return found


def _speed_remarks(fit: ChannelFit, rate: float | None) -> Iterator[str]:
    """What changes with the speed within the recording."""
    interval, unit = (1.0, " samples") if rate is None else (1.0 / rate, " s")
    if fit.speed.lag is not None:
        value, error = (part * interval for part in fit.speed.lag)
        yield f"the sine channel is read {value:.3g} ± {error:.1g}{unit} later than the cosine (skew)"
    if fit.speed.pole is not None:
        value, error = _of_speed(fit, rate).get("bandwidth", fit.speed.pole)
        by = "one pole of" if rate is None else "a bandwidth of"
        unit = "samples" if rate is None else "Hz"
        yield f"the amplitude falls with the speed as by {by} {value:.3g} ± {error:.1g} {unit}; its lag does not show"


def _correlation(fit: ChannelFit, covariance: np.ndarray) -> Orders:
    """Correlation of each pair of fitted parameters, {name: {name: value}}."""
    names = ["amplitude", "offset cosine", "offset sine", "gain", "phase"]
    names += [f"harmonic {n}" for n, part in fit.waves if part == 0]
    places = [0, 1, 2, 3, 4, *(5 + i for i, (_, part) in enumerate(fit.waves) if part == 0)]
    errors = np.sqrt(np.diag(covariance))
    with np.errstate(invalid="ignore", divide="ignore"):
        table = np.nan_to_num(covariance / np.outer(errors, errors))
    return Orders({
        name: Orders({other: float(table[i, j]) for other, j in zip(names, places, strict=True)})
        for name, i in zip(names, places, strict=True)
    })  # fmt: skip


def _own_harmonics(fit: ChannelFit, values: np.ndarray, sign: float) -> Orders:
    """Harmonics of one channel, {order: (amplitude, phase)}: amplitude cos(order angle + phase)."""
    found: dict[int, complex] = {}
    for (n, part), size in zip(fit.waves, values[5:], strict=True):
        share = {0: 1.0, 1: -1j * (sign > 0), 2: sign, 3: -1j * (sign < 0)}[part]
        found[n] = found.get(n, 0.0) + size * share
    return Orders({n: (float(abs(z)), float(np.angle(z))) for n, z in sorted(found.items()) if z})


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
        shown = values if values is None or isinstance(values, str) else f"{raw.dtype} of shape {raw.shape}"
        hint = "encsim.Capture.read reads a file" if isinstance(values, str) else ""
        checks.refuse(label, "be one row of real numbers", shown, hint=hint)
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
        bound=Orders(),
        correlation=Orders(),
        harmonics_cosine=Orders(),
        harmonics_sine=Orders(),
        jitter_colour="",
        jitter_bandwidth=np.nan,
        averaging_time=np.empty(0),
        allan_deviation=np.empty(0),
        step=(0.0, 0.0),
        cyclic=(np.nan, np.nan),
        drift=(0.0, 0.0),
        valid=False,
        reasons=(reason,),
        remarks=(),
        cosine=c,
        sine=s,
    )


def _of_unit_amplitude(fit: ChannelFit, middle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Amplitude, offsets, gain, phase and waves for unit amplitude, and their derivatives by q."""
    q, a = fit.q, fit.q[2]
    offset, waves = (q[:2] + middle) / a, q[5 : 5 + len(fit.waves)] / a
    values = np.array([a, *offset, q[3] / a - 1.0, q[4], *waves])
    slopes = np.zeros((len(values), len(q)))
    slopes[:, 2] = [1.0, *(-offset / a), -q[3] / a**2, 0.0, *(-waves / a)]
    slopes[1, 0] = slopes[2, 1] = slopes[3, 3] = 1.0 / a
    slopes[4, 4] = 1.0
    for row in range(5, len(values)):
        slopes[row, row] = 1.0 / a
    return values, slopes


def _signal(fit: ChannelFit, values: np.ndarray, known: _Known) -> tuple[Signal | None, tuple[str, ...]]:
    """The signal, or None and the reasons why there is none."""
    if np.hypot(values[1], values[2] / (1.0 + values[3])) >= 1.0:
        offset = f"({values[1]:.4g}, {values[2]:.4g})"
        return None, (
            f"the offset {offset} of unit amplitude is larger than the signal: take mid-scale off first",
        )
    jitter = 0.0
    if known.period is not None and not np.isnan(fit.jitter[0]):
        jitter = fit.jitter[0] * known.period / (2.0 * np.pi)
    corner = _bandwidth(fit, known.rate)
    of_speed: dict[str, Any] = {name: value for name, (value, _) in _of_speed(fit, known.rate).items()}
    try:
        return Signal(
            offset=tuple(values[1:3].tolist()),
            gain=float(values[3]),
            phase=float(values[4]),
            harmonics={
                n: float(size) for (n, part), size in zip(fit.waves, values[5:], strict=True) if part == 0
            },
            noise=float(fit.noise[0] / fit.q[2]),
            jitter=float(jitter),
            jitter_bandwidth=corner if jitter and np.isfinite(corner) else None,
            **of_speed,
        ), ()
    except checks.InputError as error:
        return None, tuple(str(error).splitlines())


def _uncertainty(fit: ChannelFit, errors: np.ndarray, size: float, known: _Known) -> Orders:
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
        common = {n: error for (n, part), error in zip(fit.waves, sizes[5:], strict=True) if part == 0}
        entries["harmonics"] = Orders(common)
        entries["phase_jitter"] = float(fit.jitter[1])
        if known.period is not None:
            entries["jitter"] = float(fit.jitter[1] * known.period / (2.0 * np.pi))
    entries |= {name: error for name, (_, error) in _of_speed(fit, known.rate).items()}
    return Orders(entries)
