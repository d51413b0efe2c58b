"""Readers of strangers' files, each run in a process of its own that may not take all there is.

The libraries that read maps, pictures and workbooks are large, and a file that is damaged or made
to harm can crash them, keep them busy for ever or fill the memory. So they read in a child
process; whatever becomes of it, the farm and the app go on, with plain records or with a sentence.
Text (CSV, GeoJSON, KML, GPX) is read by Python itself, under the limits of `geo.received`.

It is a fence and no prison: the child has the rights of whoever started it. What a file can make a
library open is the business of `geo.gdal_guard`.

What holds depends on the machine. Everywhere: a crash or a wait costs one file. Linux: all limits
below. macOS: all but the memory, which its kernel does not refuse to a process. Windows has no
such limits (Python's `resource` is missing there): the time holds, and the caps on sizes in
`geo.received`; a file that asks for more memory than the machine has ends the child alone.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from geo.errors import SoilquiltError, UnreadableError

#: Address space of a child. [bytes]
MOST_MEMORY_BYTES = 2_000_000_000
#: How long a file may take, waiting included, and as much again of the processor. [s]
MOST_SECONDS = 60
#: Largest file a child may write: a shapefile's parts are laid out on disk for their reader.
MOST_WRITTEN_BYTES = 100_000_000
#: Most that comes back: the one who asked has no limit of his own. [bytes]
MOST_ANSWER_BYTES = 200_000_000
#: Share of the memory from which on it counts as used up. [1]
FULL_SHARE = 0.9

#: What a child ends with if its memory did not do.
OUT_OF_MEMORY = 77

Made = TypeVar("Made")


def read_apart(reader: Callable[..., Made], *arguments: object, name: str) -> Made:
    """What a reader makes of a file, read in a child process with limits.

    A new interpreter and not a copy of this one: copies of a program with threads can stall, and
    on Windows there are none. It costs what the reader's libraries take to load.

    Parameters
    ----------
    reader : callable
        A function that a module offers by its name; what it takes and returns must pickle.
    *arguments
        What the reader is called with.
    name : str
        What people call the file.

    Returns
    -------
    object
        What the reader returned.

    Raises
    ------
    SoilquiltError
        As the reader raises it.
    UnreadableError
        If the child died, took too long or wanted too much memory.
    RuntimeError
        If the reader failed in a way we did not foresee; with the child's traceback.
    """
    # -P: nothing is imported from the folder one happens to stand in.
    words = [sys.executable, "-P", "-m", __name__, str(MOST_MEMORY_BYTES), str(MOST_SECONDS)]
    try:
        child = subprocess.run(
            words,
            input=pickle.dumps((reader, arguments)),
            capture_output=True,
            timeout=MOST_SECONDS,
            env=_environment(),
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise _too_long(name) from None
    if child.returncode != 0:
        raise _why_it_ended(name, child)
    made, answer = pickle.loads(child.stdout)
    if not made:
        raise answer
    found: Made = answer
    return found


def _environment() -> dict[str, str]:
    """That of this process, with our modules in reach and one thread of linear algebra.

    Each such thread takes address space when the library is loaded, on large machines all there is.
    """
    ours = str(Path(__file__).resolve().parent.parent)
    paths = os.pathsep.join(filter(None, [ours, os.environ.get("PYTHONPATH")]))
    return os.environ | {"PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


def _why_it_ended(name: str, child: subprocess.CompletedProcess[bytes]) -> Exception:
    """What is said of a child that gave no answer."""
    if child.returncode == 1:
        told = child.stderr.decode(errors="replace")
        return RuntimeError(f"the reader of {name} failed in its own process:\n{told}")
    if child.returncode == OUT_OF_MEMORY:
        return UnreadableError(
            f"{name} wants more than {MOST_MEMORY_BYTES / 1e9:g} GB of memory to be read. "
            "Nothing of it was stored. Cut it to this farm, or give its content as CSV or GeoJSON."
        )
    if -child.returncode in (getattr(signal, "SIGXCPU", 0), getattr(signal, "SIGALRM", 0)):
        return _too_long(name)
    return UnreadableError(
        f"{name} broke the program that reads it (it ended with {child.returncode}). Nothing of "
        "it was stored. It is damaged, or made to harm: export it again, or give its content as "
        "CSV or GeoJSON."
    )


def _too_long(name: str) -> UnreadableError:
    return UnreadableError(
        f"{name} has no end: it was still being read after {MOST_SECONDS:g} s. Nothing of it was "
        "stored. Cut it to this farm, or give its content as CSV or GeoJSON."
    )


# In the child


def _answer(memory_bytes: int, seconds: int) -> None:
    """Read what is asked on stdin, and write what came of it to stdout."""
    _hold_to(memory_bytes, seconds)
    # What a library prints must not run into the answer.
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    try:
        reader, arguments = pickle.load(sys.stdin.buffer)
        try:
            answer = pickle.dumps((True, reader(*arguments)))
        except SoilquiltError as error:
            if _was_full(memory_bytes):
                raise MemoryError from None
            answer = pickle.dumps((False, error))
    except MemoryError:
        sys.exit(OUT_OF_MEMORY)
    if len(answer) > MOST_ANSWER_BYTES:
        sys.exit(OUT_OF_MEMORY)
    with out:
        out.write(answer)


def _was_full(memory_bytes: int) -> bool:
    """Whether the memory ran out: a library that got none may call the file damaged."""
    try:
        told = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:  # not Linux
        return False
    peak = re.search(r"VmPeak:\s+(\d+) kB", told)
    return peak is not None and int(peak[1]) * 1024 > FULL_SHARE * memory_bytes


def _hold_to(memory_bytes: int, seconds: int) -> None:
    """Give up what a reader does not need."""
    try:
        import resource
    except ImportError:  # Windows
        return
    wanted = {
        resource.RLIMIT_AS: memory_bytes,
        resource.RLIMIT_CPU: seconds,
        resource.RLIMIT_FSIZE: MOST_WRITTEN_BYTES,
        resource.RLIMIT_CORE: 0,
    }
    for limit, most in wanted.items():
        allowed = resource.getrlimit(limit)[1]
        most = most if allowed == resource.RLIM_INFINITY else min(most, allowed)
        # Some systems know a limit by name and refuse to set it.
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(limit, (most, allowed))
    # The one who waits may be gone: then this ends it.
    signal.alarm(seconds + 1)


if __name__ == "__main__":
    _answer(int(sys.argv[1]), int(sys.argv[2]))
