"""A run tells what it works on, can be stopped, and a kill in the middle of it loses nothing."""

import hashlib
import http.client
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from geo.lookup import properties
from maps.serving.running import Run, map_unit
from maps.serving.units_of_work import StoppedError, put_back, run_unit, units_of


@pytest.fixture
def farm(demo_farm, tmp_path):
    folder = tmp_path / "ombervale"
    shutil.copytree(demo_farm, folder)
    return folder


def made(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file() and not any(part.startswith(".") for part in p.relative_to(folder).parts)
    }


def test_each_property_is_told_once_and_in_order(farm):
    told = []
    unit = units_of(farm, 2024, "Werfie", None)[0]
    outcome = run_unit(unit, False, lambda *now: told.append(now))
    assert outcome.state == "done"
    kriged = [what for what, _, of in told if of]
    surfaces = outcome.document["surfaces"]
    useful = [key for key, one in surfaces.items() if one["verdict"] == "useful"]
    assert len(kriged) > 5
    assert len(kriged) == len(set(kriged))
    assert {properties()[key].name for key in useful} <= set(kriged)
    assert [done for _, done, of in told if of] == list(range(len(kriged)))
    assert [what for what, _, of in told if not of][-1] == "files and report"


def test_stopped_at_once_leaves_the_block_as_it_was(farm):
    unit = units_of(farm, 2024, "Werfie", None)[0]
    unit.folder.mkdir(parents=True)
    (unit.folder / "map.html").write_text("of the run before")

    def stop(*_):
        raise StoppedError("enough")

    assert run_unit(unit, False, stop).state == "left"
    assert made(unit.folder.parent) == {
        "werfie/map.html": hashlib.sha256(b"of the run before").hexdigest()
    }
    assert not list(unit.folder.parent.glob(".*"))


def test_a_run_tells_its_part_and_ends_when_stopped_now(farm):
    begun, go = threading.Event(), threading.Event()

    def slow(unit, progress):
        progress("potassium", 3, 14)
        begun.set()
        assert go.wait(60)
        return map_unit(unit, progress)

    run = Run(units_of(farm, 2024, None, None), "farm", slow)
    run.start()
    assert begun.wait(60)
    told = run.told()
    assert (told["part"], told["partsDone"], told["partsOf"]) == ("potassium", 3, 14)
    run.stop(at_once=True)
    go.set()
    while run.busy:
        run.wait(run.version, 1.0)
    assert [b["state"] for b in run.told()["blocks"]] == ["left", "left", "left"]


def test_cut_off_between_the_two_steps_the_old_folder_comes_back(tmp_path):
    old = tmp_path / "seasons" / "2024" / ".poel-west-old"
    old.mkdir(parents=True)
    (old / "done.json").write_text("{}")
    put_back(tmp_path)
    assert made(tmp_path) == {"seasons/2024/poel-west/done.json": hashlib.sha256(b"{}").hexdigest()}
    old.mkdir()
    put_back(tmp_path)
    assert not old.exists()


def served(farm: Path):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = [sys.executable, "-m", "maps.cli", "open", str(farm), "--port", str(port)]
    environment = {**os.environ, "BROWSER": "true", "OMP_NUM_THREADS": "1"}
    server = subprocess.Popen(
        [*words, "--no-browser"], env=environment, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    for _ in range(600):
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            return server, port
        except OSError:
            time.sleep(0.1)
    server.kill()
    raise AssertionError("the app did not start")


@contextmanager
def asked(port: int, method: str, path: str, body: str = ""):
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    headers = {"origin": f"http://127.0.0.1:{port}"}
    if body:
        headers["content-type"] = "application/x-www-form-urlencoded"
    line.request(method, path, body or None, headers)
    answer = line.getresponse()
    with closing(line), answer:
        yield answer


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill -9 here")
def test_a_server_killed_in_the_middle_of_a_run_loses_nothing(farm):
    unit = units_of(farm, 2024, "Werfie", None)[0]
    assert run_unit(unit, False).state == "done"
    before = made(farm)
    server, port = served(farm)
    try:
        with asked(port, "POST", "/run", "season=2024") as answer:
            assert answer.status == 303
        with asked(port, "GET", "/run/events") as stream:
            while not json.loads(_event(stream))["partsOf"]:
                pass
            server.send_signal(signal.SIGKILL)
            server.wait(60)
    finally:
        server.kill()
    assert made(farm) == before, "no half of a block, and nothing of the old one gone"
    server, port = served(farm)
    try:
        with asked(port, "GET", "/run/events") as stream:
            assert json.loads(_event(stream))["busy"] is False
        with asked(port, "GET", "/?season=2024") as page:
            assert page.status == 200
            assert "data-run" not in page.read().decode()
        with asked(port, "GET", "/2024/werfie/soil") as page:
            assert page.status == 200
    finally:
        server.kill()
        server.wait(60)


def _event(stream: http.client.HTTPResponse) -> str:
    while not (line := stream.readline().decode()).startswith("data: "):
        assert line, "the stream ended"
    return line.removeprefix("data: ")
