"""A real HTTP server on loopback that publishes a key set, as a client would; what it answers can be changed."""

import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass
class Published:
    """What is answered next, and what was asked."""

    body: bytes = b""
    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    chunked: bool = False
    pause_s: float = 0.0
    asked: list[dict[str, str]] = field(default_factory=list)
    url: str = ""
    host: str = ""


@contextmanager
def key_server():
    published = Published()

    class Answer(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self):
            published.asked.append({"path": self.path, **{k.lower(): v for k, v in self.headers.items()}})
            self.send_response(published.status)
            for name, value in published.headers.items():
                self.send_header(name, value)
            try:
                self._send(published.body)
            except OSError:
                self.close_connection = True  # the other side hung up, as it should with some of the answers

        def _send(self, body):
            if published.chunked:
                self.send_header("Transfer-Encoding", "chunked")
                self.end_headers()
                for start in range(0, len(body), 100):
                    piece = body[start : start + 100]
                    self.wfile.write(b"%x\r\n%s\r\n" % (len(piece), piece))
                self.wfile.write(b"0\r\n\r\n")
                return
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            if not published.pause_s:
                self.wfile.write(body)
                return
            for octet in body:
                self.wfile.write(bytes([octet]))
                time.sleep(published.pause_s)

        def log_message(self, *arguments):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    published.host = f"127.0.0.1:{server.server_address[1]}"
    published.url = f"http://{published.host}/jwks.json"
    try:
        yield published
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
