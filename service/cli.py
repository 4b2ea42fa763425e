"""The command line: serve, load, map, validate, due, show, plan, reference, package, audit, rebuild, copy, backup.

Imports of the heavy parts stand inside the commands, so that `map` and `--help` start fast. Exit codes: 0 done,
1 something was refused or is not valid, 2 the command was called wrongly, 3 tables or database must be mended first.
"""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from service.commands.clients_cli import clients_app
from service.commands.deliveries_cli import deliver, deliveries_app
from service.commands.destinations_cli import destinations_app
from service.commands.exporting_cli import groups_app, registries_app
from service.commands.hl7v2_cli import hl7v2
from service.commands.registry_cli import registry_app

app = typer.Typer(
    name="closure-readings",
    help="Bedside readings of gradual wound closure in, validated FHIR R4 out.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
Files = Annotated[list[Path], typer.Argument(exists=True, readable=True, dir_okay=False)]


app.add_typer(clients_app, name="clients")
app.add_typer(destinations_app, name="destinations")
app.add_typer(deliveries_app, name="deliveries")
app.command()(deliver)
app.add_typer(groups_app, name="groups")
app.add_typer(registries_app, name="registries")
app.add_typer(registry_app, name="registry")
app.command()(hl7v2)


def main() -> None:
    """Entry point of the console command. What a person must mend is said in words, not in a traceback."""
    try:
        app()
    except Exception as fault:
        if not _is_for_a_person(fault):
            raise
        fail(f"closure-readings: {fault}")
        sys.exit(3)


def _is_for_a_person(fault: Exception) -> bool:
    """Whether the fault lies in tables, site files or the database, and its text says what is wrong."""
    from service.registry.views.definition import FaultyView
    from service.site_files import SiteFault
    from service.store import StoreError
    from service.terminology.tables import TerminologyFault

    return isinstance(fault, FaultyView | SiteFault | StoreError | TerminologyFault)


@app.command()
def serve(
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 8080,
    host: Annotated[str, typer.Option(help="Address to bind; others than loopback once a client is registered.")] = (
        "127.0.0.1"
    ),
    tls_certificate: Annotated[Path | None, typer.Option(metavar="FILE", help="Certificate chain, PEM.")] = None,
    tls_key: Annotated[Path | None, typer.Option(metavar="FILE", help="Its private key, for your eyes alone.")] = None,
    examples_when_empty: Annotated[bool, typer.Option(help="Load the example courses into an empty database.")] = False,
) -> None:
    """Serve the pages, the intake and the FHIR API."""
    from service.commands.serving import run_server

    raise typer.Exit(run_server(host, port, examples_when_empty, tls_certificate, tls_key))


@app.command()
def notify(
    once: Annotated[bool, typer.Option("--once", help="Until nothing is due any more, then end.")] = False,
) -> None:
    """Tell subscribers what happened; several of these may run beside the service."""
    from service.commands.notifying import notify

    raise typer.Exit(notify(once))


@app.command()
def sheet(
    course: Annotated[str, typer.Argument(help="The course_id.")],
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Where to write it; else COURSE.pdf.")] = None,
) -> None:
    """The hand-over sheet of a course as PDF."""
    from service.commands.sheet import write_sheet

    raise typer.Exit(write_sheet(course, out))


@app.command(name="export-worker")
def export_worker(
    once: Annotated[bool, typer.Option("--once", help="What waits now, then end.")] = False,
) -> None:
    """Write the files of exports; `serve` does so by itself, further workers may run beside it."""
    from service.commands.exporting import work_on_exports

    raise typer.Exit(work_on_exports(once))


@app.command()
def deidentify(
    files: Files,
    out: Annotated[Path, typer.Option(help="A new folder for the result.")],
    mode: Annotated[str, typer.Option(help="safe-harbor, or research.")] = "safe-harbor",
    key: Annotated[Path | None, typer.Option(exists=True, dir_okay=False, help="Of research: the secret key.")] = None,
    site: Annotated[str, typer.Option(help="Whose data it is.")] = "",
    registry: Annotated[str, typer.Option(help="Whom it is for: pseudonyms are of one registry.")] = "",
) -> None:
    """NDJSON of an export in, the same without what tells who the patients are out."""
    from service.commands.deidentifying import deidentify_files

    raise typer.Exit(deidentify_files(files, mode, key, out, site, registry))


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
def plan(
    file: Annotated[Path | None, typer.Argument(exists=True, readable=True, dir_okay=False)] = None,
    length_mm: Annotated[str | None, typer.Option(metavar="MM", help="Length of the wound, 10 to 1000.")] = None,
    max_gap_mm: Annotated[str | None, typer.Option(metavar="MM", help="Its largest gap, 0 to 400.")] = None,
    rest_mark_mm: Annotated[str | None, typer.Option(metavar="MM", help="Mark at rest, 2 to 50; else 10.")] = None,
    anchor_interval_mm: Annotated[str | None, typer.Option(metavar="MM", help="5 to 30; else the policy's.")] = None,
    setback_mm: Annotated[str | None, typer.Option(metavar="MM", help="5 to 30; else from the policy.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="The plan as JSON.")] = False,
    sheet: Annotated[Path | None, typer.Option(metavar="FILE.html", help="Write the printable sheet.")] = None,
) -> None:
    """Anchors, bands, lengths to cut and targets before an installation, from options or a JSON FILE."""
    from service.commands.planning import print_plan

    options = {
        "length_mm": length_mm,
        "max_gap_mm": max_gap_mm,
        "rest_mark_mm": rest_mark_mm,
        "anchor_interval_mm": anchor_interval_mm,
        "setback_mm": setback_mm,
    }
    raise typer.Exit(print_plan(file, options, as_json, sheet))


@app.command()
def reference(
    folder: Annotated[Path, typer.Argument(file_okay=False, help="Where the reference tables stand.")] = Path("docs"),
    check: Annotated[bool, typer.Option("--check", help="Exit 1 when one is not current; write nothing.")] = False,
) -> None:
    """Write the reference tables of limits, quantities and alerts from the code."""
    from service.commands.reference import write_reference

    raise typer.Exit(write_reference(folder, check))


@app.command()
def package(
    out: Annotated[Path | None, typer.Option(dir_okay=False, metavar="FILE.tgz", help="Where to write it.")] = None,
) -> None:
    """Write profiles, codes and maps with examples as an npm-style FHIR package, for a validator elsewhere."""
    from service.commands.packaging import write_package

    raise typer.Exit(write_package(out))


@app.command()
def audit(
    patient: Annotated[str | None, typer.Option(metavar="ID", help="Only of this Patient id.")] = None,
    date: Annotated[list[str] | None, typer.Option(metavar="DATE", help="As in FHIR: 2026-03-09, ge2026-03.")] = None,
    failures: Annotated[bool, typer.Option("--failures", help="Only what was refused or went wrong.")] = False,
    limit: Annotated[int, typer.Option(min=1, help="At most so many, newest first.")] = 50,
    as_json: Annotated[bool, typer.Option("--json", help="AuditEvents, one a line.")] = False,
) -> None:
    """The audit record: who asked what, when, and whether it was given."""
    from service.commands.auditing import show_audit

    raise typer.Exit(show_audit(patient, date or [], failures, limit, as_json))


@app.command()
def rebuild(
    check: Annotated[bool, typer.Option("--check", help="Compare and report only; exit 1 on differences.")] = False,
    after: Annotated[str, typer.Option(metavar="COURSE", help="Go on behind this course_id.")] = "",
) -> None:
    """Make the resources of every course afresh from its record, and write what differs as new versions."""
    from service.commands import rebuilding

    raise typer.Exit(rebuilding.rebuild(check, after))


@app.command()
def copy(
    source: Annotated[str, typer.Option("--from", metavar="URL", help="sqlite:///file or postgresql://...")],
    target: Annotated[str, typer.Option("--to", metavar="URL", help="A database with nothing in it.")],
) -> None:
    """Move everything from one database into another, empty one; counts and digests are compared."""
    from service.commands import copying

    raise typer.Exit(copying.copy(source, target))


@app.command()
def backup(file: Annotated[Path, typer.Argument(dir_okay=False, help="A new file.")]) -> None:
    """Back up the SQLite database into FILE, also while it is served; the copy is checked."""
    from service.commands.backing_up import back_up_to

    raise typer.Exit(back_up_to(file))


@app.command()
def restore(file: Annotated[Path, typer.Argument(exists=True, readable=True, dir_okay=False)]) -> None:
    """Make the SQLite database of a backup, where there is none yet; nothing is overwritten."""
    from service.commands.backing_up import restore_from

    raise typer.Exit(restore_from(file))


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
