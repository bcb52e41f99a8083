"""The command line: one small module a command; it parses, calls and prints."""

from __future__ import annotations

import sys


def main() -> None:
    """Run ``twinlapse``; every error of the library becomes one line and exit status 2."""
    from twinlapse.cli.root import cli
    from twinlapse.errors import TwinlapseError

    try:
        cli(prog_name="twinlapse")
    except TwinlapseError as error:
        print(f"twinlapse: {error}", file=sys.stderr)  # noqa: T201
        sys.exit(2)
    except BrokenPipeError:
        # the reader of a pipe has gone: nothing is left to tell, and flushing at exit would fail once more
        sys.stderr.close()
        sys.exit(0)
