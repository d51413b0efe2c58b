"""The guard: who may ask, what may be sent. Rules of Fetch (Origin, Sec-Fetch-Site), RFC 9110."""

import asyncio

import pytest

from maps.serving.guard import Guard, refusal

HOST = "127.0.0.1:8000"


async def echo(_scope, receive, send):
    """An application that reads the whole body and answers with its length."""
    seen, more = 0, True
    while more:
        message = await receive()
        seen += len(message.get("body", b""))
        more = message.get("more_body", False)
    start = {"type": "http.response.start", "status": 200, "headers": []}
    await send(start)
    await send({"type": "http.response.body", "body": str(seen).encode()})


def ask(method="GET", host=HOST, chunks=(b"",), most=1000, **headers):
    """Status and headers of one request, its body coming in chunks."""
    sent = []
    given = [(b"host", host.encode())]
    given += [(k.replace("_", "-").encode(), v.encode()) for k, v in headers.items()]
    scope = {"type": "http", "method": method, "path": "/", "headers": given}
    waiting = list(chunks)

    async def receive():
        body = waiting.pop(0)
        return {"type": "http.request", "body": body, "more_body": bool(waiting)}

    async def send(message):
        sent.append(message)

    asyncio.run(Guard(echo, most)(scope, receive, send))
    return sent[0]["status"], dict(sent[0]["headers"])


@pytest.mark.parametrize("host", [HOST, "localhost:9", "127.0.0.1", "localhost"])
def test_this_machine_may_ask(host):
    assert ask(host=host)[0] == 200


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8000", "127.0.0.1.evil.example", "10.0.0.1:8000", ""]
)
def test_a_forged_host_is_refused(host):
    assert ask(host=host)[0] == 400


def test_a_post_needs_an_origin_of_its_own():
    assert ask("POST")[0] == 403
    assert ask("POST", origin=f"http://{HOST}")[0] == 200
    assert ask("POST", x_soilquilt="1")[0] == 200
    assert ask("POST", sec_fetch_site="same-origin")[0] == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:9999", f"https://{HOST}"]
)
def test_a_foreign_origin_is_refused_whatever_else_it_sends(method, origin):
    assert ask(method, origin=origin, x_soilquilt="1")[0] == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site", "none"])
def test_a_post_from_another_site_is_refused(site):
    assert ask("POST", sec_fetch_site=site, origin=f"http://{HOST}")[0] == 403


def test_another_page_may_link_here_but_not_fetch():
    assert ask(sec_fetch_site="cross-site", sec_fetch_mode="navigate")[0] == 200
    assert ask(sec_fetch_site="cross-site", sec_fetch_mode="no-cors")[0] == 403
    assert ask(sec_fetch_site="same-origin", sec_fetch_mode="cors")[0] == 200


def test_too_large_a_body_is_refused_however_it_comes():
    fits = ask("POST", chunks=[b"x" * 500, b"x" * 500], x_soilquilt="1")
    chunked = ask("POST", chunks=[b"x" * 400] * 3, x_soilquilt="1")
    lying = ask("POST", chunks=[b"x" * 2000], x_soilquilt="1", content_length="10")
    assert (fits[0], chunked[0], lying[0]) == (200, 413, 413)


def test_every_answer_says_what_a_page_may_load():
    for status, headers in (ask(), ask(host="evil.example")):
        assert status in (200, 400)
        policy = headers[b"content-security-policy"].decode()
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe-eval" not in policy
        script = next(part for part in policy.split(";") if "script-src" in part)
        assert "unsafe-inline" not in script
        assert headers[b"x-content-type-options"] == b"nosniff"


def test_a_nonce_is_used_once():
    policies = {ask()[1][b"content-security-policy"] for _ in range(8)}
    assert len(policies) == 8


def test_websockets_are_not_answered():
    sent = []

    async def send(message):
        sent.append(message)

    asyncio.run(Guard(echo)({"type": "websocket", "headers": []}, None, send))
    assert sent == []


def test_the_reason_is_said():
    scope = {"method": "GET", "headers": [(b"host", b"evil.example")]}
    assert "127.0.0.1" in refusal(scope)[1]
