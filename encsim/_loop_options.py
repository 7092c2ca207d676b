"""Options of the commands about the closed loop and its estimators."""

from ._shared_options import SPEED_HELP, axis, outputs


def loop(parser):
    axis(parser)
    parser.add_argument(
        "--speeds",
        metavar="SPEEDS",
        help="speeds of the smoothness, as of encsim ripple (default: as there, but with timed edges those at which "
        "the loop is stable)",
    )
    parser.add_argument(
        "--speed",
        help=f"{SPEED_HELP}, of the margins: friction, filters that follow the speed, the age of timed edges, which "
        "need it, and the encoder's lines in --plot-margins (default: standstill)",
    )
    parser.add_argument(
        "--simulate",
        action="store_true",
        help="run up to 12 of the speeds in the time domain too, with friction, cogging, limits and counts",
    )
    parser.add_argument(
        "--seed", default="0", metavar="N", help="whole number that fixes all chance (default: 0)"
    )
    outputs(parser, plot="draw the three curves against speed: .png, .svg or .pdf")
    parser.add_argument(
        "--plot-margins", metavar="FILE", help="draw the open loop with its margins: .png, .svg or .pdf"
    )
    parser.add_argument(
        "--plot-folded",
        metavar="FILE",
        help="draw where the loop sees the encoder's lines at --speed, and what it makes of them: .png, .svg or .pdf",
    )


def run(parser):
    axis(parser)
    parser.add_argument("--speed", help=f"steady motion: {SPEED_HELP}; this or --profile")
    parser.add_argument(
        "--profile",
        metavar="MOTION",
        help='"trapezoid 10 mm, 50 mm/s, 2 m/s2" (distance, speed, acceleration), "s-curve 10 mm, 50 mm/s, 2 m/s2, '
        '100 m/s3" (and jerk), "sine 0.1 mm, 2 Hz" (amplitude, frequency), or "file move.csv": a table with the '
        "columns time and position, units in its header (time_ms, position_mm)",
    )
    parser.add_argument(
        "--seconds",
        metavar="TIME",
        help='length of the run, "1 s", "20 ms" or 1 (s) (default: the move and the time the loop needs to settle, 4 '
        "cycles of a sine, 1 s or more of a steady motion)",
    )
    parser.add_argument(
        "--seed", default="0", metavar="N", help="whole number that fixes all chance (default: 0)"
    )
    outputs(parser, plot="draw velocity, following error and force against time: .png, .svg or .pdf",
             table="all samples")  # fmt: skip


def step(parser):
    axis(parser)
    parser.add_argument(
        "--of",
        default="position",
        metavar="WHAT",
        help="what steps: position (the demand), velocity (its command, position loop open), load (a torque on it) "
        "or ramp, a demand that sets off at a constant speed (default: position)",
    )
    parser.add_argument(
        "--size",
        metavar="SIZE",
        help='height of the step "10 um", "2 mm/s" or "20 N", or speed of the ramp (default: a signal period, 100 '
        "signal periods a second, a tenth of the torque limit)",
    )
    parser.add_argument(
        "--seconds",
        metavar="TIME",
        help='time to look at, "50 ms" (default: until 0.1 %% is left of the start)',
    )
    parser.add_argument(
        "--speed",
        help=f"{SPEED_HELP}, about which friction, filters and the age of timed edges, which need it, are taken "
        "(default: standstill)",
    )
    outputs(parser, plot="draw the answer against time: .png, .svg or .pdf", table="all samples")


def tune(parser):
    axis(parser)
    parser.add_argument(
        "--phase-margin", default="60", metavar="DEG", help="least phase margin, degrees (default: 60)"
    )
    parser.add_argument(
        "--sensitivity-peak", default="1.7", metavar="RATIO", help="largest sensitivity peak (default: 1.7)"
    )
    parser.add_argument(
        "--torque-ripple",
        metavar="TORQUE",
        help='largest rms of the torque or force that encoder errors cause, "0.05 N m" or "2 N" (default: no limit)',
    )
    parser.add_argument(
        "--speed",
        help=f"{SPEED_HELP}, of that ripple and of the margins; with timed edges needed, the lowest working speed, "
        "since slower they are older (default: standstill)",
    )
    outputs(parser, plot="draw the open loop with the proposed gains: .png, .svg or .pdf", table=None)
    parser.add_argument(
        "--write-axis", metavar="FILE", help="write an axis file with the proposed gains; - is stdout"
    )


def frontier(parser):
    axis(parser)
    parser.add_argument("--speed", required=True, help=SPEED_HELP)
    parser.add_argument(
        "--estimators",
        metavar="LIST",
        help='kinds as in an axis file, each with values: "difference 1, 4, 16; low-pass 300 Hz, 1 kHz order=2; '
        'tracking 80 Hz; kalman 2 m/s2; count-and-time 50 MHz window=5 ms"; "own" is that of the axis '
        "(default: that and some 40 around it)",
    )
    outputs(parser, plot="draw delay against ripple: .png, .svg or .pdf", table="all candidates")
