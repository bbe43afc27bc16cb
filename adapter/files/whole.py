"""Files written whole or not at all, and for whom.

What is about people is for its owner alone (0600), whatever the umask would allow; what is about nobody (forms, the
package) as the umask says. The temporary file has a random name, is made where nothing was, and never through a link
(``O_EXCL | O_NOFOLLOW``): whoever may write into the folder cannot lead the content elsewhere.
"""

from __future__ import annotations

import os
import re
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

PRIVATE = 0o600
ENDING = ".new"
_TEMPORARY = re.compile(r"\..*\.[0-9a-f]{16}\.new", re.DOTALL)


def write(path: Path, content: bytes, *, public: bool = False) -> None:
    """Write a file, on the disk when this returns; in place of what had its name. Raises ``OSError``."""
    with writing(path, public=public) as file:
        file.write(content)


@contextmanager
def writing(path: Path, *, public: bool = False) -> Iterator[BinaryIO]:
    """A file to write into, on the disk and under its name once all went well, and else gone. Raises ``OSError``."""
    with _new(path.parent, path.name, public) as (temporary, file):
        yield file
        _settle(file)
        temporary.replace(path)


@contextmanager
def written(folder: Path, name: str, content: bytes, *, public: bool = False) -> Iterator[Path]:
    """A temporary file in ``folder`` with this content, on the disk, to be given its name; gone at the end.

    Its own name begins with a point and ends in ``.new``. Raises ``OSError``.
    """
    with _new(folder, name, public) as (temporary, file):
        file.write(content)
        _settle(file)
        yield temporary


@contextmanager
def _new(folder: Path, name: str, public: bool) -> Iterator[tuple[Path, BinaryIO]]:
    mode = 0o666 if public else PRIVATE
    temporary, handle = _made(folder, name, mode)
    try:
        with os.fdopen(handle, "wb") as file:
            if not public:
                os.fchmod(handle, mode)  # a umask may take away what the owner needs as well
            yield temporary, file
    finally:
        temporary.unlink(missing_ok=True)


def _settle(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())


def _made(folder: Path, name: str, mode: int) -> tuple[Path, int]:
    while True:
        # the system's limit on a name leaves room for what is added
        temporary = folder / f".{name[:120]}.{secrets.token_hex(8)}{ENDING}"
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
            return temporary, os.open(temporary, flags, mode)
        except FileExistsError:
            continue


def swept(folder: Path) -> int:
    """Take away our temporary files that a killed process left in a folder that no other of ours writes into; how
    many."""
    left = [path for path in folder.iterdir() if _TEMPORARY.fullmatch(path.name)]
    for path in left:
        path.unlink(missing_ok=True)
    return len(left)


def locked(path: Path) -> int:
    """A descriptor of a lock file, made for its owner where there is none, and never through a link.

    Raises ``OSError``.
    """
    return os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW, PRIVATE)


def narrow(path: Path) -> bool:
    """Make a file or folder, and all in it, their owner's alone; whether anything was open to others.

    Links are left as they are. Raises ``OSError`` where it is not ours.
    """
    changed = False
    for one in (path, *(path.rglob("*") if path.is_dir() and not path.is_symlink() else ())):
        found = one.lstat().st_mode
        if not stat.S_ISLNK(found) and found & 0o077:
            one.chmod(stat.S_IMODE(found) & 0o700)
            changed = True
    return changed


def open_to_others(path: Path) -> str:
    """How others than its owner may use a file: ``written`` by anybody, ``read`` by some, or, where they may do
    neither, nothing. A file that is not there is open to nobody."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return ""
    if mode & stat.S_IWOTH:
        return "written"
    return "read" if mode & 0o066 else ""
