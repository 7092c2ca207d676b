"""What may be asked on the command line: commands, their options and their help.

Only the standard library's parser is loaded here, so that help comes at once.
"""

import argparse

from . import _ring_options


class UsageError(Exception):
    """A command line that cannot be read; its text is one line."""


class Parser(argparse.ArgumentParser):
    """A parser whose help begins with examples, and which reports a fault in one line."""

    def __init__(self, *, examples="", **settings):
        self.names = []
        self.examples = examples
        super().__init__(allow_abbrev=False, formatter_class=argparse.RawDescriptionHelpFormatter, **settings)

    def add_argument(self, *names, **settings):
        """Add an argument and remember its names, for the check of spelling."""
        self.names += [name for name in names if name.startswith("-")]
        return super().add_argument(*names, **settings)

    def format_help(self):
        """Examples first, then the usual help."""
        return f"{self.examples}\n{super().format_help()}"

    def print_help(self, file=None):
        """Print the help; unlike the base class let a failed write be known."""
        print(self.format_help(), end="", file=file)

    def error(self, message):
        """Raise instead of printing the usage and leaving."""
        raise UsageError(f"{message} (see {self.prog} --help)")


AXIS_HELP = "axis file (TOML); - is stdin"
SPEED_HELP = 'speed with its unit, "2 mm/s" or "30 rpm"'
PLOT_HELP = "draw a figure: .png, .svg or .pdf"


def _common(parser):
    """Options every command has."""
    parser.add_argument("--quiet", action="store_true", help="no progress, hints or cautions")
    parser.add_argument("--debug", action="store_true", help="show the traceback of a crash")


def _axis(parser):
    """The axis file and changes tried on it."""
    parser.add_argument("axis", metavar="axis.toml", help=AXIS_HELP)
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help='try a change without editing: sampling.rate="8 kHz"; may be repeated',
    )


def _outputs(parser, plot=PLOT_HELP, table="the series"):
    """Where results go."""
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object on stdout, nothing else there"
    )
    if table:
        parser.add_argument("--csv", metavar="FILE", help=f"write {table} as a table; - is stdout")
    if plot:
        parser.add_argument("--plot", metavar="FILE", help=plot)
    _force(parser)


def _force(parser):
    parser.add_argument(
        "--force", action="store_true", help="replace output files that exist (default: refuse)"
    )


def _chance(parser):
    parser.add_argument(
        "--seed", default="0", metavar="N", help="whole number that fixes all chance (default: 0)"
    )
    parser.add_argument("--threads", metavar="N", help="threads to compute with (default: as many as useful)")


def _new(parser):
    parser.add_argument("axis", metavar="axis.toml", help="axis file to write; - is stdout")
    parser.add_argument("--rotary", action="store_true", help="a rotary scale (default: a linear one)")
    _force(parser)


def _ripple(parser):
    _axis(parser)
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
    _chance(parser)
    _outputs(parser)


def _period(parser):
    _axis(parser)
    parser.add_argument(
        "--speed",
        default=None,
        help=f"{SPEED_HELP}; matters with a readhead bandwidth, a skew or averaging (default: standstill)",
    )
    _outputs(
        parser,
        plot="draw the error over a period: .png, .svg or .pdf",
        table="error and channels over a period",
    )
    parser.add_argument(
        "--plot-channels", metavar="FILE", help="draw one channel against the other: .png, .svg or .pdf"
    )


def _simulate(parser):
    _axis(parser)
    parser.add_argument("--speed", required=True, help=f"{SPEED_HELP}; negative runs backwards")
    parser.add_argument(
        "--seconds", required=True, metavar="TIME", help='length of the run, "1 s", "20 ms" or 1 (s)'
    )
    parser.add_argument(
        "--start", default=None, metavar="POSITION", help='true start position, "5 um" (default: 0)'
    )
    _chance(parser)
    _outputs(parser, table="time, position and velocity")


def _identify(parser):
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
    _outputs(parser, plot="draw the recorded channels and the fit: .png, .svg or .pdf", table=None)


def _limits(parser):
    _axis(parser)
    _outputs(parser, plot=None, table=None)


def _loop(parser):
    _axis(parser)
    parser.add_argument(
        "--speeds", metavar="SPEEDS", help="speeds of the smoothness, as of encsim ripple (default: as there)"
    )
    parser.add_argument(
        "--speed",
        help=f"{SPEED_HELP}, of the margins: friction, filters that follow the speed, and the encoder's lines in "
        "--plot-margins (default: standstill)",
    )
    parser.add_argument(
        "--simulate",
        action="store_true",
        help="run up to 12 of the speeds in the time domain too, with friction, cogging, limits and counts",
    )
    parser.add_argument(
        "--seed", default="0", metavar="N", help="whole number that fixes all chance (default: 0)"
    )
    _outputs(parser, plot="draw the three curves against speed: .png, .svg or .pdf")
    parser.add_argument(
        "--plot-margins", metavar="FILE", help="draw the open loop with its margins: .png, .svg or .pdf"
    )
    parser.add_argument(
        "--plot-folded",
        metavar="FILE",
        help="draw where the loop sees the encoder's lines at --speed, and what it makes of them: .png, .svg or .pdf",
    )


def _run(parser):
    _axis(parser)
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
    _outputs(parser, plot="draw velocity, following error and force against time: .png, .svg or .pdf",
             table="all samples")  # fmt: skip


def _step(parser):
    _axis(parser)
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
        "--speed", help=f"{SPEED_HELP}, about which friction and filters are taken (default: standstill)"
    )
    _outputs(parser, plot="draw the answer against time: .png, .svg or .pdf", table="all samples")


def _tune(parser):
    _axis(parser)
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
        "--speed", help=f"{SPEED_HELP}, of that ripple and of the margins (default: standstill)"
    )
    _outputs(parser, plot="draw the open loop with the proposed gains: .png, .svg or .pdf", table=None)
    parser.add_argument(
        "--write-axis", metavar="FILE", help="write an axis file with the proposed gains; - is stdout"
    )


def _frontier(parser):
    _axis(parser)
    parser.add_argument("--speed", required=True, help=SPEED_HELP)
    parser.add_argument(
        "--estimators",
        metavar="LIST",
        help='kinds as in an axis file, each with values: "difference 1, 4, 16; low-pass 300 Hz, 1 kHz order=2; '
        'tracking 80 Hz; kalman 2 m/s2; count-and-time 50 MHz window=5 ms"; "own" is that of the axis '
        "(default: that and some 40 around it)",
    )
    _outputs(parser, plot="draw delay against ripple: .png, .svg or .pdf", table="all candidates")


def _explain(parser):
    _axis(parser)
    parser.add_argument("--speed", required=True, help=f"{SPEED_HELP}; 0 is standstill")
    parser.add_argument(
        "--verify",
        action="store_true",
        help="check each remedy that helps by simulation, 64 runs each, as long as they need to settle",
    )
    _outputs(parser, plot="draw causes and remedies: .png, .svg or .pdf", table="causes and remedies")


def _tolerance(parser):
    _axis(parser)
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
    _outputs(parser, plot="draw the band of ripple and who passes: .png, .svg or .pdf", table="the band")


def _choose(parser):
    _axis(parser)
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
    _outputs(parser, plot="draw ripple against cost or delay: .png, .svg or .pdf", table="all candidates")


def _report(parser):
    _axis(parser)
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
    _force(parser)


def _ring(parser):
    _axis(parser)
    _ring_options.ring(parser)
    _outputs(parser, **_ring_options.RING_OUTPUTS)
    _ring_options.ring_pictures(parser)


def _calibrate(parser):
    _ring_options.calibrate(parser)
    _outputs(parser, **_ring_options.CALIBRATE_OUTPUTS)


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
        _loop,
        "say how stable the closed loop is and how smoothly it runs",
        "  encsim loop axis.toml --plot smoothness.svg --plot-margins margins.svg\n"
        '  encsim loop axis.toml --speeds "0.1 mm/s : 1 m/s : 100" --set control.velocity_gain="3 kN s/m" --simulate',
    ),
    "run": (
        _run,
        "run the closed loop in time, with friction, cogging, limits and counts",
        '  encsim run axis.toml --profile "trapezoid 10 mm, 50 mm/s, 2 m/s2" --plot move.svg\n'
        '  encsim run axis.toml --speed "2 mm/s" --seconds "500 ms" --csv run.csv',
    ),
    "step": (
        _step,
        "say how the closed loop answers a step or a ramp",
        "  encsim step axis.toml --plot step.svg\n"
        '  encsim step axis.toml --of load --size "20 N" --csv push.csv',
    ),
    "tune": (
        _tune,
        "propose gains for margins and a torque ripple, and say what binds",
        "  encsim tune axis.toml --phase-margin 60 --sensitivity-peak 1.7\n"
        '  encsim tune axis.toml --torque-ripple "0.5 N" --speed "10 mm/s" --write-axis tuned.toml',
    ),
    "frontier": (
        _frontier,
        "compare velocity estimators: delay against ripple at one speed",
        '  encsim frontier axis.toml --speed "10.3 mm/s" --plot frontier.svg\n'
        '  encsim frontier axis.toml --speed "10.3 mm/s" --estimators "own; difference 1, 8; low-pass 300 Hz"',
    ),
    "explain": (
        _explain,
        "say in plain words why an axis runs roughly at a speed, and what would help",
        '  encsim explain axis.toml --speed "5 mm/s" --plot remedies.svg\n'
        '  encsim explain axis.toml --speed "5 mm/s" --verify --json',
    ),
    "choose": (
        _choose,
        "rank candidates by a requirement: which fit, what binds, what finer resolution gains",
        '  encsim choose axis.toml --try "interpolation.factor=400, 1000, 4000"\n'
        "  encsim choose axis.toml --requirement limits.toml --candidates catalogue.toml --plot choice.svg\n"
        "  encsim choose coarse.toml fine.toml --requirement limits.toml",
    ),
    "tolerance": (
        _tolerance,
        "say how many axes of a design pass, and which tolerance to tighten",
        "  encsim tolerance axis.toml --plot pass.svg\n"
        "  encsim tolerance axis.toml --spread spread.toml --requirement limits.toml --samples 10000 "
        "--resume axes.npz",
    ),
    "report": (
        _report,
        "write one page about the axis for those who do not compute: a file for a browser or a mail",
        "  encsim report axis.toml -o page.html\n"
        '  encsim report axis.toml -o page.html --requirement limits.toml --speeds "5 mm/s, 72 mm/s" --title "Stage X"',
    ),
    "ring": (
        _ring,
        "say what a mounted ring gets wrong, what heads leave of it, and how well to centre it",
        _ring_options.RING_EXAMPLES,
    ),
    "calibrate": (
        _calibrate,
        "make error maps of two rings read against each other, or of one against a reference",
        _ring_options.CALIBRATE_EXAMPLES,
    ),
}
# Commands whose functions are not in _commands.
HOMES = dict.fromkeys(("loop", "tune", "frontier"), "_loop_commands")
HOMES |= dict.fromkeys(("run", "step"), "_run_commands")
HOMES["choose"] = "_choose_commands"
HOMES["tolerance"] = "_tolerance_commands"
HOMES |= {"ring": "_ring_commands", "calibrate": "_calibration_commands"}
HOMES["explain"] = "_explain_commands"
HOMES["report"] = "_page_commands"

TOP_EXAMPLES = """examples:
  encsim new axis.toml
  encsim ripple axis.toml --plot ripple.svg
"""


def build_parser(command=None):
    """The parser of the whole line, or of one command alone."""
    if command is not None:
        add, purpose, examples = COMMANDS[command]
        parser = Parser(
            prog=f"encsim {command}",
            description=f"{purpose[0].upper()}{purpose[1:]}.",
            examples=f"examples:\n{examples}\n",
        )
        add(parser)
        _common(parser)
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
