"""`open`: the browser app on this machine."""

from __future__ import annotations

import argparse
import socket
import threading
import time
import webbrowser

from geo.errors import UsageError
from maps.answer import Answer, tell


def open_app(arguments: argparse.Namespace) -> Answer:
    """Serve a farm, or all farms of a folder, until it is stopped."""
    import uvicorn

    from maps.app import create_app

    folder = arguments.folder
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file. Give the farm's folder.")
    listening = _listen(arguments.port)
    address = f"http://127.0.0.1:{listening.getsockname()[1]}/"
    config = uvicorn.Config(create_app(folder), log_level="warning", timeout_graceful_shutdown=2)
    server = uvicorn.Server(config)
    tell(f"{folder} is open at {address} on this computer only. Stop with Ctrl-C.")
    if not arguments.no_browser:
        threading.Thread(target=_show, args=(server, address), daemon=True).start()
    server.run(sockets=[listening])
    return Answer(lines=[], document={"address": address})


def _listen(port: int) -> socket.socket:
    """A socket on the port asked for, or on any free one."""
    listening = socket.socket()
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind(("127.0.0.1", port))
    except OSError:
        raise UsageError(f"Port {port} is in use. Take another, or none: --port N.") from None
    return listening


def _show(server: object, address: str) -> None:
    for _ in range(200):
        if getattr(server, "started", False):
            webbrowser.open(address)
            return
        time.sleep(0.05)
