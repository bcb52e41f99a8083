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
        sys.stderr.write(f"twinlapse: {error}\n")
        sys.exit(2)
    except BrokenPipeError:
        # the reader of a pipe has gone: nothing is left to tell, and flushing at exit would fail once more
        sys.stderr.close()
        sys.exit(0)
    except OSError as error:
        # what no door foresaw: a full disk, a folder taken away, a device pulled out
        place = f"{error.filename}: " if error.filename else ""
        sys.stderr.write(f"twinlapse: {place}{error.strerror or error}; check the disk and the permissions\n")
        sys.exit(2)
