"""The command line: one small module a command; it parses, calls and prints.

Exit status: 0 done; 1 done, and a check failed; 2 bad usage or bad input; 3 a fault of twinlapse itself; 130
stopped by the user.
"""

from __future__ import annotations

import gc
import io
import os
import sys

__all__ = ["main"]


def main() -> None:
    """Run ``twinlapse``; whatever goes wrong becomes one line on standard error and an exit status."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a pipe may lack letters of a file's name
    # what packages make while they load stays, and is looked through for rings again and again otherwise
    gc.set_threshold(50_000)
    status = run(sys.argv[1:])
    gc.freeze()  # nor is it at the end, when all memory is given back anyway
    sys.exit(status)


def run(words: list[str]) -> int:
    """Run ``twinlapse`` with these words and return the exit status."""
    # read when numpy is loaded: products here are small, and threads that wait for each other over one take
    # more processor time than the work
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    import click

    from twinlapse.cli.root import cli
    from twinlapse.errors import TwinlapseError

    try:
        status = cli.main(words, prog_name="twinlapse", standalone_mode=False)
    except click.UsageError as error:
        return _say(usage_line(error), 2)
    except click.ClickException as error:
        return _say(error.format_message(), 2)
    except TwinlapseError as error:
        return _say(str(error), 2)
    except (click.Abort, KeyboardInterrupt):
        return _say("stopped", 130)
    except BrokenPipeError:
        # the reader of a pipe has gone: nothing is left to say, and flushing at exit would fail once more
        sys.stderr.close()
        return 0
    except MemoryError:
        return _say("memory ran out; close other programs, or run this on another machine", 2)
    except OSError as error:
        # what no other module foresaw: a full disk, a folder taken away, a device pulled out
        place = f"{error.filename}: " if error.filename else ""
        return _say(f"{place}{error.strerror or error}; check the disk and the permissions", 2)
    except Exception as error:
        if isinstance(error, ModuleNotFoundError) and not (error.name or "").startswith("twinlapse"):
            return _say(
                f"{' '.join(words[:1])} needs the module {error.name}, which is not installed here; install "
                "twinlapse with all its packages, or run this on another machine",
                2,
            )
        if {"-v", "--verbose"} & set(words):
            import traceback

            traceback.print_exc()
        return _say(fault_line(error), 3)
    return status if isinstance(status, int) else 0


def usage_line(error: Exception) -> str:
    """Return a usage error as one line that names the command, what is wrong, and where to read on."""
    context = getattr(error, "ctx", None)
    what = " ".join(error.format_message().split()).rstrip(".")  # type: ignore[attr-defined]
    if context is None:
        return what
    hint = "" if "--help" in what or what.endswith("?") else f"; see '{context.command_path} --help'"
    param = getattr(error, "param", None)
    if what.startswith("Missing option") and param is not None and "--rig" in param.opts:
        hint = "; 'twinlapse rig new' writes a rig file"
    name = context.command_path.removeprefix("twinlapse").strip()
    return f"{name + ': ' if name else ''}{what[:1].lower()}{what[1:]}{hint}"


def fault_line(error: BaseException) -> str:
    """Return an error that nothing foresaw as one line, with the place in twinlapse where it was raised."""
    trace, place = error.__traceback__, ""
    while trace is not None:
        module = trace.tb_frame.f_globals.get("__name__", "")
        if module.startswith("twinlapse"):
            place = f" at {module}:{trace.tb_lineno}"
        trace = trace.tb_next
    what = " ".join(f"{type(error).__name__}: {error}".split())[:300]
    return f"this is a fault of twinlapse ({what}{place}); repeat it with -v and report what it prints"


def _say(text: str, status: int) -> int:
    sys.stderr.write(f"twinlapse: {text}\n")
    return status
