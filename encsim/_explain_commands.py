"""The command that explains: arguments to objects to results; every formula is elsewhere."""

from . import _arguments, _explain_reports, _loop_commands, _outputs
from ._outputs import Delivery, Faults, JobFailed, Progress


def explain(args):
    """Why an axis runs roughly at a speed, and what would help."""
    faults = Faults()
    with faults:
        _outputs.check_targets(args, ["--csv", "--plot"], [args.axis])
    axis, speed = _arguments.read_axis(args, faults), None
    if axis is not None:
        with faults:
            speed = _loop_commands.speed_of(args.speed, axis)
    faults.done()
    found = _explained(axis, speed, args)
    delivery = Delivery(args)
    delivery.json(found.to_dict)
    delivery.table(found)
    delivery.picture(args.plot, found.plot)
    delivery.report(lambda: _explain_reports.explanation(found, cautious=not args.quiet))
    delivery.send()
    if found.agrees is False:
        raise JobFailed(f"{_explain_reports.disagreement(found)}")
    return 0


def _explained(axis, speed, args):
    from .explanation import explain as find

    work = "computing and simulating remedies" if args.verify else "computing remedies"
    with Progress(args, work), _loop_commands.told(args, axis):
        return find(axis, speed, verify=args.verify)
