"""farm.toml changed as text, so that a person's own comments stay; the old text is kept."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

from geo.errors import FarmError
from geo.settings import read_settings
from geo.settings_text import toml_text

#: Old texts are kept beside farm.toml under this name.
HISTORY = "farm.toml.before"


def write_settings_text(farm: Path, text: str) -> None:
    """Take a new farm.toml if it can be read; what stood before is kept.

    Raises
    ------
    FarmError
        If it is not TOML or has an unknown key; nothing is changed then.
    """
    text = text.replace("\r\n", "\n")
    current = farm / "farm.toml"
    with tempfile.TemporaryDirectory(dir=farm, prefix=".settings-") as temporary:
        tried = Path(temporary) / "farm.toml"
        tried.write_text(text, encoding="utf-8")
        for table in farm.glob("*.[tc][os][mv]*"):
            if table.is_file() and table.name != "farm.toml":
                (Path(temporary) / table.name).write_bytes(table.read_bytes())
        read_settings(tried)
        (farm / HISTORY).write_bytes(current.read_bytes())
        os.replace(tried, current)


def take_back(farm: Path) -> None:
    """Put the text before the last change in place, and the present one in its stead."""
    before = farm / HISTORY
    if not before.is_file():
        raise FarmError("There is no earlier farm.toml to go back to.")
    write_settings_text(farm, before.read_text(encoding="utf-8"))


def mark_of(farm: Path) -> str:
    """A short mark of farm.toml as it is, to see later whether anything changed it."""
    return hashlib.sha256((farm / "farm.toml").read_bytes()).hexdigest()[:16]


def with_key(text: str, table: tuple[str, ...], key: str, value: str) -> str:
    r"""The text with one key of one table set; the rest stays letter for letter.

    Parameters
    ----------
    table : tuple of str
        Names of the table from the outside in.
    value : str
        As TOML writes it.

    Examples
    --------
    >>> print(with_key("[a]\nx = 1  # mine\n[b]\n", ("a",), "y", "2"))
    [a]
    x = 1  # mine
    y = 2
    [b]
    <BLANKLINE>
    >>> print(with_key("[a]\nb = { x = 1 }  # mine\n", ("a", "b"), "y", "2"))
    [a]
    b = { x = 1, y = 2 }  # mine
    <BLANKLINE>
    """
    lines = text.split("\n")
    span = _span(lines, table)
    if span is None:
        braces = _in_braces(lines, table)
        if braces is not None:
            at, held = braces
            lines[at] = _with_braces(lines[at], table[-1], {**held, key: value})
            return "\n".join(lines)
        name = ".".join(_quoted(part) for part in table)
        return text.rstrip("\n") + f"\n\n[{name}]\n{key} = {value}\n"
    start, end = span
    found = _line_of(lines, start + 1, end, key)
    if found is not None:
        comment = _comment(lines[found], key)
        lines[found] = f"{key} = {value}{comment}"
        return "\n".join(lines)
    last = max((i for i in range(start, end) if lines[i].strip()), default=start)
    lines.insert(last + 1, f"{key} = {value}")
    return "\n".join(lines)


def without_key(text: str, table: tuple[str, ...], key: str) -> str:
    r"""The text with one key of one table put behind a comment mark, so that its default holds.

    Examples
    --------
    >>> print(without_key("[a]\nx = 1  # mine\n", ("a",), "x"))
    [a]
    # x = 1  # mine
    <BLANKLINE>
    >>> print(without_key("[a]\nb = { x = 1, y = 2 }\n", ("a", "b"), "x"))
    [a]
    b = { y = 2 }
    <BLANKLINE>
    """
    lines = text.split("\n")
    span = _span(lines, table)
    if span is None:
        braces = _in_braces(lines, table)
        if braces is not None:
            at, held = braces
            left = {name: words for name, words in held.items() if name != key}
            lines[at] = _with_braces(lines[at], table[-1], left)
        return "\n".join(lines)
    for i in range(span[0] + 1, span[1]):
        if re.match(rf"\s*{re.escape(key)}\s*=", lines[i]):
            lines[i] = f"# {lines[i].lstrip()}"
    return "\n".join(lines)


def _span(lines: Sequence[str], table: tuple[str, ...]) -> tuple[int, int] | None:
    """The line of a table's header, and that of the next one's; None without a header."""
    start = next((i for i, line in enumerate(lines) if _header(line) == table), None)
    if start is None:
        return None
    for end in range(start + 1, len(lines)):
        if lines[end].lstrip().startswith("["):
            return start, end
    return start, len(lines)


def _in_braces(lines: Sequence[str], table: tuple[str, ...]) -> tuple[int, dict[str, str]] | None:
    """The line on which a table is written in braces, and its values as TOML writes them.

    None where it is not, or holds what is more than a text, a number, yes or no, or a list of such.
    """
    start = next((i for i, line in enumerate(lines) if _header(line) == table[:-1]), None)
    for i in range(len(lines) if start is None else start + 1, len(lines)):
        if lines[i].lstrip().startswith("["):
            return None
        if re.match(rf"\s*{re.escape(_quoted(table[-1]))}\s*=\s*\{{", lines[i]):
            try:
                held = tomllib.loads(lines[i])[table[-1]]
                return i, {name: _toml(value) for name, value in held.items()}
            except (tomllib.TOMLDecodeError, TypeError):
                return None
    return None


def _with_braces(line: str, name: str, values: Mapping[str, str]) -> str:
    """The line with other values between its braces; its comment stays."""
    inside = ", ".join(f"{_quoted(key)} = {value}" for key, value in values.items())
    written = f"{_quoted(name)} = {{ {inside} }}" if inside else f"{_quoted(name)} = {{}}"
    return written + _comment(line, _quoted(name))


def _toml(value: object) -> str:
    """A plain value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, list):
        return f"[{', '.join(_toml(one) for one in value)}]"
    raise TypeError(value)


def _line_of(lines: Sequence[str], start: int, end: int, key: str) -> int | None:
    """The line that sets a key, or the one that shows it behind a comment mark."""
    for pattern in (rf"\s*{re.escape(key)}\s*=", rf"\s*#\s*{re.escape(key)}\s*="):
        for i in range(start, end):
            if re.match(r"\s*#\s*\[", lines[i]):
                break  # an example of another table
            if re.match(pattern, lines[i]):
                return i
    return None


def _comment(line: str, key: str) -> str:
    """What stands behind the value, with the space before it; a # inside a text is no comment."""
    line = re.sub(r"^\s*#\s*", "", line)
    string = r'"(?:[^"\\]|\\.)*"|' + r"'[^']*'"
    found = re.match(rf"{re.escape(key)}\s*=(?:{string}|[^\"'#])*", line.lstrip())
    rest = line.lstrip()[found.end() :] if found else ""
    return f"  {rest}" if rest.startswith("#") else ""


def _header(line: str) -> tuple[str, ...] | None:
    """Names of a table header, as TOML reads them; None for another line."""
    if not line.lstrip().startswith("[") or line.lstrip().startswith("[["):
        return None
    try:
        node = tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        return None
    names: list[str] = []
    while node:
        name, node = next(iter(node.items()))
        names.append(name)
    return tuple(names)


def _quoted(name: str) -> str:
    if re.fullmatch(r"[A-Za-z0-9_-]+", name):
        return name
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
