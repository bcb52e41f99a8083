"""Run commands as they would run on Windows or macOS, as far as Linux can tell.

Called as ``other_system.py windows|macos [--own-code]``; standard input has one command a line, its words
between tabs. The modules of the package see another system: `sys.platform`, `os.name`, and none of the names
that the standard library documents for Unix or Linux alone (docs.python.org, "Availability"). All of the
process obeys that system's rules for files, from memory where nothing else is said:

Windows
    A file that is open without FILE_SHARE_DELETE, as Python opens it, can be neither replaced, renamed nor
    deleted, nor can one that is mapped (Microsoft, CreateFile, dwShareMode). A rename over a file that is
    there fails (os.rename); a read-only file is not deleted. Names may hold none of ``<>:"|?*`` and end in
    neither a dot nor a blank; CON, NUL, COM1 and others are devices (Microsoft, "Naming files, paths, and
    namespaces"). Text is cp1252 with CRLF unless its file says otherwise, and so is what a pipe takes.
macOS
    Names come back decomposed (NFD), as HFS+ keeps them; there is no /proc; processes are spawned.
Both
    Two names that differ in case alone are one file.
"""

# it takes the place of what pathlib calls
# ruff: noqa: PTH112, PTH113, PTH115, PTH116, PTH118, PTH119, PTH120

from __future__ import annotations

import builtins
import io
import mmap
import os
import shutil
import signal
import socket
import sys
import tempfile
import time
import types
import unicodedata
from typing import Any

MODULES = {"windows": "fcntl termios tty pty pwd grp resource posix syslog readline curses", "macos": ""}
# not there on the system, by the module that would have them
ABSENT = {
    "windows": {
        "os": """chown chroot confstr ctermid fchdir fchmod fchown fork forkpty getegid geteuid getgid
            getgroups getloadavg getpgid getpgrp getpriority getsid getuid killpg lchown lockf major
            makedev minor mkfifo mknod nice openpty pathconf pipe2 posix_fadvise posix_fallocate
            posix_spawn pread preadv pwrite pwritev readv register_at_fork sched_getaffinity
            sched_setaffinity sched_yield sendfile setegid seteuid setgid setgroups setpgid
            setpriority setsid setuid splice statvfs sync sysconf tcgetpgrp tcsetpgrp uname wait
            wait3 wait4 waitid WEXITSTATUS WIFEXITED WNOHANG writev eventfd memfd_create getrandom
            copy_file_range fdatasync O_CLOEXEC O_DIRECT O_DIRECTORY O_DSYNC O_NOATIME O_NOCTTY
            O_NOFOLLOW O_NONBLOCK O_PATH O_SYNC O_TMPFILE getxattr setxattr""",
        "signal": """SIGALRM SIGCHLD SIGCONT SIGHUP SIGKILL SIGPIPE SIGQUIT SIGSTOP SIGTSTP SIGUSR1 SIGUSR2
            alarm pause pthread_kill pthread_sigmask setitimer sigpending sigtimedwait sigwait""",
        "select": "poll epoll kqueue devpoll",
        "socket": "AF_UNIX AF_NETLINK AF_PACKET CMSG_LEN SO_REUSEPORT",
        "time": """clock_gettime clock_gettime_ns clock_getres CLOCK_MONOTONIC CLOCK_REALTIME
            CLOCK_BOOTTIME CLOCK_PROCESS_CPUTIME_ID pthread_getcpuclockid tzset""",
        "mmap": "MAP_ANONYMOUS MAP_PRIVATE MAP_SHARED PROT_READ PROT_WRITE MADV_SEQUENTIAL MADV_WILLNEED",
    },
    "macos": {
        "os": """pipe2 posix_fadvise posix_fallocate sched_getaffinity sched_setaffinity splice eventfd
            memfd_create getrandom copy_file_range fdatasync O_DIRECT O_NOATIME O_PATH O_TMPFILE
            getxattr setxattr setresuid""",
        "signal": "sigtimedwait sigwaitinfo SIGRTMIN pthread_sigqueue",
        "select": "epoll",
        "socket": "AF_NETLINK AF_PACKET SOCK_CLOEXEC SOCK_NONBLOCK",
        "time": "CLOCK_BOOTTIME CLOCK_TAI pthread_getcpuclockid",
        "mmap": "MAP_POPULATE",
    },
}
DEVICES = {"con", "prn", "aux", "nul", *(f"{kind}{n}" for kind in ("com", "lpt") for n in range(1, 10))}
# it keeps compiled loops, on Linux in a quicker way; --own-code has them compiled and kept as elsewhere
NATIVE = {"twinlapse.machine_code"}


class Seen(types.ModuleType):
    """A module of the standard library as the package sees it there."""

    def __init__(self, real: Any, absent: set[str], **other: Any) -> None:
        super().__init__(real.__name__)
        self.__dict__.update(_real=real, _absent=absent, **other)

    def __getattr__(self, name: str) -> Any:
        if name in self._absent:
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r} there", name=name)
        return getattr(self._real, name)


def see(system: str, native: set[str]) -> None:
    """Have the modules of the package import the standard library of the system."""
    import select

    real = {
        "os": os,
        "sys": sys,
        "signal": signal,
        "select": select,
        "socket": socket,
        "time": time,
        "mmap": mmap,
    }
    other: dict[str, dict[str, Any]] = {
        "sys": {"platform": "win32" if system == "windows" else "darwin"},
        "os": {"name": "nt", "O_BINARY": 0} if system == "windows" else {},
    }
    names = ABSENT[system]
    seen = {
        name: Seen(one, set(names.get(name, "").split()), **other.get(name, {})) for name, one in real.items()
    }
    blocked = set(MODULES[system].split())
    plain = builtins.__import__

    def imported(
        name: str, globals: Any = None, locals: Any = None, fromlist: Any = (), level: int = 0
    ) -> Any:
        importer = (globals or {}).get("__name__", "")
        if level == 0 and importer.partition(".")[0] == "twinlapse" and importer not in native:
            if name in blocked:
                raise ModuleNotFoundError(f"No module named {name!r}", name=name)
            if name in seen:
                return seen[name]
        return plain(name, globals, locals, fromlist, level)

    builtins.__import__ = imported


def is_open(path: str) -> bool:
    """Tell whether this process has a file open or mapped."""
    if not os.path.isfile(path):
        return False
    for number in _listdir("/proc/self/fd"):
        try:
            if os.readlink(f"/proc/self/fd/{number}") == path:
                return True
        except OSError:
            pass
    with _open("/proc/self/maps") as maps:
        return any(line.rstrip().endswith(path) for line in maps)


_open, _listdir, _os_open = io.open, os.listdir, os.open


def _place(path: Any, dir_fd: int | None = None) -> str:
    name = os.fsdecode(path)
    if dir_fd is not None:
        name = os.path.join(os.readlink(f"/proc/self/fd/{dir_fd}"), name)
    return os.path.join(os.path.realpath(os.path.dirname(name) or "."), os.path.basename(name))


def _is_checked(place: str) -> bool:
    return not place.startswith(("/proc/", "/dev/", "/sys/"))


def check_name(path: Any, system: str) -> None:
    """Refuse a name that cannot be there, or that stands for another file."""
    if isinstance(path, int):
        return
    place = _place(path)
    if system == "macos" and place.startswith("/proc/") and _asked_by_package():
        raise FileNotFoundError(2, "No such file or directory", place)
    if not _is_checked(place):
        return
    name = os.path.basename(place)
    stem = name.partition(".")[0].lower()
    if system == "windows" and (
        set(name) & set('<>:"|?*\\') or (name != "." and name.endswith((".", " "))) or stem in DEVICES
    ):
        raise OSError(22, "Invalid argument", place)
    if not os.path.lexists(place) and os.path.isdir(os.path.dirname(place)):
        near = [one for one in _listdir(os.path.dirname(place)) if one.lower() == name.lower()]
        if near:
            raise AssertionError(f"{place}: there it is the same file as {near[0]}")


def _asked_by_package() -> bool:
    frame: Any = sys._getframe(1)
    while frame is not None:
        name = frame.f_globals.get("__name__", "")
        if name.startswith("twinlapse"):
            return True
        if name not in (__name__, "io", "pathlib", "os", "shutil"):
            return False
        frame = frame.f_back
    return False


def rule_files(system: str) -> None:
    """Have the whole process obey the system's rules for files."""

    def ruled(plain: Any, count: int, *, onto: bool = False) -> Any:
        def checked(*paths: Any, **words: Any) -> Any:
            for path in paths[:count]:
                place = _place(path, words.get("dir_fd"))
                if system == "windows" and is_open(place):
                    raise PermissionError(13, "it is open in this process", place)
            if system == "windows" and onto and os.path.lexists(paths[1]):
                raise FileExistsError(17, "it is there", os.fsdecode(paths[1]))
            if count == 2:
                check_name(paths[1], system)
            elif system == "windows" and os.path.isfile(place) and not os.stat(place).st_mode & 0o200:
                raise PermissionError(13, "it is read-only", place)
            return plain(*paths, **words)

        return checked

    os.replace, os.rename = ruled(os.replace, 2), ruled(os.rename, 2, onto=True)
    os.unlink = os.remove = ruled(os.unlink, 1)
    shutil._use_fd_functions = False  # type: ignore[attr-defined]  # as there: folders are removed by path
    plain_mkdir = os.mkdir

    def mkdir(path: Any, *words: Any, **more: Any) -> None:
        check_name(path, system)
        plain_mkdir(path, *words, **more)

    def opened(file: Any, mode: str = "r", *words: Any, **more: Any) -> Any:
        check_name(file, system)
        if system == "windows" and "b" not in mode and not isinstance(file, int) and _asked_by_package():
            named = dict(zip(("buffering", "encoding", "errors", "newline"), words, strict=False)) | more
            named["encoding"] = named.get("encoding") or "cp1252"
            if named.get("newline") is None and set(mode) & set("wax"):
                named["newline"] = "\r\n"
            return _open(file, mode, **named)
        return _open(file, mode, *words, **more)

    def os_opened(path: Any, *words: Any, **more: Any) -> int:
        if more.get("dir_fd") is None:
            check_name(path, system)
            if system == "windows" and os.path.isdir(path) and _asked_by_package():
                raise PermissionError(13, "a folder cannot be opened", os.fsdecode(path))
        return _os_open(path, *words, **more)

    os.mkdir, os.open = mkdir, os_opened
    io.open = builtins.open = opened  # type: ignore[assignment]
    tempfile._io.open = opened  # type: ignore[attr-defined]
    if system == "macos":
        os.listdir = lambda path=".": [
            one if isinstance(one, bytes) else unicodedata.normalize("NFD", one) for one in _listdir(path)
        ]


def become(system: str, *, native: set[str] = NATIVE) -> None:
    """Turn this process into one of the system."""
    see(system, native)
    rule_files(system)
    if system == "windows":
        for stream in (sys.stdout, sys.stderr):
            stream.reconfigure(encoding="cp1252", newline="\r\n")  # type: ignore[union-attr]


def main() -> None:
    """Run the commands of standard input and print the status of each."""
    from twinlapse.cli import main as command_line

    for line in sys.stdin.buffer.read().decode().splitlines():
        words = line.split("\t")
        sys.argv = [sys.argv[0], *words]
        try:
            command_line()
        except SystemExit as ended:
            print("STATUS", ended.code, words[0], flush=True)


if __name__ in ("__main__", "__mp_main__"):  # of this process, and of the workers that it spawns
    # workers are told no words of this one but the command's
    given = os.environ.setdefault("OTHER_SYSTEM", " ".join(sys.argv[1:])).split()
    become(given[0], native=set() if "--own-code" in given else NATIVE)
if __name__ == "__main__":
    main()
