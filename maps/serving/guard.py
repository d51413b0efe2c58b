"""The guard in front of every request: who may ask, how much they may send, what a page may load.

The server listens on this machine alone, but any page open in the same browser can send requests
to it. A foreign page is told apart by the names it used: Host against DNS rebinding, Origin and
Sec-Fetch-Site against forged posts.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Asgi = Callable[[Scope, Receive, Send], Awaitable[None]]

#: Names under which this machine may be asked.
HOSTS = ("127.0.0.1", "localhost")
#: Most bytes of one request: three files of the largest size that intake reads.
MOST_BODY_BYTES = 64_000_000
CHANGING = ("POST", "PUT", "PATCH", "DELETE")
#: Sent by our own scripts; another site cannot send it without being asked first, and is refused.
OWN_HEADER = b"x-soilquilt"


class TooLargeError(Exception):
    """More bytes came than a request may have."""


class Guard:
    """ASGI application around another: refuses strangers, counts bytes, sets the headers."""

    def __init__(self, app: Asgi, most_body_bytes: int = MOST_BODY_BYTES) -> None:
        self.app, self.most = app, most_body_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        refused = refusal(scope)
        if refused is not None:
            await _answer(send, *refused)
            return
        scope["nonce"] = secrets.token_urlsafe(16)
        begun, seen = False, 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > self.most:
                raise TooLargeError
            return message

        async def with_headers(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message["headers"] = [
                    *message.get("headers", []),
                    *headers(scope["nonce"], scope.get("pictures_from", "")),
                ]
            await send(message)

        try:
            await self.app(scope, counted, with_headers)
        except TooLargeError:
            if not begun:
                most = self.most // 1_000_000
                await _answer(send, 413, f"More than {most} MB at once. Nothing was stored.")


def refusal(scope: Scope) -> tuple[int, str] | None:
    """Status and reason if a request must not be answered; None if it may.

    Rules of the Fetch standard (Sec-Fetch-Site, Origin) and RFC 9110 (Host).
    """
    given = {name.lower(): value.decode("latin-1") for name, value in scope["headers"]}
    host = given.get(b"host", "")
    if host.rpartition(":")[0 if ":" in host else 2] not in HOSTS:
        return 400, "This server answers to 127.0.0.1 and localhost only."
    site = given.get(b"sec-fetch-site")
    if scope["method"] in CHANGING:
        origin = given.get(b"origin")
        if site not in (None, "same-origin") or origin not in (None, f"http://{host}"):
            return 403, "This request came from another page. Nothing was changed."
        if site is None and origin is None and OWN_HEADER not in given:
            return 403, "This request does not say which page it came from. Nothing was changed."
    elif site in ("cross-site", "same-site") and given.get(b"sec-fetch-mode") != "navigate":
        return 403, "This request came from another page."
    return None


def headers(nonce: str, pictures_from: str = "") -> list[tuple[bytes, bytes]]:
    """What a page may load and who may hold it.

    Parameters
    ----------
    nonce : str
        Of the page's own scripts.
    pictures_from : str
        Scheme, host and port that pictures may come from beside this server; the user's own
        choice in farm.toml, empty unless made.
    """
    images = f"'self' data: {pictures_from}".rstrip()
    policy = (
        f"default-src 'none'; script-src 'self' 'nonce-{nonce}'; style-src 'self' 'unsafe-inline'; "
        f"img-src {images}; connect-src 'self'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    )
    return [
        (b"content-security-policy", policy.encode()),
        (b"x-content-type-options", b"nosniff"),
        (b"cross-origin-opener-policy", b"same-origin"),
        (b"cross-origin-resource-policy", b"same-origin"),
        # "no-referrer" would make the browser send "Origin: null" with our own forms.
        (b"referrer-policy", b"same-origin"),
    ]


async def _answer(send: Send, status: int, words: str) -> None:
    body = words.encode()
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                (b"content-type", b"text/plain; charset=utf-8"),
                (b"content-length", str(len(body)).encode()),
                (b"connection", b"close"),
                *headers(secrets.token_urlsafe(16)),
            ],
        }
    )
    await send({"type": "http.response.body", "body": body})
