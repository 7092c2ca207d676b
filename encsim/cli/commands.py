"""What may be asked on the command line: commands, their options and their help.

Only the standard library's parser is loaded here, so that help comes at once.
"""

from __future__ import annotations

from . import options
from .parser import SPEED_HELP, Parser, axis, chance, common, force, outputs


def _new(parser: Parser) -> None:
    parser.add_argument("axis", metavar="axis.toml", help="axis file to write; - is stdout")
    parser.add_argument("--rotary", action="store_true", help="a rotary scale (default: a linear one)")
    force(parser)


def _ripple(parser: Parser) -> None:
    axis(parser)
    parser.add_argument(
        "--speeds",
        metavar="SPEEDS",
        help='"a : b : n" for n speeds evenly spaced on a logarithmic axis, 0 < a < b, or a list '
        '"1 mm/s, 5 mm/s"; each with a unit (default: 100 speeds, from a hundredth of a count a '
        "sample to 3.45 periods a sample or the top speed, if that is lower)",
    )
    parser.add_argument(
        "--simulate",
        action="store_true",
        help="check up to 12 of the speeds by simulation: 16 starts of 8192 samples each, more where counts "
        "come slower (rms within some 0.5 %%)",
    )
    chance(parser)
    outputs(parser)


def _period(parser: Parser) -> None:
    axis(parser)
    parser.add_argument(
        "--speed",
        default=None,
        help=f"{SPEED_HELP}; matters with a readhead bandwidth, a skew or averaging (default: standstill)",
    )
    outputs(
        parser,
        plot="draw the error over a period: .png, .svg or .pdf",
        table="error and channels over a period",
    )
    parser.add_argument(
        "--plot-channels", metavar="FILE", help="draw one channel against the other: .png, .svg or .pdf"
    )


def _simulate(parser: Parser) -> None:
    axis(parser)
    parser.add_argument("--speed", required=True, help=f"{SPEED_HELP}; negative runs backwards")
    parser.add_argument(
        "--seconds", required=True, metavar="TIME", help='length of the run, "1 s", "20 ms" or 1 (s)'
    )
    parser.add_argument(
        "--start", default=None, metavar="POSITION", help='true start position, "5 um" (default: 0)'
    )
    chance(parser)
    outputs(parser, table="time, position and velocity")


def _identify(parser: Parser) -> None:
    parser.add_argument("capture", metavar="capture.csv", help="recorded channels, a column each; - is stdin")
    parser.add_argument(
        "--columns",
        metavar="COS,SIN",
        help="names in the header line, or numbers from 1 (default: the first two columns)",
    )
    parser.add_argument(
        "--period",
        metavar="LENGTH",
        help='signal period, "20 um" or "0.04 deg": also says the faults as position error',
    )
    parser.add_argument(
        "--steady",
        action="store_true",
        help="the recorded motion is at constant speed: also fit harmonics and noise",
    )
    parser.add_argument(
        "--write-axis", metavar="FILE", help="write an axis file with the fitted signal; needs --period"
    )
    outputs(parser, plot="draw the recorded channels and the fit: .png, .svg or .pdf", table=None)


def _limits(parser: Parser) -> None:
    axis(parser)
    outputs(parser, plot=None, table=None)


def _ring(parser: Parser) -> None:
    axis(parser)
    options.ring(parser)
    outputs(parser, **options.RING_OUTPUTS)
    options.ring_pictures(parser)


def _calibrate(parser: Parser) -> None:
    options.calibrate(parser)
    outputs(parser, **options.CALIBRATE_OUTPUTS)


COMMANDS = {
    "new": (
        _new,
        "write a commented starter axis file",
        "  encsim new axis.toml\n  encsim new turntable.toml --rotary",
    ),
    "ripple": (
        _ripple,
        "predict the velocity ripple at every speed, by cause",
        "  encsim ripple axis.toml --plot ripple.svg\n"
        '  encsim ripple axis.toml --speeds "0.1 mm/s : 1 m/s : 200" --set sampling.rate="8 kHz" --csv r.csv',
    ),
    "period": (
        _period,
        "show what the encoder gets wrong within one signal period",
        "  encsim period axis.toml --plot error.svg --plot-channels channels.svg\n"
        '  encsim period axis.toml --speed "2 m/s" --json',
    ),
    "simulate": (
        _simulate,
        "run the axis at one speed, sample by sample",
        '  encsim simulate axis.toml --speed "2 mm/s" --seconds 1 --plot run.svg\n'
        '  encsim simulate axis.toml --speed "2 mm/s" --seconds "50 ms" --csv - | head',
    ),
    "identify": (
        _identify,
        "fit the signal faults of two recorded channels",
        "  encsim identify capture.csv --columns cos,sin\n"
        '  encsim identify capture.csv --period "20 um" --write-axis axis.toml',
    ),
    "limits": (
        _limits,
        "say the top speed and what limits it, resolution and vanishing speeds",
        "  encsim limits axis.toml\n  encsim limits axis.toml --json",
    ),
    "loop": (
        options.loop,
        "say how stable the closed loop is and how smoothly it runs",
        "  encsim loop axis.toml --plot smoothness.svg --plot-margins margins.svg\n"
        '  encsim loop axis.toml --speeds "0.1 mm/s : 1 m/s : 100" --set control.velocity_gain="3 kN s/m" --simulate',
    ),
    "run": (
        options.run,
        "run the closed loop in time, with friction, cogging, limits and counts",
        '  encsim run axis.toml --profile "trapezoid 10 mm, 50 mm/s, 2 m/s2" --plot move.svg\n'
        '  encsim run axis.toml --speed "2 mm/s" --seconds "500 ms" --csv run.csv',
    ),
    "step": (
        options.step,
        "say how the closed loop answers a step or a ramp",
        "  encsim step axis.toml --plot step.svg\n"
        '  encsim step axis.toml --of load --size "20 N" --csv push.csv',
    ),
    "tune": (
        options.tune,
        "propose gains for margins and a torque ripple, and say what binds",
        "  encsim tune axis.toml --phase-margin 60 --sensitivity-peak 1.7\n"
        '  encsim tune axis.toml --torque-ripple "0.5 N" --speed "10 mm/s" --write-axis tuned.toml',
    ),
    "frontier": (
        options.frontier,
        "compare velocity estimators: delay against ripple at one speed",
        '  encsim frontier axis.toml --speed "10.3 mm/s" --plot frontier.svg\n'
        '  encsim frontier axis.toml --speed "10.3 mm/s" --estimators "own; difference 1, 8; low-pass 300 Hz"',
    ),
    "explain": (
        options.explain,
        "say in plain words why an axis runs roughly at a speed, and what would help",
        '  encsim explain axis.toml --speed "5 mm/s" --plot remedies.svg\n'
        '  encsim explain axis.toml --speed "5 mm/s" --verify --json',
    ),
    "choose": (
        options.choose,
        "rank candidates by a requirement: which fit, what binds, what finer resolution gains",
        '  encsim choose axis.toml --try "interpolation.factor=400, 1000, 4000"\n'
        "  encsim choose axis.toml --requirement limits.toml --candidates catalogue.toml --plot choice.svg\n"
        "  encsim choose coarse.toml fine.toml --requirement limits.toml",
    ),
    "tolerance": (
        options.tolerance,
        "say how many axes of a design pass, and which tolerance to tighten",
        "  encsim tolerance axis.toml --plot pass.svg\n"
        "  encsim tolerance axis.toml --spread spread.toml --requirement limits.toml --samples 10000 "
        "--resume axes.npz",
    ),
    "report": (
        options.report,
        "write one page about the axis for those who do not compute: a file for a browser or a mail",
        "  encsim report axis.toml -o page.html\n"
        '  encsim report axis.toml -o page.html --requirement limits.toml --speeds "5 mm/s, 72 mm/s" --title "Stage X"',
    ),
    "ring": (
        _ring,
        "say what a mounted ring gets wrong, what heads leave of it, and how well to centre it",
        options.RING_EXAMPLES,
    ),
    "calibrate": (
        _calibrate,
        "make error maps of two rings read against each other, or of one against a reference",
        options.CALIBRATE_EXAMPLES,
    ),
}
# Commands whose functions are not in _commands.
HOMES = dict.fromkeys(("loop", "tune", "frontier"), "loop_commands")
HOMES |= dict.fromkeys(("run", "step"), "run_commands")
HOMES["choose"] = "decision_commands"
HOMES["tolerance"] = "tolerance_commands"
HOMES |= {"ring": "ring_commands", "calibrate": "calibration_commands"}
HOMES["explain"] = "decision_commands"
HOMES["report"] = "page_commands"

TOP_EXAMPLES = """examples:
  encsim new axis.toml
  encsim ripple axis.toml --plot ripple.svg
"""


def build_parser(command: str | None = None) -> Parser:
    """The parser of the whole line, or of one command alone."""
    if command is not None:
        add, purpose, examples = COMMANDS[command]
        parser = Parser(
            prog=f"encsim {command}",
            description=f"{purpose[0].upper()}{purpose[1:]}.",
            examples=f"examples:\n{examples}\n",
        )
        add(parser)
        common(parser)
        return parser
    listing = "\n".join(f"  {name:10} {purpose}" for name, (_, purpose, _) in COMMANDS.items())
    parser = Parser(
        prog="encsim",
        usage="encsim COMMAND ...",
        examples=TOP_EXAMPLES,
        description="Predict how smoothly an axis with a position encoder runs at each speed, and why.",
        epilog=f"commands:\n{listing}\n\nencsim help COMMAND tells about one of them.\n"
        "Exit status: 0 done, 1 the job failed or a fit is refused, 2 wrong input, 130 interrupted.",
    )
    parser.add_argument("--version", action="store_true", help="show the version and exit")
    return parser
