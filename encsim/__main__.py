"""Start of the ``encsim`` command and of ``python -m encsim``."""

import sys


def main(argv: list[str] | None = None) -> int:
    """Run one command line; returns the exit code."""
    try:
        from .cli.main import main as run

        return run(argv)
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
