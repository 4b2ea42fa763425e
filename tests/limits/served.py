"""A real server on a free port, in a thread, with the protocol and settings of `serve`; and raw sockets to it."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import uvicorn

from service.commands.serving import server_config

START_WITHIN_S = 10


@contextmanager
def served(app, limits, tls=None) -> Iterator[int]:
    """The port of a server that ends with the block."""
    server = uvicorn.Server(server_config(app, "127.0.0.1", 0, limits, tls))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + START_WITHIN_S
    while not server.started:
        assert thread.is_alive()
        assert time.monotonic() < until
        time.sleep(0.01)
    try:
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(timeout=20)
        assert not thread.is_alive()


def connected(port: int) -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", port), timeout=20)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connection


def received(connection: socket.socket) -> bytes:
    """Everything until the server closes."""
    got = b""
    with suppress(ConnectionError):
        while part := connection.recv(65536):
            got += part
    return got


def got_until(connection: socket.socket, wanted: bytes) -> bool:
    """Whether the wanted bytes come; the connection stays open."""
    got = b""
    while wanted not in got and (part := connection.recv(65536)):
        got += part
    return wanted in got


def answered(port: int, request: bytes) -> bytes:
    """What one connection gets for its bytes."""
    with connected(port) as connection:
        with suppress(ConnectionError):
            connection.sendall(request)
        return received(connection)


def trickled(connection: socket.socket, text: bytes, pause_s: float, most_s: float) -> float:
    """Send byte by byte until the server closes or answers; how long it took."""
    began = time.monotonic()
    connection.settimeout(pause_s)
    for byte in text:
        if time.monotonic() - began > most_s:
            break
        try:
            connection.sendall(bytes([byte]))
            if connection.recv(1, socket.MSG_PEEK) is not None:
                break
        except TimeoutError:
            continue
        except ConnectionError:
            break
    connection.settimeout(20)
    return time.monotonic() - began
