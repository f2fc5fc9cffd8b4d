"""The commands of the review: ``clutchlight review``, ``clutchlight users`` and ``clutchlight labels``."""

from __future__ import annotations

import ipaddress
import json
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, Quiet, Results, SettingsFile, Traceback, Weights, misused, require_results
from pipeline.formatting import plural

__all__ = ["labels", "review", "users"]

LOOPBACK_HOSTS = ("127.0.0.1", "localhost", "::1")


def review(
    out: Results,
    settings: SettingsFile = None,
    weights: Weights = None,
    host: Annotated[
        str,
        typer.Option(
            "--host", metavar="ADDRESS", help="Address to listen on. Beyond this computer users need a password."
        ),
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port to listen on; 0: any free one.")] = 8017,
    hostnames: Annotated[
        list[str] | None,
        typer.Option(
            "--hostname",
            metavar="NAME",
            help="Name under which users reach the server, like clutch.station.lan. May be given more than once.",
        ),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="TLS certificate (PEM) for HTTPS.")
    ] = None,
    private_key: Annotated[
        Path | None, typer.Option("--private-key", metavar="FILE", help="The certificate's private key (PEM).")
    ] = None,
    proxies: Annotated[
        list[str] | None,
        typer.Option(
            "--proxy",
            metavar="ADDRESS",
            help="IP address or network of a proxy that provides HTTPS under --hostname. Without --certificate only "
            "its requests are answered. May be given more than once.",
        ),
    ] = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Serve the pages on which users confirm, correct and sign the batch's results."""
    with handle_errors(traceback):
        from pipeline.review.web.run_server import ServerOptions, serve
        from pipeline.settings import load_settings

        require_results(out)
        # Other names, and a proxy, bring requests from other computers.
        is_local = host in LOOPBACK_HOSTS and not hostnames and not proxies
        if (certificate is None) != (private_key is None):
            raise typer.Exit(misused("Give --certificate and --private-key together."))
        for proxy in proxies or ():
            if not _is_network(proxy):
                raise typer.Exit(misused(f"--proxy is an IP address or a network like 10.1.0.0/16, not {proxy}."))
        if proxies and not hostnames:
            raise typer.Exit(misused("Give with --hostname the name under which the proxy is reached."))
        if not is_local and certificate is None and not proxies:
            raise typer.Exit(
                misused(
                    "Without HTTPS passwords would cross the network unencrypted. Give --certificate and "
                    "--private-key, or --proxy if a proxy provides HTTPS."
                )
            )
        options = ServerOptions(
            host, port, tuple(hostnames or ()), tuple(proxies or ()), certificate, private_key, not is_local
        )

        def show_addresses(addresses: list[str]) -> None:
            if not quiet:
                typer.echo("\n  or ".join([f"Open {addresses[0]}", *addresses[1:]]) + "\nStop with Ctrl+C.", err=True)

        # Exams that the batch estimated with another calibration are refused one by one.
        calibrated = load_settings(settings, weights=weights, allow_uncalibrated=True)
        serve(out.resolve(), calibrated, options, show_addresses)


def _is_network(text: str) -> bool:
    try:
        ipaddress.ip_network(text)
    except ValueError:
        return False
    return True


def users(
    out: Results,
    add: Annotated[
        str | None,
        typer.Option("--add", metavar="NAME", help="Add a user, or change an existing one. Asks for a password."),
    ] = None,
    role: Annotated[
        str,
        typer.Option("--role", metavar="TEXT", help="The user's role, like veterinarian; shown on signed sheets."),
    ] = "",
    permission: Annotated[
        str,
        typer.Option(
            "--permission",
            metavar="PERMISSION",
            help="look: view only; review: view and answer; sign: view, answer and sign.",
        ),
    ] = "review",
    no_password: Annotated[
        bool,
        typer.Option("--no-password", help="The user cannot log in, and is only in the list of this computer's page."),
    ] = False,
    remove: Annotated[
        str | None, typer.Option("--remove", metavar="NAME", help="Remove a user. The user's answers stay.")
    ] = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Manage who may review: with a password from other computers, without one on this computer only.

    Without --add and --remove, list the users.
    """
    with handle_errors(traceback):
        from pipeline.people.journal import Journal
        from pipeline.people.users import PERMISSIONS, User, Users

        require_results(out)
        checked = next((one for one in PERMISSIONS if one == permission), None)
        if checked is None:
            raise typer.Exit(misused(f"--permission is one of {', '.join(PERMISSIONS)}, not {permission}."))
        with closing(Journal(out)) as journal:
            known = Users(journal)
            if add is not None:
                if not role:
                    raise typer.Exit(misused("Give the user's --role; it is shown with the name on signed sheets."))
                password = None
                if not no_password:
                    password = typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
                try:
                    known.save(User(add, role, checked), password)
                except ValueError as error:
                    raise typer.Exit(misused(str(error))) from error
            if remove is not None and not known.remove(remove):
                raise typer.Exit(misused(f"There is no user {remove}."))
            if not quiet:
                for user in known.list_users():
                    typer.echo(f"{user.name}\t{user.role}\t{user.permission}")


def labels(
    out: Results,
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Folder for the labels; created if missing.")],
    settings: SettingsFile = None,
    weights: Weights = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Write the frames of signed exams, with the confirmed eggs, as COCO and MOTChallenge files.

    A frame is included if every egg in view has an answer. Each outline records who confirmed it. What the program
    detected but did not ask about is marked as ignored: neither right nor wrong to detect.
    """
    with handle_errors(traceback):
        from pipeline.cli.progress import show_step_progress
        from pipeline.labels.writer import write_labels
        from pipeline.settings import load_settings

        require_results(out)
        with show_step_progress("Writing labels", quiet=quiet) as step:
            written = write_labels(
                out.resolve(), to, load_settings(settings, weights=weights, allow_uncalibrated=True), step
            )
        if as_json:
            typer.echo(json.dumps(written.document(), ensure_ascii=False, indent=2))
        elif not quiet:
            typer.echo(
                f"{plural(written.exams, 'signed exam')}, {plural(written.frames, 'frame')}, "
                f"{plural(written.outlines, 'outline')} in {to}"
            )
        for problem in written.problems if not quiet else ():
            typer.echo(problem, err=True)
