"""`closure-readings groups ...`, `registries ...`: `app.add_typer(groups_app, name="groups")` and so on."""

from pathlib import Path
from typing import Annotated

import typer

groups_app = typer.Typer(help="Groups of patients who agreed to an export.", no_args_is_help=True)
registries_app = typer.Typer(help="Which site gives which registry de-identified data.", no_args_is_help=True)
Site = Annotated[str | None, typer.Option(help="The site; else that of the settings.")]
Group = Annotated[str, typer.Argument(metavar="GROUP", help="The id that `groups add` printed.")]
Courses = Annotated[list[str] | None, typer.Option("--course", metavar="COURSE", help="The patient of a course.")]
Patients = Annotated[list[str] | None, typer.Option("--patient", metavar="ID", help="A Patient by its id.")]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON.")]
Client = Annotated[str, typer.Argument(metavar="CLIENT", help="The id of the registry, from `clients add`.")]


@groups_app.command()
def add(name: Annotated[str, typer.Argument(help="What people call it.")], site: Site = None) -> None:
    """Make a group; prints its id."""
    from service.commands.exporting import add_group

    raise typer.Exit(add_group(name, site))


@groups_app.command(name="list")
def list_(site: Site = None, as_json: AsJson = False) -> None:
    """The groups of a site."""
    from service.commands.exporting import list_groups

    raise typer.Exit(list_groups(site, as_json))


@groups_app.command()
def include(group: Group, course: Courses = None, patient: Patients = None, site: Site = None) -> None:
    """Put patients into a group; prints how many are new."""
    from service.commands.exporting import change_members

    raise typer.Exit(change_members(group, course or [], patient or [], site, out=False))


@groups_app.command()
def exclude(group: Group, course: Courses = None, patient: Patients = None, site: Site = None) -> None:
    """Take patients out of a group, from the next export on; prints how many were in it."""
    from service.commands.exporting import change_members

    raise typer.Exit(change_members(group, course or [], patient or [], site, out=True))


@groups_app.command()
def members(group: Group, site: Site = None) -> None:
    """The ids of the Patients of a group."""
    from service.commands.exporting import list_members

    raise typer.Exit(list_members(group, site))


@registries_app.command()
def agree(
    site: Annotated[str, typer.Argument(help="The site that gives.")],
    client: Client,
    mode: Annotated[str, typer.Option(help="research or safe-harbor.")],
    key: Annotated[Path | None, typer.Option(metavar="FILE", help="Key of the pseudonyms, for research.")] = None,
    group: Annotated[str | None, typer.Option(metavar="GROUP", help="Only the patients of this group.")] = None,
) -> None:
    """Let a registry have de-identified data of a site."""
    from service.commands.exporting import agree as agreed

    raise typer.Exit(agreed(site, client, mode, key, group))


@registries_app.command()
def end(site: Annotated[str, typer.Argument(help="The site that gave.")], client: Client) -> None:
    """End an agreement."""
    from service.commands.exporting import end_agreement

    raise typer.Exit(end_agreement(site, client))


@registries_app.command(name="list")
def list_agreements(as_json: AsJson = False) -> None:
    """Every agreement."""
    from service.commands.exporting import list_agreements as listed

    raise typer.Exit(listed(as_json))
