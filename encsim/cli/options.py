"""Options of the commands about the closed loop and its estimators.

Options of the commands that explain, choose, spread and report.

Options of the commands about rings and their calibration.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .parser import SPEED_HELP, axis, force, outputs

if TYPE_CHECKING:
    from .parser import Parser


def loop(parser: Parser) -> None:
    """Options of ``loop``."""
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


def run(parser: Parser) -> None:
    """Options of ``run``."""
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


def step(parser: Parser) -> None:
    """Options of ``step``."""
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


def tune(parser: Parser) -> None:
    """Options of ``tune``."""
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


def frontier(parser: Parser) -> None:
    """Options of ``frontier``."""
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


def explain(parser: Parser) -> None:
    """Options of ``explain``."""
    axis(parser)
    parser.add_argument("--speed", required=True, help=f'{SPEED_HELP}; "0 mm/s" is standstill')
    parser.add_argument(
        "--verify",
        action="store_true",
        help="check each remedy that helps by simulation, 64 runs each, as long as they need to settle",
    )
    outputs(parser, plot="draw causes and remedies: .png, .svg or .pdf", table="causes and remedies")


def tolerance(parser: Parser) -> None:
    """Options of ``tolerance``."""
    axis(parser)
    parser.add_argument(
        "--spread",
        metavar="FILE",
        help="file whose [spread] says what differs from axis to axis (default: that of the axis file): lines such as "
        'signal.gain = {normal = 0.01} (standard deviation), signal.phase = {uniform = "5 mrad"} or '
        '{triangular = "5 mrad"} (half of the width); with temperature = {uniform = "15 K"} also per_kelvin = "9 urad"',
    )
    parser.add_argument(
        "--requirement",
        metavar="FILE",
        help="file whose [requirement] the axes are held to (default: that of the axis file, if it has one)",
    )
    parser.add_argument("--samples", default="1000", metavar="N", help="axes to draw (default: 1000)")
    parser.add_argument("--speeds", metavar="SPEEDS", help="as of encsim ripple (default: as there)")
    parser.add_argument(
        "--seed", default="0", metavar="N", help="whole number that fixes all chance (default: 0)"
    )
    parser.add_argument(
        "--workers",
        metavar="N",
        help="processes to compute with (default: one a CPU); no number depends on it",
    )
    parser.add_argument(
        "--resume", metavar="FILE", help="keep finished axes in this file, and go on from there next time"
    )
    outputs(parser, plot="draw the band of ripple and who passes: .png, .svg or .pdf", table="the band")


def choose(parser: Parser) -> None:
    """Options of ``choose``."""
    axis(parser)
    parser.add_argument(
        "others",
        nargs="*",
        metavar="other.toml",
        help="further axis files: these and the first are then the candidates",
    )
    parser.add_argument(
        "--requirement",
        metavar="FILE",
        help="file whose [requirement] counts (default: that of the axis file)",
    )
    parser.add_argument(
        "--try",
        action="append",
        default=[],
        metavar="KEY=VALUES",
        help='values to try, "interpolation.factor=400, 4000" or "estimator=difference 1, 8; low-pass 300 Hz"; may '
        "be repeated: all combinations are tried",
    )
    parser.add_argument(
        "--candidates",
        metavar="FILE",
        help="file whose [candidates] lists the values, and their costs (default: that of the axis file)",
    )
    parser.add_argument(
        "--limit", default="100000", metavar="N", help="refuse more combinations than this (default: 100000)"
    )
    outputs(parser, plot="draw ripple against cost or delay: .png, .svg or .pdf", table="all candidates")


def report(parser: Parser) -> None:
    """Options of ``report``."""
    axis(parser)
    parser.add_argument(
        "-o", "--output", required=True, metavar="page.html", help="page to write; - is stdout"
    )
    parser.add_argument(
        "--speeds",
        metavar="SPEEDS",
        help='a range to show, "a : b : n" with n from 20 on, or up to 12 speeds that get a place of their own on the '
        "speed slider (default: the range of the requirement, else that of encsim ripple)",
    )
    parser.add_argument(
        "--requirement",
        metavar="FILE",
        help="file whose [requirement] the axis is judged by (default: that of the axis file, if it has one)",
    )
    parser.add_argument("--title", metavar="TEXT", help="heading of the page")
    parser.add_argument(
        "--samples",
        default="500",
        metavar="N",
        help="axes to draw where the axis file has a [spread] (default: 500; 0: leave it out)",
    )
    parser.add_argument(
        "--seed", default="0", metavar="N", help="whole number that fixes all chance (default: 0)"
    )
    parser.add_argument(
        "--reproducible", action="store_true", help="leave the date out: the same bytes each time"
    )
    force(parser)


MATERIALS = ("steel", "stainless", "aluminium")
RING_EXAMPLES = (
    "  encsim ring table.toml --plot ring.svg\n"
    "  encsim ring table.toml --find-heads 3 --suppress 2,3,6\n"
    '  encsim ring table.toml --require "5 arcsec" --speed "3000 rpm" --yield-stress "300 MPa"'
)
CALIBRATE_EXAMPLES = (
    "  encsim calibrate --plan --steps 11 --points 720\n"
    '  encsim calibrate readings.csv --plot maps.svg --write-c ring_error.c --orders 1-20 --bound "0.02 arcsec"'
)


def ring(parser: Parser) -> None:
    """What may be asked of a mounted ring, beside axis file and outputs."""
    parser.add_argument(
        "--heads", metavar="ANGLES", help='where heads stand, "0 deg, 180 deg" (default: as in the axis file)'
    )
    parser.add_argument(
        "--find-heads", metavar="N", help="search angles for 2, 3 or 4 heads that leave as little as possible"
    )
    parser.add_argument(
        "--suppress",
        metavar="ORDERS",
        help='orders that they shall suppress, "2, 3, 6-8" (default: those of the ring, by size)',
    )
    parser.add_argument(
        "--sectors",
        metavar="RANGES",
        help='where they may stand, "0 deg : 120 deg, 180 deg : 300 deg" (default: anywhere)',
    )
    parser.add_argument(
        "--spacing", metavar="ANGLE", help="smallest angle between two of them (default: none)"
    )
    parser.add_argument(
        "--require",
        metavar="ANGLE",
        help='what the error may be at most, "5 arcsec": says what that allows each fault of the mounting',
    )
    parser.add_argument(
        "--speed", help='growth and stress at a speed, "3000 rpm"; safety needs --yield-stress too'
    )
    parser.add_argument("--temperature", metavar="RISE", help='growth by a rise of temperature, "20 K"')
    parser.add_argument(
        "--material",
        default="steel",
        metavar="NAME",
        help=f"round figures of {', '.join(MATERIALS)} for both (default: steel)",
    )
    parser.add_argument("--yield-stress", metavar="STRESS", help='at which your ring yields, "300 MPa"')
    parser.add_argument(
        "--run-out",
        metavar="FILE",
        help="readings round the ring: angle_deg,reading_um of a dial gauge (and axial_um), or "
        "angle_deg,difference_arcsec of two heads; says where and how far to shift the ring",
    )
    parser.add_argument(
        "--repeatability",
        metavar="LENGTH",
        help="by how much the ring moves when it is tightened, rms in each direction (default: 0 um)",
    )
    parser.add_argument(
        "--step", metavar="LENGTH", help="smallest step to which a screw can be set (default: 0 um)"
    )


RING_OUTPUTS = {"plot": "draw error, heads and orders: .png, .svg or .pdf", "table": "the error over a turn"}


def ring_pictures(parser: Parser) -> None:
    """A picture beside the one that every command draws."""
    parser.add_argument(
        "--plot-polar",
        metavar="FILE",
        help="draw ring and heads to scale, the error enlarged: .png, .svg or .pdf",
    )


def calibrate(parser: Parser) -> None:
    """What may be asked of a calibration, beside outputs."""
    parser.add_argument(
        "readings",
        metavar="readings.csv",
        nargs="?",
        help="step_deg,angle_deg,difference_arcsec: ring A minus ring B, B turned forward by each step; - is stdin",
    )
    parser.add_argument(
        "--plan",
        action="store_true",
        help="before measuring: which orders --steps and --points lose, no readings",
    )
    parser.add_argument(
        "--steps",
        metavar="STEPS",
        help='of a plan: a number of equal steps, several of them "5, 7", or angles "0 deg, 30 deg, 75 deg"',
    )
    parser.add_argument("--points", metavar="N", help="of a plan: readings a turn")
    parser.add_argument(
        "--own-heads",
        action="store_true",
        help="one ring read by pairs of its own heads: a step is how far the second head stands ahead of the first",
    )
    parser.add_argument(
        "--reference",
        action="store_true",
        help="a pass forward and back against a reference: reference_mm,shown_mm, lengths or angles",
    )
    parser.add_argument(
        "--targets",
        action="store_true",
        help="runs to targets both ways, by ISO 230-2: target_mm,forward_um,backward_um, deviations of one run a row",
    )
    parser.add_argument(
        "--noise", metavar="ANGLE", help="standard deviation of a reading (default: from what the maps leave)"
    )
    parser.add_argument(
        "--leave-out", metavar="STEPS", help='steps not to use, counted from 0, "3, 8" (default: none)'
    )
    parser.add_argument(
        "--step-uncertainty",
        metavar="ANGLE",
        help="standard uncertainty of the angle of a step (default: 0 arcsec)",
    )
    _map(parser)


def _map(parser: Parser) -> None:
    """Which map is written, and where."""
    parser.add_argument(
        "--ring",
        default="a",
        metavar="a|b",
        help="ring whose map is written (default: a, the one that is not turned)",
    )
    parser.add_argument(
        "--orders",
        metavar="ORDERS",
        help='orders of the map that is written, "1-20" (default: all that are seen)',
    )
    parser.add_argument("--write-map", metavar="FILE", help="write that map as a table; - is stdout")
    parser.add_argument("--write-c", metavar="FILE", help="write that map as C source; - is stdout")
    parser.add_argument(
        "--bound",
        metavar="ANGLE",
        help="how far the C function may be from the map (default: a tenth of its uncertainty)",
    )


CALIBRATE_OUTPUTS = {"plot": "draw the result: .png, .svg or .pdf", "table": "both maps, or the comparison"}
