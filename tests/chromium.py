"""A small client for a headless browser, for tests of pages: no driver package is needed.

It speaks the browser's own debugging protocol over two pipes: JSON messages that end with a zero byte.
"""

import fcntl
import json
import os
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome")
# Starting and loading take a second or two; a busy machine may need many times that.
PATIENCE = 60.0
FLAGS = (
    "--headless", "--remote-debugging-pipe", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
    "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
# The browser reads descriptor 3 and writes descriptor 4.
JOIN = (
    "import os, sys; given = sys.argv[1:]; os.dup2(int(given[0]), 3); os.dup2(int(given[1]), 4); "
    "os.execvp(given[2], given[2:])"
)


def found():
    """Path of a browser on this machine, None where there is none."""
    return next(filter(None, map(shutil.which, NAMES)), None)


class Browser:
    """A running browser with one page.

    Attributes
    ----------
    errors : list of str
        What pages complained of: exceptions, errors on the console, refused loads.
    requests : list of str
        Addresses that were asked for.
    """

    def __init__(self, profile):
        self.errors, self.requests, self.number, self.rest = [], [], 0, b""
        (self.theirs_in, self.ours_out), (self.ours_in, self.theirs_out) = _high(os.pipe()), _high(os.pipe())
        command = [sys.executable, "-c", JOIN, str(self.theirs_in), str(self.theirs_out), found(), *FLAGS,
                   f"--user-data-dir={profile}"]  # fmt: skip
        quiet = subprocess.DEVNULL
        self.process = subprocess.Popen(
            command, stdin=quiet, stdout=quiet, stderr=quiet, pass_fds=(self.theirs_in, self.theirs_out)
        )
        os.close(self.theirs_in)
        os.close(self.theirs_out)
        self.session = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def call(self, method, **params):
        """Result of one command."""
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.ours_out, json.dumps(message).encode() + b"\0")
        answer = self._until(lambda found: found.get("id") == self.number)
        if "error" in answer:
            raise RuntimeError(f"{method}: {answer['error']['message']}")
        return answer["result"]

    def open(self, path):
        """Load a file and wait until it is there."""
        self.errors.clear()
        self.requests.clear()
        self.call("Page.navigate", url=Path(path).as_uri())
        self._until(lambda found: found.get("method") == "Page.loadEventFired")

    def value(self, expression):
        """Value of an expression in the page."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"]["text"])
        return answer["result"].get("value")

    def press(self, key):
        """Press and release a key."""
        codes = {"Tab": 9, "ArrowLeft": 37, "ArrowRight": 39, " ": 32}
        for kind in ("keyDown", "keyUp"):
            text = {"text": key} if key == " " and kind == "keyDown" else {}
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code="Space" if key == " " else key,
                      windowsVirtualKeyCode=codes[key], **text)  # fmt: skip

    def close(self):
        """End the browser."""
        for end in (self.ours_out, self.ours_in):
            os.close(end)
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def _until(self, wanted):
        """The first message that is wanted; others are noted."""
        end = time.monotonic() + PATIENCE
        while True:
            while b"\0" in self.rest:
                text, self.rest = self.rest.split(b"\0", 1)
                message = json.loads(text)
                self._note(message)
                if wanted(message):
                    return message
            if not select.select([self.ours_in], [], [], max(end - time.monotonic(), 0.0))[0]:
                raise TimeoutError("the browser does not answer")
            more = os.read(self.ours_in, 1 << 20)
            if not more:
                raise EOFError(f"the browser ended with {self.process.wait()}")
            self.rest += more

    def _note(self, message):
        """Remember complaints and requests."""
        method, params = message.get("method"), message.get("params", {})
        if method == "Runtime.exceptionThrown":
            self.errors.append(params["exceptionDetails"]["text"])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
            self.errors.append(str(params["args"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.errors.append(params["entry"]["text"])
        elif method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])


def _high(pair):
    """Both ends of a pipe moved away from the descriptors that the browser wants."""
    moved = tuple(fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 20) for end in pair)
    for end in pair:
        os.close(end)
    return moved
