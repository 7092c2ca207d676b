"""What is told while the loops are being compiled, which happens once on a machine."""

import logging
import threading
from contextlib import contextmanager

PATIENCE = 1.5  # seconds after which a first call is said to be compiling


@contextmanager
def announced(what):
    """Say on stderr that ``what`` is being compiled, if the block takes as long as only compiling does."""
    timer = threading.Timer(PATIENCE, _announce, [what])
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _announce(what):
    # Without a handler Python writes warnings to stderr as they are; logging.getLogger("encsim") turns it off.
    logging.getLogger("encsim").warning("encsim: compiling %s, once; later runs load it in a moment", what)
