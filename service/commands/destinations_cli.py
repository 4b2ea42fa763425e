"""`closure-readings destinations ...`: `app.add_typer(destinations_app, name="destinations")`."""

from typing import Annotated

import typer

destinations_app = typer.Typer(
    help="Which servers and engines get the data: add, list, change, check, pause.", no_args_is_help=True
)
Name = Annotated[str, typer.Argument(metavar="NAME", help="Small letters, digits, hyphens.")]
Site = Annotated[str, typer.Option(help="The site whose data goes there.")]
WRITING = "put: under our own ids. conditional: the server gives the ids. oru: HL7 v2 messages by MLLP."
PATIENTS = "How Patient and Encounter are named: conditional reference, logical reference, or our own ones sent (own)."
Writing = Annotated[str | None, typer.Option(metavar="put|conditional|oru", help=WRITING)]
URL = "Base of its FHIR API: https, on loopback also http. For oru mllps://HOST:PORT, or mllp:// without TLS."
Patients = Annotated[str | None, typer.Option(metavar="conditional|logical|own", help=PATIENTS)]
Types = Annotated[list[str] | None, typer.Option("--type", help="A resource type to send; all without one.")]
Profiles = Annotated[list[str] | None, typer.Option("--profile", help="Send only what claims one of these.")]
SignIn = Annotated[str | None, typer.Option(metavar="none|bearer|smart", help="How the server knows us.")]
SecretFile = Annotated[str | None, typer.Option(metavar="FILE", help="The token (bearer) or the private JWK (smart).")]
ClientId = Annotated[str | None, typer.Option(help="Our client id there (smart).")]
TokenUrl = Annotated[str | None, typer.Option(help="Token endpoint, where the server's configuration does not say it.")]
Scope = Annotated[str | None, typer.Option(help="Scope to ask for (smart).")]
CaFile = Annotated[str | None, typer.Option(metavar="FILE", help="Certificates to trust instead of the usual ones.")]
PerMinute = Annotated[int | None, typer.Option(help="At most so many requests a minute; 0 for no limit.")]
Application = Annotated[str | None, typer.Option(help="Of messages: MSH-5.")]
Facility = Annotated[str | None, typer.Option(help="Of messages: MSH-6.")]
ProcessingId = Annotated[str | None, typer.Option(help="Of messages: MSH-11, P production, T training, D debugging.")]
AUTHORITY = "Of messages: how the hospital calls an identifier system."
Authorities = Annotated[list[str] | None, typer.Option("--authority", metavar="SYSTEM=NAME", help=AUTHORITY)]
PLAIN = "Messages without TLS off loopback: the line is protected."
By = Annotated[str | None, typer.Option(help="Who decides; else the user of this machine.")]


@destinations_app.command()
def add(
    name: Name,
    site: Site,
    url: Annotated[str, typer.Option(help=URL)],
    writing: Annotated[str, typer.Option(metavar="put|conditional|oru", help=WRITING)],
    patients: Patients = None,
    types: Types = None,
    profiles: Profiles = None,
    sign_in: SignIn = None,
    secret_file: SecretFile = None,
    client_id: ClientId = None,
    token_url: TokenUrl = None,
    scope: Scope = None,
    ca_file: CaFile = None,
    per_minute: PerMinute = None,
    receiving_application: Application = None,
    receiving_facility: Facility = None,
    processing_id: ProcessingId = None,
    authorities: Authorities = None,
    plain: Annotated[bool, typer.Option("--plain", help=PLAIN)] = False,
    backfill: Annotated[bool, typer.Option("--backfill", help="Send everything charted so far too.")] = False,
) -> None:
    """Add a destination; what is written from now on waits for it."""
    from service.commands.destinations import add_destination
    from service.delivery.destination import Destination

    given = {
        "patients": patients, "types": tuple(types or ()), "profiles": tuple(profiles or ()), "sign_in": sign_in,
        "secret_file": secret_file, "client_id": client_id, "token_url": token_url, "scope": scope, "ca_file": ca_file,
        "per_minute": per_minute, "receiving_application": receiving_application,
        "receiving_facility": receiving_facility, "processing_id": processing_id,
        "authorities": tuple(authorities or ()), "plain": plain,
    }  # fmt: skip
    chosen = {key: value for key, value in given.items() if value is not None}
    destination = Destination(site, name, url.rstrip("/"), writing, **chosen)  # type: ignore[arg-type]  # by name
    raise typer.Exit(add_destination(destination, backfill))


@destinations_app.command(name="list")
def list_(
    site: Annotated[str | None, typer.Option(help="Only of this site.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """Every destination with what waits for it and what is held there."""
    from service.commands.destinations import show_destinations

    raise typer.Exit(show_destinations(site, as_json))


@destinations_app.command()
def change(
    name: Name,
    site: Site,
    url: Annotated[str | None, typer.Option(help=URL)] = None,
    writing: Writing = None,
    patients: Patients = None,
    types: Types = None,
    profiles: Profiles = None,
    sign_in: SignIn = None,
    secret_file: SecretFile = None,
    client_id: ClientId = None,
    token_url: TokenUrl = None,
    scope: Scope = None,
    ca_file: CaFile = None,
    per_minute: PerMinute = None,
    receiving_application: Application = None,
    receiving_facility: Facility = None,
    processing_id: ProcessingId = None,
    authorities: Authorities = None,
    plain: Annotated[bool | None, typer.Option("--plain/--tls", help=PLAIN)] = None,
) -> None:
    """Set some settings otherwise; an empty text takes one back to its default."""
    from service.commands import destinations

    given = {
        "url": url and url.rstrip("/"), "writing": writing, "patients": patients, "types": _several(types),
        "profiles": _several(profiles), "sign_in": sign_in, "secret_file": secret_file, "client_id": client_id,
        "token_url": token_url, "scope": scope, "ca_file": ca_file, "per_minute": per_minute,
        "receiving_application": receiving_application, "receiving_facility": receiving_facility,
        "processing_id": processing_id, "authorities": _several(authorities), "plain": plain,
    }  # fmt: skip
    raise typer.Exit(destinations.change(site, name, given))


@destinations_app.command()
def pause(name: Name, site: Site) -> None:
    """Send nothing more there; what is written waits."""
    from service.commands import destinations

    raise typer.Exit(destinations.pause(site, name, paused=True))


@destinations_app.command()
def resume(name: Name, site: Site) -> None:
    """Go on sending there, at once."""
    from service.commands import destinations

    raise typer.Exit(destinations.pause(site, name, paused=False))


@destinations_app.command()
def remove(
    name: Name,
    site: Site,
    force: Annotated[bool, typer.Option("--force", help="Drop what was not delivered.")] = False,
    reason: Annotated[str | None, typer.Option(help="Why it is dropped; kept.")] = None,
    by: By = None,
) -> None:
    """Forget a destination; refused while something is not delivered, unless forced with a reason."""
    from service.commands import destinations

    raise typer.Exit(destinations.remove(site, name, force, reason, by))


@destinations_app.command()
def check(name: Name, site: Site) -> None:
    """Read the server's CapabilityStatement: what it will not accept, and which settings fit."""
    from service.commands.destinations import check_destination

    raise typer.Exit(check_destination(site, name))


def _several(given: list[str] | None) -> tuple[str, ...] | None:
    return tuple(each for each in given if each) if given else None
