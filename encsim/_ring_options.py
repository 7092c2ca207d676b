"""Options of the commands about rings and their calibration."""

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


def ring(parser):
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


def ring_pictures(parser):
    """A picture beside the one that every command draws."""
    parser.add_argument(
        "--plot-polar",
        metavar="FILE",
        help="draw ring and heads to scale, the error enlarged: .png, .svg or .pdf",
    )


def calibrate(parser):
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


def _map(parser):
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
