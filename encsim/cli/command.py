"""What a command is, and the one way in which every command runs: check, read, compute, deliver.

A command is one :class:`Command` in the module of its family and one row of ``parser.COMMANDS``.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from .. import wording
from ..checks import InputError, refuse
from . import outputs
from .outputs import Faults, Progress

if TYPE_CHECKING:
    import argparse

    from ..checks import Fault
    from ..presentation.report_layout import Report
    from .parser import Parser


_FAULTY = object()


@contextlib.contextmanager
def _units(job: CommandJob) -> Iterator[None]:
    """Show numbers in the units of --units, else in those typed in the command, else in those of the axis file."""
    args, axis = job.args, job.known("axis")
    # units of the speeds that are asked for stand before those of other options
    options = sorted(vars(args).items(), key=lambda option: option[0] not in ("speed", "speeds"))
    given = [part for _, value in options for part in (value if isinstance(value, list) else [value])]
    words = wording.typed(part for part in given if isinstance(part, str))
    with (
        wording.chosen(wording.asked(args.units, "--units"), always=True),
        wording.chosen(words),
        wording.chosen(getattr(axis, "shown", {})),
    ):
        yield


class Unread(Exception):
    """An input that is needed is wrong; its own fault tells why."""


class CommandJob:
    """One run of a command: its arguments, what was read from them, what was computed.

    Attributes
    ----------
    args : argparse.Namespace
    inputs : dict
        What was read, by the names of ``Command.inputs``; each is an attribute of the job too.
    result : object
        What ``Command.compute`` returned.
    progress : Progress
    """

    def __init__(self, args: argparse.Namespace) -> None:
        self.args = args
        self.inputs: dict[str, Any] = {}
        self.result: Any = None
        self.progress = Progress(args.quiet)

    def __getattr__(self, name: str) -> Any:
        if name not in self.__dict__.get("inputs", {}):
            raise AttributeError(f"no input is called {name}")
        if self.inputs[name] is _FAULTY:
            raise Unread(name)
        return self.inputs[name]

    def known(self, name: str) -> Any:
        """An input; None where it is wrong or not read yet."""
        value = self.inputs.get(name)
        return None if value is _FAULTY else value

    def option(self, name: str) -> Any:
        """Value of an option as it was typed: ``--plot-polar``; None where it was left out."""
        return getattr(self.args, name.lstrip("-").replace("-", "_"))

    @property
    def long(self) -> bool:
        """Whether all detail is asked for."""
        return bool(self.args.long)

    def warn(self, text: str) -> None:
        """One line on stderr, but none with --quiet."""
        self.progress.clear()
        if not self.args.quiet:
            outputs.say(text)


@dataclass(frozen=True)
class Output:
    """A file that a command writes where an option names it.

    Attributes
    ----------
    option : str
        Those that begin with ``--plot`` are pictures.
    help : str
    make : callable
        Text, or Axes of a picture, from the job; None where there is nothing to write.
    settings : mapping
        Further settings of the argument; ``short`` is another name of it.
    edits : bool
        Whether it changes a file that is there, which may be one that the command reads.
    """

    option: str
    help: str
    make: Callable[[CommandJob], Any]
    settings: Mapping[str, Any] = field(default_factory=lambda: {"metavar": "FILE"})
    short: str | None = None
    edits: bool = False

    @property
    def names(self) -> list[str]:
        """All names of the option."""
        return [self.option] if self.short is None else [self.short, self.option]


def table(
    what: str = "the series",
    series: Callable[[CommandJob], Any] = lambda job: job.result,
    option: str = "--csv",
) -> Output:
    """The output of a series as CSV."""

    def make(job: CommandJob) -> str | None:
        found = series(job)
        return None if found is None else found.to_csv_text()

    return Output(option, f"write {what} as a table; - is stdout", make)


def into(what: str, values: Callable[[CommandJob], Mapping[str, Any] | None]) -> Output:
    """The output that sets values, {path: SI}, in an axis file that is there; None for nothing to write."""

    def make(job: CommandJob) -> str | None:
        from ..formats import edited_files, toml_text

        found, name = values(job), job.option("--into")
        if found is None:
            return None
        job.warn(f"setting {', '.join(found)} in {name}")
        return edited_files.with_values(toml_text.read(name), found, name)

    words = f"set {what} in this axis file, which keeps its comments, order and units"
    return Output("--into", words, make, {"metavar": "AXIS"}, edits=True)


def written(job: CommandJob, text: str) -> str | Report:
    """What a command says that wrote a file; nothing with --quiet."""
    from ..presentation.report_layout import Report

    return "" if job.args.quiet else Report([text])


def picture(
    what: str = "draw a figure",
    draw: Callable[[CommandJob], Any] = lambda job: job.result.plot(),
    option: str = "--plot",
) -> Output:
    """The output of a picture."""
    return Output(option, f"{what}: .png, .svg or .pdf", draw)


def _check_axis_file(name: str) -> None:
    """Raise if ``--into`` names no axis file that can be changed."""
    from ..formats import axis_file

    if name == "-":
        refuse("--into", "name an axis file", name)
    try:
        axis_file.load(name)
    except InputError as error:
        hint = "it changes a file that is there; encsim new makes one"
        raise InputError(*(replace(fault, field="--into", hint=fault.hint or hint) if fault.field == "file" else fault
                           for fault in error.faults)) from error  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Command:
    """All that makes one command.

    Attributes
    ----------
    examples : str
        Command lines, which the help begins with.
    options : callable
        Adds arguments and options to a parser, but not those of outputs.
    inputs : mapping of str to callable
        What the options mean, each read from the job in this order. All faults are told at once; an input that needs
        another one, which is wrong, is passed over.
    compute : callable
        The result, from the job.
    text : callable
        What people read on stdout, from the job; a `Report` is laid out for the terminal.
    json : callable or None
        Plain values of ``--json``, from the job; None for a command without it.
    outputs : iterable of Output
        Files that it writes.
    reads : callable
        Names of files that it reads, None where left out: no output may be one of these.
    work : str or callable
        Line that tells of long work, or the same from the job; empty for none.
    long_files : bool
        Whether that line stays until the files are made, which takes as long.
    finish : callable
        Called when all is written: may raise JobFailed.
    functions : iterable of str
        Functions of the library that it calls: faults of their arguments are told as those of options.
    names : mapping of str to str
        What messages call such arguments where they are not called as the option.
    reword : callable
        A fault in words of the command line, from job and fault, where ``functions`` and ``names`` do not do.
    """

    examples: str
    options: Callable[[Parser], None]
    compute: Callable[[CommandJob], Any]
    text: Callable[[CommandJob], str | Report]
    inputs: Mapping[str, Callable[[CommandJob], Any]] = field(default_factory=dict)
    json: Callable[[CommandJob], Any] | None = lambda job: job.result.to_dict()
    outputs: Iterable[Output] = ()
    reads: Callable[[argparse.Namespace], list[str | None]] = lambda args: [args.axis]
    work: str | Callable[[CommandJob], str] = ""
    long_files: bool = False
    finish: Callable[[CommandJob], None] = lambda job: None
    functions: Iterable[str] = ()
    names: Mapping[str, str] = field(default_factory=dict)
    reword: Callable[[CommandJob, Fault], Fault] = lambda job, fault: fault

    def run(self, args: argparse.Namespace) -> None:
        """Check, read, compute and deliver; raises InputError or JobFailed."""
        job = CommandJob(args)
        try:
            self._read(job)
            with _units(job), job.progress:
                work = self.work if isinstance(self.work, str) else self.work(job)
                if work:
                    job.progress.begin(work)
                job.result = self.compute(job)
                if not self.long_files:
                    job.progress.end()
                files, stdout = self._made(job)
        except InputError as error:
            raise InputError(*(self._in_words(job, fault) for fault in error.faults)) from error
        for name, content, force in files:
            outputs.write_file(name, content, force)
        outputs.write_stdout(stdout)
        self.finish(job)

    def _read(self, job: CommandJob) -> None:
        """Check the targets and read every input; raises all faults at once."""
        faults = Faults()
        targets = [(output.option, job.option(output.option)) for output in self.outputs if not output.edits]
        edited = [job.option(output.option) for output in self.outputs if output.edits]
        with faults:
            read_too = [name for name in [*self.reads(job.args), *edited] if name is not None]
            outputs.check_targets(job.args, targets, read_too)
        for name in filter(None, edited):
            with faults:
                _check_axis_file(name)
        with faults:
            wording.asked(job.args.units, "--units")
        for name, read in self.inputs.items():
            job.inputs[name] = _FAULTY
            with faults, contextlib.suppress(Unread):
                job.inputs[name] = read(job)
        faults.done()

    def _made(self, job: CommandJob) -> tuple[list[tuple[str, str | bytes, bool]], str]:
        """All files, (name, content, whether to replace), and stdout: data where it goes there, else the text."""
        files: list[tuple[str, str | bytes, bool]] = []
        stdout = None
        if self.json is not None and job.args.json:
            import json

            stdout = json.dumps(self.json(job), allow_nan=False) + "\n"
        for output in self.outputs:
            name = job.option(output.option)
            content = None if name is None else output.make(job)
            if content is None:
                continue
            if outputs.is_picture(output.option):
                files.append((name, outputs.drawn(content, name), job.args.force))
            elif name == "-":
                stdout = content
            else:
                files.append((name, content, job.args.force or output.edits))
        return files, outputs.laid_out(self.text(job)) if stdout is None else stdout

    def _in_words(self, job: CommandJob, fault: Fault) -> Fault:
        """A fault in the user's words: a function's argument is an option here."""
        fault = self.reword(job, fault)
        owner, _, name = fault.field.partition(".")
        if owner not in self.functions:
            return fault
        first = re.split(r"[.\[]", name)[0]
        return replace(fault, field=self.names.get(first, f"--{name.replace('_', '-')}"))
