"""`closure-readings clients ...`."""

from typing import Annotated

import typer

clients_app = typer.Typer(help="Who may sign in: add, list, rotate, revoke.", no_args_is_help=True)
KeySet = Annotated[str, typer.Option(metavar="FILE|URL", help="The client's public keys: a JWK Set, or where it is.")]
ClientId = Annotated[str, typer.Argument(metavar="CLIENT", help="The id that `add` printed.")]


@clients_app.command()
def add(
    name: Annotated[str, typer.Argument(help="What people call it.")],
    jwks: KeySet,
    scope: Annotated[str, typer.Option(help='What it may ask for, e.g. "system/*.rs intake:write".')],
    site: Annotated[str | None, typer.Option(help="The one site that it acts for.")] = None,
    registry: Annotated[bool, typer.Option("--registry", help="A registry: de-identified data, no site.")] = False,
) -> None:
    """Register a client; prints its id."""
    from service.commands.clients import add_client

    raise typer.Exit(add_client(name, site, jwks, scope, registry))


@clients_app.command(name="list")
def list_(as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False) -> None:
    """Every client that was ever registered."""
    from service.commands.clients import list_clients

    raise typer.Exit(list_clients(as_json))


@clients_app.command()
def rotate(client: ClientId, jwks: KeySet) -> None:
    """Replace a client's keys; its tokens and chart sessions are void at once."""
    from service.commands.clients import rotate_keys

    raise typer.Exit(rotate_keys(client, jwks))


@clients_app.command()
def revoke(client: ClientId) -> None:
    """End a client's access for good, at once."""
    from service.commands.clients import revoke_client

    raise typer.Exit(revoke_client(client))
