"""A FHIR server that answers what a test wants, for what the real one does not do on demand."""

import json
import os
import subprocess
import sys
import threading
import time
from base64 import urlsafe_b64decode
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import parse_qs

SCRIPTS = Path(__file__).parents[2] / "examples" / "hospital"


class StandIn:
    """What is answered next, and what was asked."""

    def __init__(self, base: str, folder: Path, expires_in: int) -> None:
        self.base, self.folder, self.expires_in = base, folder, expires_in
        self.pages: list[list[Any] | None] = []  # None: 503
        self.export: list[tuple[int, dict[str, str], Any]] = []
        self.files: dict[str, str] = {}
        self.asked: list[str] = []
        self.asked_at: list[float] = []
        self.assertions: list[str] = []
        self.tokens_granted = 0
        self.pause_s = 0.0
        self.next_url = ""

    def run(self, script: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        told = {
            "READINGS_BASE": self.base,
            "READINGS_CLIENT_ID": "c",
            "READINGS_KEY_FILE": str(self.folder / "private-key.json"),
        }
        command = [sys.executable, "-W", "error", str(SCRIPTS / f"{script}.py"), *arguments]
        return subprocess.run(command, env=os.environ | told, capture_output=True, text=True, timeout=60, check=False)

    def waited_s(self) -> float:
        """Between the last two questions how the export goes."""
        times = [at for at, asked in zip(self.asked_at, self.asked, strict=True) if asked == "GET /fhir/status"]
        return times[-1] - times[-2]

    def answer(self, method: str, path: str, form: str) -> tuple[int, dict[str, str], Any]:
        """Status, headers, body."""
        if path.endswith("smart-configuration"):
            return 200, {}, {"token_endpoint": self.base.replace("/fhir", "/token")}
        if path == "/token":
            self.tokens_granted += 1
            claims = parse_qs(form)["client_assertion"][0].split(".")[1]
            self.assertions.append(json.loads(urlsafe_b64decode(claims + "=="))["jti"])
            return 200, {}, {"access_token": f"t{self.tokens_granted}", "expires_in": self.expires_in, "scope": "s"}
        if method == "DELETE":
            return 202, {}, None
        if "$export" in path:
            return 202, {"Content-Location": f"{self.base}/status"}, None
        if path == "/fhir/status":
            status, headers, manifest = self.export.pop(0)
            for part in (manifest or {}).get("output", ()):
                part["url"] = self.base + part["url"]
            return status, headers, manifest
        if path.removeprefix("/fhir") in self.files:
            return 200, {}, self.files[path.removeprefix("/fhir")]
        if path.startswith("/fhir/Task?"):
            return self._page()
        return 404, {}, {"resourceType": "OperationOutcome", "issue": [{"code": "not-found"}]}

    def _page(self) -> tuple[int, dict[str, str], Any]:
        time.sleep(self.pause_s)
        rows = self.pages.pop(0) if self.pages else []
        if rows is None:
            self.pages.insert(0, None)
            issue = {"severity": "error", "code": "transient", "diagnostics": "no database"}
            return 503, {"Retry-After": "0"}, {"resourceType": "OperationOutcome", "issue": [issue]}
        following = self.next_url or (f"{self.base}/Task?page=next" if self.pages else "")
        link = [{"relation": "next", "url": following}] if following else []
        return 200, {}, {"link": link, "entry": [{"resource": row, "search": {"mode": "match"}} for row in rows]}


@contextmanager
def stand_in(expires_in: int = 300) -> Iterator[StandIn]:
    """Listening on loopback until the block ends, with a key made for its client."""

    class Answer(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def handle_any(self) -> None:
            form = self.rfile.read(int(self.headers.get("Content-Length", "0"))).decode()
            told.asked.append(f"{self.command} {self.path}")
            told.asked_at.append(time.monotonic())
            status, headers, body = told.answer(self.command, self.path, form)
            octets = b"" if body is None else (body if isinstance(body, str) else json.dumps(body)).encode()
            self.send_response(status)
            for name, value in {
                **headers,
                "Content-Length": str(len(octets)),
                "Content-Type": "application/fhir+json",
            }.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(octets)

        do_GET = do_POST = do_DELETE = handle_any  # noqa: N815 - the names that the server looks for

        def log_message(self, *arguments: Any) -> None:
            pass

    with TemporaryDirectory() as folder:
        subprocess.run([sys.executable, SCRIPTS / "make_keys.py", folder], check=True, capture_output=True)
        server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
        server.daemon_threads = True
        told = StandIn(f"http://127.0.0.1:{server.server_address[1]}/fhir", Path(folder), expires_in)
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield told
        finally:
            server.shutdown()
            server.server_close()
            thread.join()
