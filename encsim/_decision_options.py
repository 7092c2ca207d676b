"""Options of the commands that explain, choose, spread and report."""

from ._shared_options import SPEED_HELP, axis, force, outputs


def explain(parser):
    axis(parser)
    parser.add_argument("--speed", required=True, help=f'{SPEED_HELP}; "0 mm/s" is standstill')
    parser.add_argument(
        "--verify",
        action="store_true",
        help="check each remedy that helps by simulation, 64 runs each, as long as they need to settle",
    )
    outputs(parser, plot="draw causes and remedies: .png, .svg or .pdf", table="causes and remedies")


def tolerance(parser):
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


def choose(parser):
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


def report(parser):
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
