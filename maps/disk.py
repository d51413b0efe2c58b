"""What a disk refused, in words a person can act on: full, read-only, not theirs, gone."""

from __future__ import annotations

import errno
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

FULL = "the disk is full"
LOCKED = "the folder or disk may only be read, or belongs to somebody else"
NAMES = {
    errno.ENOSPC: FULL,
    errno.EDQUOT: FULL,
    errno.EACCES: LOCKED,
    errno.EPERM: LOCKED,
    errno.EROFS: LOCKED,
    errno.EFBIG: "this disk takes no file as large as that",
    errno.EIO: "the disk failed",
    errno.ENODEV: "the disk is gone",
    errno.ESTALE: "the disk is gone",
    errno.ENAMETOOLONG: "its name is too long for this disk",
    errno.ENOTDIR: "a file stands where a folder should be",
    errno.EISDIR: "it is a folder",
    errno.ENOENT: "its folder does not exist, or was moved or renamed meanwhile",
}
TO_DO = {
    FULL: "Make room and do it again.",
    LOCKED: "Give yourself the right to write there, or work on a copy of the folder elsewhere.",
}
#: Libraries that write files for us, and room that the files of a block need.
WRITERS = ("rasterio", "pyogrio", "typst", "openpyxl")
LEAST_ROOM_BYTES = 5_000_000

#: Sentences of libraries that pass on what the disk said only as text.
SAID = (
    ("no space left", FULL),
    ("database or disk is full", FULL),
    ("not enough space", FULL),
    ("readonly database", LOCKED),
    ("read-only file system", LOCKED),
    ("permission denied", LOCKED),
    ("unable to open database file", LOCKED),
    ("disk i/o error", "the disk failed"),
)


def disk_words(error: BaseException, folder: Path | None = None) -> str | None:
    """The sentence for an error that a disk caused, here or somewhere behind it; else None.

    Writers of maps only say that a write failed; `folder` tells whose disk to look at then.

    Examples
    --------
    >>> disk_words(OSError(28, "No space left on device", "farm/x.csv"))
    'farm/x.csv: the disk is full. Make room and do it again. The farm is as it was.'
    >>> disk_words(ValueError("17")) is None
    True
    """
    for one in _behind(error):
        why = _why(one) or _room(one, folder)
        if why:
            name = getattr(one, "filename", None)
            where = f"{name}: {why}" if name else why.capitalize()
            return " ".join([f"{where}.", TO_DO.get(why, "Mend that and do it again."),
                             "The farm is as it was."])  # fmt: skip
    return None


def _room(error: BaseException, folder: Path | None) -> str:
    if folder is None or not type(error).__module__.startswith(WRITERS):
        return ""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return FULL if shutil.disk_usage(folder).free < LEAST_ROOM_BYTES else ""


def _behind(error: BaseException) -> Iterator[BaseException]:
    seen: set[int] = set()
    one: BaseException | None = error
    while one is not None and id(one) not in seen:
        seen.add(id(one))
        yield one
        one = one.__cause__ or one.__context__


def _why(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno in NAMES:
        return NAMES[error.errno]
    if isinstance(error, OSError | sqlite3.Error) or type(error).__module__.startswith(WRITERS):
        text = str(error).lower()
        return next((why for said, why in SAID if said in text), "")
    return ""
