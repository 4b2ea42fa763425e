"""Peers of an MLLP exchange on loopback sockets: one of hl7apy, and one that does what a test tells it."""

import socket
import ssl
import threading
from contextlib import contextmanager, suppress

import hl7
from hl7apy.mllp import AbstractHandler, MLLPServer

START, STOP = b"\x0b", b"\x1c\r"


class Takes(AbstractHandler):
    """Keeps each message and acknowledges it as python-hl7 does."""

    def __init__(self, message, kept, code):
        super().__init__(message)
        self.kept, self.code = kept, code

    def reply(self):
        self.kept.append(self.incoming_message)
        ack = str(hl7.parse(self.incoming_message).create_ack(self.code))
        return f"\x0b{ack}\x1c\r"


@contextmanager
def library_peer(code="AA"):
    """The server of hl7apy; yields its port and the messages that it took."""
    kept = []
    server = MLLPServer("127.0.0.1", 0, {"ORU^R01^ORU_R01": (Takes, kept, code)}, timeout=5)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield server.server_address[1], kept
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)


@contextmanager
def scripted_peer(answer, tls=None):
    """A peer that reads one block and then calls `answer(connection, block)`; yields its port and what it read."""
    listener = socket.create_server(("127.0.0.1", 0))
    read = []

    def serve():
        with suppress(OSError):
            while True:
                connection, _ = listener.accept()
                with suppress(OSError, ssl.SSLError):
                    if tls is not None:
                        connection = tls.wrap_socket(connection, server_side=True)
                    connection.settimeout(5)
                    block = b""
                    while STOP not in block:
                        chunk = connection.recv(4096)
                        if not chunk:
                            break
                        block += chunk
                    read.append(block)
                    answer(connection, block)
                connection.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1], read
    finally:
        with suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)  # wakes the thread that accepts
        listener.close()
        thread.join(5)


def acknowledgement(code, control_id, *segments):
    lines = ["MSH|^~\\&|PEER|WARD|||20260101||ACK|1|P|2.5.1", f"MSA|{code}|{control_id}", *segments]
    return START + "\r".join([*lines, ""]).encode() + STOP
