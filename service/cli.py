"""The command line: serve, load, map, validate, due, show, openapi.

Imports of the heavy parts stand inside the commands, so that `map` and `--help` start fast. Exit codes: 0 done,
1 something was refused or is not valid, 2 the command was called wrongly, 3 the database does not answer.
"""

from pathlib import Path
from typing import Annotated, Any

import typer

app = typer.Typer(
    name="closure-readings",
    help="Bedside readings of gradual wound closure in, validated FHIR R4 out.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
Files = Annotated[list[Path], typer.Argument(exists=True, readable=True, dir_okay=False)]


def main() -> None:
    """Entry point of the console command."""
    app()


@app.command()
def serve(
    port: Annotated[int, typer.Option(help="Port on the loopback address.")] = 8080,
    host: Annotated[str, typer.Option(help="Address to bind; only loopback while there is no sign-in.")] = "127.0.0.1",
    examples_when_empty: Annotated[bool, typer.Option(help="Load the example courses into an empty database.")] = False,
) -> None:
    """Serve the intake and the FHIR API."""
    from service.commands.serving import run_server

    raise typer.Exit(run_server(host, port, examples_when_empty))


@app.command()
def load(
    files: Files,
    courses: Annotated[
        Path | None, typer.Option(exists=True, help="Courses of a CSV pair; FILES are its readings.")
    ] = None,
) -> None:
    """Load course files (.json), JSON Lines (.jsonl, .ndjson) or a CSV pair; what is refused goes to a rejects file."""
    from service.commands.loading import load_files

    raise typer.Exit(load_files(files, courses))


@app.command(name="map")
def map_file(file: Annotated[Path, typer.Argument(exists=True, readable=True, dir_okay=False)]) -> None:
    """Print the FHIR transaction Bundle of a course file; nothing is stored."""
    from service.commands.mapping import map_course_file

    raise typer.Exit(map_course_file(file))


@app.command()
def validate(
    files: Files,
    second_opinion: Annotated[bool, typer.Option(help="Ask fhir.resources (R4B models) too.")] = False,
) -> None:
    """Check FHIR R4 JSON or NDJSON; prints an OperationOutcome a file."""
    from service.commands.validating import validate_files

    raise typer.Exit(validate_files(files, second_opinion))


@app.command()
def due(
    within_h: Annotated[int, typer.Option(min=0, max=336, help="Look ahead so many hours.")] = 24,
    as_json: Annotated[bool, typer.Option("--json", help="The due board as JSON.")] = False,
) -> None:
    """The open resets, most overdue first."""
    from service.commands.showing import show_due

    raise typer.Exit(show_due(within_h, as_json))


@app.command()
def show(
    course: Annotated[str, typer.Argument(help="The course_id.")],
    as_json: Annotated[bool, typer.Option("--json", help="The course view as JSON.")] = False,
) -> None:
    """One course: figures, bands, next reset, alerts, counts."""
    from service.commands.showing import show_course

    raise typer.Exit(show_course(course, as_json))


@app.command()
def openapi(
    check: Annotated[Path | None, typer.Option(help="Exit 1 when this file is not current.")] = None,
) -> None:
    """Print the OpenAPI document."""
    from service.commands.describing import print_openapi

    raise typer.Exit(print_openapi(check))


def fail(message: str) -> None:
    """Say on standard error what went wrong."""
    typer.echo(message, err=True)


__all__: list[Any] = ["app", "main"]
