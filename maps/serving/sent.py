"""What a script of our pages sent with a request."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request

from geo.errors import UsageError


async def sent_by(request: Request) -> dict[str, Any]:
    """The JSON object in the body of a request.

    Raises
    ------
    UsageError
        If there is none.
    """
    try:
        sent = await request.json()
    except ValueError:
        sent = None
    if not isinstance(sent, dict):
        raise UsageError("This request cannot be read. Nothing was changed.")
    return sent
