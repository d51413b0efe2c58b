"""Ctrl-C in the middle of a run over several workers: one sentence, no traceback, nothing half."""

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from multiprocessing import active_children
from pathlib import Path

import pytest

import demo_geodata
from maps.cli import main
from maps.serving.units_of_work import farms_in, run_all, units_of

DEMO = Path(demo_geodata.__file__).parent / "ombervale"
PATIENCE_S = 120.0


@pytest.fixture(scope="module")
def farms(tmp_path_factory) -> Path:
    """A folder of two farms with a block each: two units, so that two workers are started."""
    folder = tmp_path_factory.mktemp("farms")
    one = folder / "one"
    assert main(["new", str(one), "--outlines", str(DEMO / "outline_werfie.kml")]) == 0
    for name in ("gps_2024.csv", "lab_2024.csv"):
        assert main(["add", str(one), str(DEMO / name), "--season", "2024"]) == 0
    shutil.copytree(one, folder / "two")
    return folder


def children(pid: int) -> list[str]:
    path = Path(f"/proc/{pid}/task/{pid}/children")
    return path.read_text(encoding="ascii").split() if path.is_file() else []


def hears_ctrl_c(pid: int) -> bool:
    """While workers are being started the command lets Ctrl-C pass by."""
    told = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    (ignored,) = re.findall(r"^SigIgn:\s*([0-9a-f]+)$", told, re.MULTILINE)
    return not int(ignored, 16) & 1 << signal.SIGINT - 1


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="looks for workers in /proc")
def test_ctrl_c_stops_all_workers_in_one_sentence(farms: Path):
    run = subprocess.Popen(
        [sys.executable, "-m", "maps.cli", "run", str(farms), "--season", "2024", "--jobs", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        cwd=DEMO.parent.parent,
        # A test runner in the background may have made Ctrl-C unheard.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    last = time.monotonic() + PATIENCE_S
    # The tracker of shared things is a child as well; then come the two workers.
    while run.poll() is None and time.monotonic() < last:
        if len(children(run.pid)) >= 3 and hears_ctrl_c(run.pid):
            break
        time.sleep(0.05)
    os.killpg(run.pid, signal.SIGINT)
    said, told = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 3
    assert said == ""
    assert told == "soilquilt: Stopped. What was finished before is kept.\n"
    assert not [p for p in farms.glob("*/seasons/*/*") if not p.name.startswith(".")]
    assert main(["check", str(farms / "one")]) == 0


def test_who_takes_no_more_outcomes_waits_for_none(farms: Path, tmp_path: Path):
    """Ctrl-C may come between two blocks, while what became of the last one is being told."""
    for number in range(8):
        shutil.copytree(farms / "one", tmp_path / str(number))
    units = [unit for farm in farms_in(tmp_path) for unit in units_of(farm, 2024, None, None)]
    outcomes = run_all(units, 2, False)
    assert next(outcomes).state == "done"
    outcomes.close()
    # The pool's own thread waits for its workers too: between its hearing of an end and its noting
    # it, the worker still counts as active here.
    last = time.monotonic() + PATIENCE_S
    while active_children() and time.monotonic() < last:
        time.sleep(0.05)
    assert active_children() == []
    assert len(list(tmp_path.glob("*/seasons/2024/werfie/done.json"))) < len(units)
