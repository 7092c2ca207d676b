"""What is told while the loops are being compiled, which happens once on a machine."""

import gc
import logging
import threading
from contextlib import contextmanager

PATIENCE = 1.5  # seconds of compiling after which it is told


@contextmanager
def announced(what):
    """Say on stderr that ``what`` is being compiled, if numba compiles for longer than a moment."""
    from numba.core import event  # only here: it takes a third of a second to load

    teller = _Teller(what)

    class Compiling(event.Listener):
        on_start, on_end = teller.begin, teller.end

    with event.install_listener("numba:compile", Compiling()):
        yield


class _Teller:
    """A timer that runs while the outermost of nested functions is compiled."""

    def __init__(self, what):
        self.what, self.nested, self.told = what, 0, False
        self.timer, self.collects = None, False

    def begin(self, _):
        self.nested += 1
        if self.nested == 1 and gc.isenabled():
            # looking for garbage in all that numba builds takes a tenth of the time of compiling, and finds little
            self.collects = True
            gc.disable()
        if self.nested == 1 and not self.told:
            self.timer = threading.Timer(PATIENCE, self._tell)
            self.timer.daemon = True
            self.timer.start()

    def end(self, _):
        self.nested -= 1
        if self.nested == 0 and self.collects:
            self.collects = False
            gc.enable()
        if self.nested == 0 and self.timer is not None:
            self.timer.cancel()

    def _tell(self):
        self.told = True
        # Without a handler Python writes warnings to stderr as they are; logging.getLogger("encsim") turns it off.
        logging.getLogger("encsim").warning(
            "encsim: compiling %s, once; later runs load it in a moment", self.what
        )
