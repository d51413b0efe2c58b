"""A disk that is full or may not be written: said in words, and nothing lost."""

import errno
import hashlib
import json
import os
import resource
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from rasterio.errors import RasterioIOError

import demo_geodata
from maps.cli import main
from maps.disk import disk_words

DEMO = Path(demo_geodata.__file__).parent / "ombervale"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    farm = tmp_path_factory.mktemp("disk") / "farm"
    assert main(["new", str(farm), "--outlines", str(DEMO / "outline_werfie.kml")]) == 0
    return farm


@pytest.fixture
def farm(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "farm"))


def soilquilt(*words: str, most_bytes: int) -> subprocess.CompletedProcess[str]:
    """The command on a disk that takes no file larger than so many bytes."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))

    return subprocess.run(
        [sys.executable, "-m", "maps.cli", *words],
        capture_output=True, text=True, cwd=DEMO.parent.parent, preexec_fn=limit,
    )  # fmt: skip


def sums(folder: Path) -> dict[str, str]:
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.mark.parametrize(
    "words",
    [
        ["add", "FARM", str(DEMO / "lab_2024.csv"), "--season", "2024"],
        ["template", "FARM"],
        ["backup", "FARM", "FARM.zip"],
        ["new", "FARM/other", "--outlines", str(DEMO / "outline_werfie.kml")],
    ],
    ids=lambda words: words[0],
)
def test_a_write_that_the_disk_refuses_is_said_and_leaves_the_farm_alone(words, farm):
    before = sums(farm)
    said = soilquilt(*[word.replace("FARM", str(farm)) for word in words], most_bytes=2000)
    assert said.returncode == 3, said.stderr
    assert "disk" in said.stderr
    assert "our mistake" not in said.stderr
    assert sums(farm) == before
    assert sorted(p.name for p in farm.parent.iterdir()) == ["farm"]


def test_a_full_disk_is_found_behind_what_a_library_says(tmp_path):
    try:
        try:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        except OSError as error:
            raise RasterioIOError("Write failed.") from error
    except RasterioIOError as error:
        said = disk_words(error)
    assert said is not None
    assert said.startswith("The disk is full.")
    # Without a cause it is only full if there is in truth no room.
    assert disk_words(RasterioIOError("Write failed."), tmp_path) is None
    assert disk_words(ValueError("No space left on device")) is None


def test_a_library_that_only_says_write_failed_is_asked_for_the_room(tmp_path, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**9, 10**9, 0))
    said = disk_words(RasterioIOError("Write failed."), tmp_path / "not" / "yet" / "there")
    assert said is not None
    assert said.startswith("The disk is full.")


def test_a_folder_that_may_only_be_read_is_named(farm, monkeypatch, capsys):
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(farm / ".template-x"))

    monkeypatch.setattr("tempfile.mkdtemp", refuse)
    assert main(["template", str(farm), "--json"]) == 3
    said = json.loads(capsys.readouterr().out)["error"]
    assert str(farm) in said
    assert "may only be read" in said


def test_a_template_that_somebody_filled_in_is_not_overwritten(farm, capsys):
    assert main(["template", str(farm)]) == 0
    assert main(["template", str(farm)]) == 0  # nothing typed yet
    path = farm / "template.csv"
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    lines[1] = lines[1].replace(",", ",6.1", 1)
    path.write_text("\n".join(lines), encoding="utf-8")
    typed = path.read_bytes()
    assert main(["template", str(farm)]) == 3
    assert "values typed into it" in capsys.readouterr().err
    assert path.read_bytes() == typed


def test_letters_that_the_reader_of_our_output_does_not_know_stop_nothing(farm):
    words = [sys.executable, "-m", "maps.cli", "set", str(farm), "--block", "Werfie",
             "--rename", "Knieë", "--reason", "its name"]  # fmt: skip
    for ending in ([], ["--json"]):
        said = subprocess.run(
            [*words, *ending], capture_output=True, cwd=DEMO.parent.parent,
            env=os.environ | {"PYTHONIOENCODING": "ascii"},
        )  # fmt: skip
        assert said.returncode == 0, said.stderr
        words[words.index("--block") + 1], words[words.index("--rename") + 1] = "Knieë", "Kniëe"
    assert "Kniëe" in json.dumps(json.loads(said.stdout.decode("ascii")), ensure_ascii=False)
