"""`set` and `withdraw`: later changes, each with who and why."""

from __future__ import annotations

import argparse
import getpass

from geo.errors import UsageError
from geo.store.corrections import Change, exclude_sample, set_value
from geo.upkeep import rename_block, retire_block, use_block_again, withdraw_file
from maps.answer import Answer


def change(arguments: argparse.Namespace) -> Answer:
    """Correct a value or a place, answer a question, rename or retire a block."""
    who = Change(arguments.season or 0, arguments.who or _user(), arguments.reason)
    if arguments.block is not None:
        done = _change_block(arguments, who)
    elif arguments.season is None or arguments.sample is None:
        raise UsageError("Say which sample: --season YEAR --sample ID; or which block: --block.")
    elif arguments.exclude:
        done = exclude_sample(arguments.folder, who, arguments.sample)
    elif arguments.key is None or arguments.value is None:
        raise UsageError("Say what to set: --key KEY --value VALUE, or --exclude.")
    else:
        done = set_value(arguments.folder, who, arguments.sample, arguments.key, arguments.value)
    return Answer(
        lines=[*done, "The old value is kept. Run the season again to see what changes."],
        document={"done": list(done)},
    )


def _change_block(arguments: argparse.Namespace, who: Change) -> tuple[str, ...]:
    if arguments.retire + arguments.use_again + (arguments.rename is not None) != 1:
        raise UsageError("Say one of --rename NEW, --retire, --use-again beside --block NAME.")
    if arguments.use_again:
        return (use_block_again(arguments.folder, arguments.block, who),)
    if arguments.retire:
        return (retire_block(arguments.folder, arguments.block, who),)
    return (rename_block(arguments.folder, arguments.block, arguments.rename, who),)


def withdraw(arguments: argparse.Namespace) -> Answer:
    """Take back everything one file brought."""
    reason = arguments.reason or "withdrawn by command"
    who = Change(0, arguments.who or _user(), reason)
    what = withdraw_file(arguments.folder, arguments.file, who)
    return Answer(lines=[what], document={"done": [what]})


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "not known"
