"""The commands of the vet's page: ``clutchlight review`` and ``clutchlight users``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, Quiet, SettingsFile, Traceback, Weights, misused

if TYPE_CHECKING:
    from pipeline.review.users import Permission

__all__ = ["labels", "review", "users"]

Results = Annotated[Path, typer.Option("--out", metavar="DIR", help="Output folder of clutchlight batch.")]
LOOPBACK_HOSTS = ("127.0.0.1", "localhost", "::1")


def review(
    out: Results,
    settings: SettingsFile = None,
    weights: Weights = None,
    host: Annotated[
        str, typer.Option("--host", metavar="ADDRESS", help="Where it is served; beyond this machine people log in.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes any that is free.")] = 8017,
    hostnames: Annotated[
        list[str] | None,
        typer.Option("--hostname", metavar="NAME", help="A name that people reach it by, as in clutch.station.lan."),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="TLS certificate (PEM) to serve HTTPS with.")
    ] = None,
    private_key: Annotated[
        Path | None, typer.Option("--private-key", metavar="FILE", help="The certificate's private key (PEM).")
    ] = None,
    unencrypted: Annotated[
        bool,
        typer.Option("--unencrypted", help="Serve beyond this machine without HTTPS: only behind a proxy that has it."),
    ] = False,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Serve the page on which people confirm, correct and sign what the batch found."""
    with handle_errors(traceback):
        from pipeline.review.web.run_server import ServerOptions, serve
        from pipeline.settings import load_settings

        _need_results(out)
        is_local = host in LOOPBACK_HOSTS
        if (certificate is None) != (private_key is None):
            raise typer.Exit(misused("Give --certificate and --private-key together."))
        if not is_local and certificate is None and not unencrypted:
            raise typer.Exit(
                misused(
                    "Beyond this machine passwords would go over the net in clear. Give --certificate and "
                    "--private-key, or --unencrypted behind a proxy that serves HTTPS."
                )
            )
        wanted = ServerOptions(host, port, tuple(hostnames or ()), certificate, private_key, not is_local)

        def say(address: str) -> None:
            if not quiet:
                typer.echo(f"Open {address}\nStop with Ctrl+C.", err=True)

        # Exams that the batch estimated with another calibration are refused one by one.
        serve(out.resolve(), load_settings(settings, weights=weights, allow_uncalibrated=True), wanted, say)


def users(
    out: Results,
    add: Annotated[
        str | None, typer.Option("--add", metavar="NAME", help="Let a user log in, or change how; asks a password.")
    ] = None,
    role: Annotated[
        str, typer.Option("--role", metavar="TEXT", help="What the user is, as in veterinarian; stands on sheets.")
    ] = "",
    permission: Annotated[
        str, typer.Option("--permission", metavar="PERMISSION", help="look; review: answer, too; sign: sign, too.")
    ] = "review",
    remove: Annotated[
        str | None, typer.Option("--remove", metavar="NAME", help="Let a user log in no longer; answers stay.")
    ] = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Say who may log in to the vet's page beyond this machine; without --add and --remove, list them."""
    with handle_errors(traceback):
        from pipeline.review.event_log import EventLog
        from pipeline.review.users import PERMISSIONS, User, Users

        _need_results(out)
        if permission not in PERMISSIONS:
            raise typer.Exit(misused(f"--permission is one of {', '.join(PERMISSIONS)}, not {permission}."))
        right: Permission = next(one for one in PERMISSIONS if one == permission)
        event_log = EventLog(out)
        known = Users(event_log)
        if add is not None:
            if not role:
                raise typer.Exit(misused("Tell with --role what the user is; it stands beside the name on sheets."))
            password = typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
            try:
                known.save(User(add, role, right), password)
            except ValueError as error:
                raise typer.Exit(misused(str(error))) from error
        if remove is not None and not known.remove(remove):
            raise typer.Exit(misused(f"Nobody is called {remove} here."))
        if not quiet:
            for user in known.list_users():
                typer.echo(f"{user.name}\t{user.role}\t{user.permission}")
        event_log.close()


def labels(
    out: Results,
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Where the labelled frames go; made if missing.")],
    settings: SettingsFile = None,
    weights: Weights = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Write the frames of signed exams, with the eggs that people answered for, as COCO and MOTChallenge files.

    A frame is taken where somebody has spoken of every egg in view; each outline tells who confirmed it. Where the
    program saw something that nobody was asked about, the frame says so, and nothing is learned there.
    """
    with handle_errors(traceback):
        from pipeline.cli.progress import show_step_progress
        from pipeline.labels.writer import write_labels
        from pipeline.settings import load_settings

        _need_results(out)
        with show_step_progress("Writing labels", quiet=quiet) as step:
            written = write_labels(
                out.resolve(), to, load_settings(settings, weights=weights, allow_uncalibrated=True), step
            )
        if as_json:
            typer.echo(json.dumps(written.document(), ensure_ascii=False, indent=2))
        elif not quiet:
            typer.echo(f"{written.exams} signed exams, {written.frames} frames, {written.outlines} outlines in {to}")
        for problem in written.problems if not quiet else ():
            typer.echo(problem, err=True)


def _need_results(out: Path) -> None:
    from pipeline.store.store import StoreError, database_path

    if not database_path(out).is_file():
        raise StoreError(
            f"{out}: no results lie in this folder. Name the output folder of clutchlight batch with --out, or run "
            "the batch first."
        )
