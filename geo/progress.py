"""How far a long calculation is: told to whoever asked, by a function passed down to it."""

from __future__ import annotations

from collections.abc import Callable

#: Called with what is being worked on, how many of its kind are done, and of how many; 0 of 0 where
#: there is one of it. It may raise to end the calculation: nothing is written until the end.
Progress = Callable[[str, int, int], None]


def silent(what: str, done: int, of: int) -> None:
    """Nobody asked."""
