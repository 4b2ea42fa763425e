"""`closure-readings hl7v2 ...`: add to the command line with `app.command()(hl7v2)`."""

from pathlib import Path
from typing import Annotated

import typer


def hl7v2(
    course: Annotated[str, typer.Argument(help="The course_id.")],
    entry: Annotated[str, typer.Option(help="The entry_id: a check, installation, reset, removal, count or outcome.")],
    site: Annotated[str | None, typer.Option(help="The site; else the configured one.")] = None,
    send: Annotated[
        str | None, typer.Option(metavar="HOST:PORT", help="Send it by MLLP instead of printing it.")
    ] = None,
    tls: Annotated[bool, typer.Option("--tls", help="Speak TLS.")] = False,
    ca: Annotated[Path | None, typer.Option(exists=True, dir_okay=False, help="Authorities to trust instead.")] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Without TLS off loopback: the line is protected.")] = False,
    timeout: Annotated[float, typer.Option(min=1, max=600, help="Seconds for the whole exchange.")] = 30,
    receiving_application: Annotated[str, typer.Option(help="MSH-5.")] = "",
    receiving_facility: Annotated[str, typer.Option(help="MSH-6.")] = "",
    processing_id: Annotated[str, typer.Option(help="MSH-11: P production, T training, D debugging.")] = "P",
    authority: Annotated[
        list[str] | None, typer.Option(metavar="SYSTEM=NAME", help="How the hospital calls an identifier system.")
    ] = None,
) -> None:
    """The readings of one entry as an HL7 v2.5.1 message (ORU^R01), printed or sent."""
    from service.commands.hl7v2 import Asked, Peer, print_or_send

    addressed = (receiving_application, receiving_facility, processing_id, tuple(authority or ()))
    asked = Asked(course, entry, site or "", *addressed)
    peer = Peer(send, tls, ca, plain, timeout) if send is not None else None
    raise typer.Exit(print_or_send(asked, peer))
