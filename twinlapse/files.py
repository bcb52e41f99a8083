"""Opening and replacing files: one clear error when it cannot be done, and never half a file.

A file is written beside its place, flushed to the disk and renamed: a power cut leaves the old file or the
new one.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import mmap
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from twinlapse.errors import FileProblemError, MissingFileError, TwinlapseError

__all__ = [
    "flush_folder",
    "make_folder",
    "mapped",
    "read_json",
    "read_text",
    "replacing",
    "replacing_by_name",
    "require_file",
    "sha256_of",
    "sweep",
    "write_bytes",
    "write_json",
]


def require_file(path: Path, what: str) -> Path:
    """Return `path` when it is a readable, non-empty file; `what` names its role in the error."""
    if not path.exists():
        raise MissingFileError(f"there is no such {what}", "check the path", path=path)
    if path.is_dir():
        raise FileProblemError(f"this is a folder, not a {what}", f"name the {what} itself", path=path)
    try:
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except OSError as error:
        raise FileProblemError(
            f"cannot read it ({error.strerror})", "check its permissions", path=path
        ) from None
    if size == 0:
        raise FileProblemError(f"this {what} is empty", "export or copy it again", path=path)
    return path


def read_text(path: Path, what: str) -> str:
    """Return the text of a UTF-8 file."""
    require_file(path, what)
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        raise FileProblemError(
            f"this {what} is not UTF-8 text", "save it as UTF-8", path=path, line=line
        ) from None


def read_json(path: Path, what: str, hint: str = "make it again") -> Any:
    """Return the value held by a JSON file; `hint` says what to do where it holds none."""
    try:
        return json.loads(read_text(path, what))
    except json.JSONDecodeError as error:
        raise FileProblemError(
            f"this {what} is not JSON: {error.msg}", hint, path=path, line=error.lineno
        ) from None


@contextlib.contextmanager
def mapped(path: Path, what: str) -> Iterator[mmap.mmap]:
    """Map a file read-only; the pages are the operating system's, not this process's."""
    require_file(path, what)
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as view:
        yield view


def sha256_of(path: Path, what: str = "file") -> str:
    """Return the SHA-256 of a file as 64 hex digits."""
    require_file(path, what)
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def flush_folder(folder: Path) -> None:
    """Make a rename in `folder` survive a power cut (POSIX: the folder is a file of its own)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[IO[bytes]]:
    """Yield a binary file that becomes `path` when the block ends well, and vanishes when it does not."""
    path = Path(path)
    if path.is_dir():
        raise FileProblemError("a folder has this name", "name a file", path=path)
    if not path.parent.is_dir():
        raise MissingFileError("its folder does not exist", "make the folder first", path=path)
    prefix = f".{path.name}.{os.getpid()}."
    try:
        handle, name = tempfile.mkstemp(prefix=prefix, suffix=".part", dir=path.parent)
    except OSError as error:
        raise FileProblemError(
            f"cannot write here ({error.strerror})", "choose another place", path=path
        ) from None
    beside = Path(name)
    try:
        with open(name, "wb", opener=lambda *_: handle) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        beside.chmod(mode)
        beside.replace(path)
        flush_folder(path.parent)
    except TwinlapseError:  # of the block, with words of its own
        beside.unlink(missing_ok=True)
        raise
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise FileProblemError(
            f"cannot write it ({error.strerror})", "check the free space", path=path
        ) from None
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def sweep(path: Path) -> None:
    """Remove what killed processes left beside `path` of their attempts to write it.

    Such files and folders carry the number of the process that made them; those of live ones are kept.
    """
    path = Path(path)
    left = re.compile(rf"\.{re.escape(path.name)}\.(\d+)\..*part.*")
    with contextlib.suppress(OSError):
        for beside in path.parent.iterdir():
            found = left.fullmatch(beside.name)
            if found is None or _is_alive(int(found[1])):
                continue
            if beside.is_dir():
                shutil.rmtree(beside, ignore_errors=True)
            else:
                beside.unlink(missing_ok=True)


def _is_alive(process: int) -> bool:
    if process == os.getpid() or os.name != "posix":  # elsewhere the question itself would end the process
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


@contextlib.contextmanager
def replacing_by_name(path: Path) -> Iterator[Path]:
    """Yield the name of a file beside `path` for a program that writes it by name; see `replacing`."""
    path = Path(path)
    with replacing(path) as file:
        beside = path.parent / f".{path.name}.{os.getpid()}.part{path.suffix}"
        try:
            yield beside
            with beside.open("rb") as written:
                shutil.copyfileobj(written, file)
        finally:
            beside.unlink(missing_ok=True)


def make_folder(path: Path) -> Path:
    """Return `path` as a folder that exists."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise FileProblemError("a file has this name", "name a folder", path=path) from None
    except OSError as error:
        raise FileProblemError(
            f"cannot make this folder ({error.strerror})", "choose another place", path=path
        ) from None
    return path


def write_bytes(path: Path, data: bytes) -> None:
    """Replace `path` by `data`, whole or not at all."""
    with replacing(path) as file:
        file.write(data)


def write_json(path: Path, value: Any) -> None:
    """Replace `path` by `value` as indented JSON, whole or not at all."""
    write_bytes(path, (json.dumps(value, indent=1, allow_nan=False) + "\n").encode())


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
