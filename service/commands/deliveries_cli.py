"""`closure-readings deliveries ...` and `deliver`.

Wired by `app.add_typer(deliveries_app, name="deliveries")` and `app.command()(deliver)`.
"""

from typing import Annotated

import typer

deliveries_app = typer.Typer(help="What waits and what is held at the hospital's servers.")
SITE = typer.Option(help="The site; else the configured one.")
Site = Annotated[str | None, SITE]
Number = Annotated[int | None, typer.Argument(metavar="ID", help="A held delivery, as listed.")]
Everything = Annotated[str | None, typer.Option("--all", metavar="DESTINATION", help="All that is held there.")]
Reason = Annotated[str, typer.Option(help="Why; kept on record.")]
By = Annotated[str | None, typer.Option(help="Who decides; else the user of this machine.")]


@deliveries_app.callback(invoke_without_command=True)
def deliveries(
    context: typer.Context,
    site: Site = None,
    destination: Annotated[str | None, typer.Option(help="Only of this destination.")] = None,
    held: Annotated[bool, typer.Option("--held", help="Only what is held.")] = False,
    state: Annotated[list[str] | None, typer.Option(help="waiting, held, delivered, skipped or dropped.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many, newest first.")] = 50,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON, decisions included.")] = False,
) -> None:
    """What waits and what is held, with the other server's words."""
    if context.invoked_subcommand is not None:
        return
    from service.commands.deliveries import show_deliveries

    states = ["held"] if held else state or ["waiting", "held"]
    raise typer.Exit(show_deliveries(site, destination, states, limit, as_json))


@deliveries_app.command()
def redrive(
    reason: Reason, number: Number = None, everything: Everything = None, site: Site = None, by: By = None
) -> None:
    """Send a held course again, or all that is held at a destination."""
    from service.commands.deliveries import decide

    raise typer.Exit(decide("redrive", site, number, everything, reason, by))


@deliveries_app.command()
def skip(
    reason: Reason, number: Number = None, everything: Everything = None, site: Site = None, by: By = None
) -> None:
    """Leave out what was refused; the course goes on with what is written later."""
    from service.commands.deliveries import decide

    raise typer.Exit(decide("skip", site, number, everything, reason, by))


def deliver(
    once: Annotated[
        bool, typer.Option("--once", help="Send what is due now, then end; exit 1 if some did not go.")
    ] = False,
    timeout_s: Annotated[float, typer.Option(min=0.1, max=600, help="Wait so long for an answer.")] = 30.0,
    first_wait_s: Annotated[float, typer.Option(min=0.001, help="Where waiting after a fault begins.")] = 1.0,
    longest_wait_s: Annotated[float, typer.Option(min=0.01, help="The longest wait after a fault.")] = 900.0,
    quiet: Annotated[bool, typer.Option("--quiet", help="Tell of faults only.")] = False,
) -> None:
    """Send what was stored to the destinations, until interrupted; several processes may run."""
    from service.commands import delivering

    raise typer.Exit(delivering.deliver(once, timeout_s, first_wait_s, longest_wait_s, quiet))
