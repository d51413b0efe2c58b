"""The `soilquilt` command: words in, sentences or one JSON document out, a plain exit code."""

from __future__ import annotations

import argparse
import importlib
import io
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geo.errors import SoilquiltError
from maps.answer import BUG, FAILED, Answer

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

#: Years a season may have, as in the browser.
FIRST_YEAR, LAST_YEAR = 1950, 2100

OUR_MISTAKE = (
    "This is our mistake, not yours. The farm is as it was. Run the command again with --debug to "
    "see what happened, and send us what it prints."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    # A pipe on Windows, or the locale C, knows few letters: a name with others must not stop us.
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    words = sys.argv[1:] if argv is None else argv
    arguments = build_parser().parse_args(_with_values(words))
    # Small matrices gain nothing from many BLAS threads and stall on a busy machine.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        # Imported here: `--help` must not wait for libraries that only computing needs.
        module = importlib.import_module(f"maps.commands.{arguments.module}")
        answer: Answer = getattr(module, arguments.function)(arguments)
        _say(answer, arguments.json)
    except SoilquiltError as error:
        if arguments.debug:
            raise
        return _say_no(str(error), error.exit_code, arguments.json)
    except KeyboardInterrupt:
        return _say_no("Stopped. What was finished before is kept.", FAILED, arguments.json)
    except BrokenPipeError:
        # The reader of our output has gone; there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except Exception as error:
        if arguments.debug:
            raise
        from maps.disk import disk_words

        trouble = disk_words(error)
        if trouble:
            return _say_no(trouble, FAILED, arguments.json)
        return _say_no(OUR_MISTAKE, BUG, arguments.json)
    return answer.exit_code


def _with_values(words: Sequence[str]) -> list[str]:
    """Words with "--value" and what follows as one: a southern latitude begins like an option."""
    joined: list[str] = []
    for word in words:
        if joined and joined[-1] == "--value" and word[:1] == "-" and word[1:2].isdigit():
            joined[-1] = f"--value={word}"
        else:
            joined.append(word)
    return joined


def _say(answer: Answer, as_json: bool) -> None:
    if as_json:
        document = {"schema": 1, "exit_code": answer.exit_code} | answer.document
        print(json.dumps(document, ensure_ascii=_few_letters(), indent=1, allow_nan=False))
    else:
        print("\n".join(answer.lines))


def _few_letters() -> bool:
    """Whether what reads our output is not said to take every letter as it is."""
    return "utf" not in (sys.stdout.encoding or "").lower()


def _say_no(message: str, exit_code: int, as_json: bool) -> int:
    print(f"soilquilt: {message}", file=sys.stderr)
    if as_json:
        print(json.dumps({"schema": 1, "exit_code": exit_code, "error": message}))
    return exit_code


def build_parser() -> argparse.ArgumentParser:
    """The words of the command line."""
    parser = argparse.ArgumentParser(
        prog="soilquilt",
        description="From GPS-tagged soil tests to kriged maps, zones and rates.",
        epilog="Exit codes: 0 done, 1 a bug, 2 wrong use, 3 some units failed or input refused.",
    )
    _for_all(parser, False)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _demo(commands)
    _new(commands)
    _template(commands)
    _add(commands)
    _set(commands)
    _withdraw(commands)
    _run(commands)
    _plan(commands)
    _compare(commands)
    _why(commands)
    _open(commands)
    _keep(commands)
    return parser


def _command(
    commands: Commands, name: str, module: str, function: str, words: str
) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(name, help=words, description=words)
    command.set_defaults(module=module, function=function)
    _for_all(command, argparse.SUPPRESS)
    return command


def _for_all(parser: argparse.ArgumentParser, silent: Any) -> None:
    """Options that may stand before or behind the command; `silent` is what saying neither sets."""
    parser.add_argument(
        "--json", action="store_true", default=silent, help="print one JSON document on stdout"
    )
    parser.add_argument(
        "--debug", action="store_true", default=silent, help="show the traceback of an error"
    )


def _pair(text: str) -> tuple[str, str]:
    left, equals, right = text.rpartition("=")
    if not equals or not left or not right:
        raise argparse.ArgumentTypeError(f"{text!r} should read NAME=VALUE")
    return left, right


def _year(text: str) -> int:
    year = int(text) if text.isascii() and text.isdigit() else 0
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a year with four figures, {FIRST_YEAR} to {LAST_YEAR}"
        )
    return year


def _crs(text: str) -> str:
    return f"EPSG:{text}" if text.isdigit() else text


def _demo(commands: Commands) -> None:
    demo = _command(commands, "demo", "demo", "demo", "make the demo farm and run both seasons")
    demo.add_argument("folder", nargs="?", type=Path, default=Path("ombervale"))
    demo.add_argument("--open", action="store_true", help="open the maps in the browser")


def _new(commands: Commands) -> None:
    new = _command(commands, "new", "intake", "new", "make a farm from outlines")
    new.add_argument("folder", type=Path)
    new.add_argument("--outlines", nargs="+", type=Path, required=True, metavar="FILE")
    new.add_argument("--crs", type=_crs, help="EPSG code, where a file does not say")
    new.add_argument("--accept", action="append", default=[], metavar="RULE")


def _template(commands: Commands) -> None:
    template = _command(
        commands, "template", "template", "template", "write an empty CSV and XLSX for results"
    )
    template.add_argument("folder", type=Path)


def _add(commands: Commands) -> None:
    add = _command(
        commands, "add", "intake", "add",
        "store outlines, results, places, tissue tests or records of what was spread",
    )  # fmt: skip
    add.add_argument("folder", type=Path)
    add.add_argument("files", nargs="+", type=Path, metavar="FILE")
    add.add_argument("--season", type=_year, metavar="YEAR", help="year of the soil sampling")
    add.add_argument(
        "--accept", action="append", default=[], metavar="RULE", help="agree to a proposed repair"
    )
    add.add_argument("--map-column", action="append", default=[], type=_pair, metavar="HEADING=KEY")
    add.add_argument("--unit", action="append", default=[], type=_pair, metavar="KEY=UNIT")
    add.add_argument("--method", action="append", default=[], type=_pair, metavar="KEY=METHOD")
    add.add_argument("--crs", type=_crs, help="EPSG code of the coordinates")
    add.add_argument(
        "--anew", action="store_true", help="do not read it as last year's file of the same layout"
    )


def _set(commands: Commands) -> None:
    change = _command(
        commands, "set", "change", "change", "correct a value or a place, or answer a question"
    )
    change.add_argument("folder", type=Path)
    change.add_argument("--season", type=_year, metavar="YEAR")
    change.add_argument("--sample", metavar="ID")
    change.add_argument("--key", metavar="KEY", help="a property, or sample, place, depth")
    change.add_argument("--value", metavar="VALUE")
    change.add_argument("--exclude", action="store_true", help="leave the sample out")
    change.add_argument("--block", metavar="NAME", help="the block to rename or retire")
    change.add_argument("--rename", metavar="NEW")
    change.add_argument("--retire", action="store_true")
    change.add_argument("--use-again", action="store_true", help="a retired block")
    change.add_argument("--reason", required=True, metavar="TEXT")
    change.add_argument("--who", default="", metavar="NAME")


def _withdraw(commands: Commands) -> None:
    withdraw = _command(
        commands, "withdraw", "change", "withdraw", "take back everything one file brought"
    )
    withdraw.add_argument("folder", type=Path)
    withdraw.add_argument("file")
    withdraw.add_argument("--reason", default="", metavar="TEXT")
    withdraw.add_argument("--who", default="", metavar="NAME")


def _run(commands: Commands) -> None:
    run = _command(
        commands, "run", "run", "run", "ratings, maps, zones, rates and files of a season"
    )
    run.add_argument("folder", type=Path, help="a farm, or a folder of farms")
    run.add_argument("--season", type=_year, required=True, metavar="YEAR")
    run.add_argument("--block", metavar="NAME")
    run.add_argument("--layer", metavar="TOP-BOTTOM", help="depth layer in cm; else the top one")
    run.add_argument("--jobs", type=int, default=1, metavar="N", help="blocks at the same time")
    run.add_argument("--shard", metavar="I/N", help="only every N-th block, the I-th share")
    run.add_argument("--resume", action="store_true", help="leave out what is up to date")
    run.add_argument("--only-failed", action="store_true", help="only what failed before")


def _compare(commands: Commands) -> None:
    compare = _command(
        commands, "compare", "compare", "compare", "what changed between two seasons, beyond doubt"
    )
    compare.add_argument("folder", type=Path)
    compare.add_argument("first", type=_year, metavar="YEAR", help="the earlier season")
    compare.add_argument("second", type=_year, metavar="YEAR", help="the later season")
    compare.add_argument("--block", metavar="NAME", help="only this block; the others keep theirs")


def _plan(commands: Commands) -> None:
    plan = _command(commands, "plan", "plan", "plan", "where to sample in a season, and the walk")
    plan.add_argument("folder", type=Path)
    plan.add_argument("--season", type=_year, required=True, metavar="YEAR")
    plan.add_argument(
        "--spots", type=int, metavar="N", help="spots in each block; else as many as last time"
    )
    plan.add_argument(
        "--budget", type=float, metavar="MONEY", help="as many spots as this pays, work included"
    )
    plan.add_argument(
        "--doubt", type=float, metavar="PERCENT", help="as few as leave this much of the spread"
    )
    plan.add_argument("--block", metavar="NAME", help="only this block; the others keep theirs")
    plan.add_argument(
        "--repeats", type=int, metavar="N", help="old stations among them; else two thirds"
    )
    plan.add_argument("--keep", action="append", default=[], metavar="ID", help="repeat this one")
    plan.add_argument(
        "--at", action="append", default=[], type=_place, metavar="LON,LAT", help="a spot asked for"
    )
    plan.add_argument("--gate", type=_place, metavar="LON,LAT", help="where each walk begins")
    plan.add_argument(
        "--avoid", action="append", default=[], type=Path, metavar="FILE", help="no-go areas"
    )
    plan.add_argument("--a-day", type=int, metavar="N", help="spots one day can hold")
    plan.add_argument(
        "--along-rows", action="store_true", help="rows cannot be crossed: walk round their ends"
    )


def _place(text: str) -> tuple[float, float]:
    lon, comma, lat = text.partition(",")
    try:
        place = float(lon), float(lat)
    except ValueError:
        comma = ""
    if not comma or not (abs(place[0]) <= 180.0 and abs(place[1]) <= 90.0):
        raise argparse.ArgumentTypeError(f"{text!r} should read LON,LAT in degrees")
    return place


def _why(commands: Commands) -> None:
    why = _command(commands, "why", "why", "why", "the chain behind one rate")
    why.add_argument("folder", type=Path)
    why.add_argument("--season", type=_year, required=True, metavar="YEAR")
    why.add_argument("--block", metavar="NAME")
    why.add_argument("--zone", type=int, required=True, metavar="N")
    why.add_argument("--material", required=True, metavar="M")


def _open(commands: Commands) -> None:
    app = _command(
        commands, "open", "open", "open_app", "open a farm, or all farms, in the browser"
    )
    app.add_argument("folder", type=Path, help="a farm, a folder of farms, or one to be made")
    app.add_argument("--port", type=int, default=0, metavar="N", help="else any free one")
    app.add_argument("--no-browser", action="store_true", help="serve only")


def _keep(commands: Commands) -> None:
    check = _command(commands, "check", "keep", "check", "verify records, originals and files")
    check.add_argument("folder", type=Path)
    backup = _command(commands, "backup", "keep", "backup", "write the whole farm into one zip")
    backup.add_argument("folder", type=Path)
    backup.add_argument("file", type=Path)
    restore = _command(commands, "restore", "keep", "restore", "make a farm folder from a backup")
    restore.add_argument("file", type=Path)
    restore.add_argument("folder", type=Path)


if __name__ == "__main__":
    sys.exit(main())
