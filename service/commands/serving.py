"""`serve`: the HTTP service on loopback."""

import sys
from dataclasses import replace
from pathlib import Path

from service.config import DEFAULT_PUBLIC_BASE, LOOPBACK, Settings, settings_from

NO_SIGN_IN = "refused: there is no sign-in yet, so the service binds a loopback address only (127.0.0.1, ::1)"


def run_server(host: str, port: int, examples_when_empty: bool) -> int:
    """Serve until interrupted; refuses any address but loopback."""
    if host not in LOOPBACK:
        print(NO_SIGN_IN, file=sys.stderr)
        return 2
    import uvicorn

    from service.api.app import create_app
    from service.api.protocol import ClosureProtocol

    settings = settings_from()
    if settings.public_base == DEFAULT_PUBLIC_BASE:
        name = f"[{host}]" if ":" in host else host
        settings = replace(settings, public_base=f"http://{name}:{port}")
    if examples_when_empty:
        _load_examples(settings)
    print(f"serving {settings.public_base} (site {settings.site}); stop with Ctrl-C", file=sys.stderr)
    uvicorn.run(
        create_app(settings), host=host, port=port, http=ClosureProtocol, log_level="warning", server_header=False
    )
    return 0


def _load_examples(settings: Settings) -> None:
    """Load the example courses of the checkout into a database that holds no course."""
    from service.commands.loading import load_into
    from service.workflow import open_workflow

    folder = Path(__file__).resolve().parents[2] / "examples"
    workflow = open_workflow(settings)
    try:
        if folder.is_dir() and workflow.is_empty():
            files = sorted(path for path in folder.glob("[0-9]*/*") if path.suffix in (".json", ".jsonl"))
            load_into(workflow, [path for path in files if path.name.startswith("course")], None)
    finally:
        workflow.close()
