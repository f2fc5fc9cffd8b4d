"""The two commands of the centre's own record: ``clutchlight outcome`` and ``clutchlight record``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.error_handling import answering
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.options import AsJson, Quiet, Traceback

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.exams.outcomes import Outcome
    from pipeline.store.store import StoredExam

__all__ = ["outcome", "record"]

Results = Annotated[Path, typer.Option("--out", metavar="DIR", help="Output folder of clutchlight batch.")]


def outcome(
    out: Results,
    animal: Annotated[
        str | None, typer.Argument(metavar="ANIMAL", help="The animal's id, as its sheet has it.")
    ] = None,
    kind: Annotated[str | None, typer.Argument(metavar="WHAT", help="laid, radiograph, surgery or hatched.")] = None,
    date: Annotated[str | None, typer.Option("--date", metavar="DATE", help="When it was, like 2026-05-14.")] = None,
    number: Annotated[
        str,
        typer.Option("--number", metavar="N", help="Of eggs (or hatchlings) on that date; without it, not counted."),
    ] = "",
    who: Annotated[str, typer.Option("--who", metavar="NAME", help="Who counted or told it.")] = "",
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="Anything else.")] = "",
    withdrawn: Annotated[
        bool, typer.Option("--withdrawn", help="What was recorded of this animal, kind and date is not true.")
    ] = False,
    table: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            metavar="FILE",
            help="Many at once. Columns: animal, outcome, date; and, if wanted, number, who, note, withdrawn (yes). "
            "Rows that were recorded before are passed over.",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Record what was later known of an animal: eggs laid, on a radiograph, taken out by surgery, or hatched.

    Nothing is overwritten: to correct an outcome record it once more; of one animal, kind and date the last one
    holds. Eggs laid on one date are one outcome with the total of that date.
    """
    with answering(traceback):
        import datetime as dt

        from pipeline.exams.outcome_file import not_yet_told, outcome_of, read_outcomes
        from pipeline.store.lock import hold_lock
        from pipeline.store.store import Store

        today = dt.date.today()
        told: Sequence[Outcome]
        if table is not None:
            if animal is not None or date is not None or number or who or note or withdrawn:
                raise typer.Exit(_misused("Give --csv alone, or ANIMAL, WHAT and --date for one outcome."))
            told = read_outcomes(table, today=today)
        elif animal is None or kind is None or date is None:
            raise typer.Exit(_misused("Give ANIMAL, WHAT and --date for one outcome, or --csv FILE for many."))
        else:
            cells = {"animal": animal, "outcome": kind, "date": date, "number": number, "who": who, "note": note}
            told = [outcome_of({**cells, "withdrawn": "yes" if withdrawn else ""}, today=today)]
        _need_results(out)
        with hold_lock(out), Store(out) as store:
            new = not_yet_told(told, store.outcomes()) if table is not None else told
            store.add_outcomes(new)
            unknown = _unknown(new, store.exams())
        if as_json:
            document = {"recorded": len(new), "known_before": len(told) - len(new), "without_exam": unknown}
            typer.echo(json.dumps(document, ensure_ascii=False, indent=2))
        elif not quiet:
            before = f", {len(told) - len(new)} recorded before" if len(new) < len(told) else ""
            typer.echo(f"{len(new)} {'outcome' if len(new) == 1 else 'outcomes'} recorded{before}")
        for name in unknown if not quiet else ():
            typer.echo(f"{name}: no exam of this animal is in {out}. Recorded all the same; check the id.", err=True)


def record(
    out: Results,
    within: Annotated[
        int,
        typer.Option("--within", metavar="DAYS", min=1, max=365, help="Eggs laid or taken out so long after an exam."),
    ] = 28,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Show the centre its own record: estimates held against outcomes, as a page record.html in the output folder."""
    with answering(traceback):
        from pipeline.agreement.page import record_html
        from pipeline.agreement.pairs import MatchRule
        from pipeline.agreement.summary import make_record
        from pipeline.agreement.text import record_lines
        from pipeline.batch.stored_summaries import read_summaries
        from pipeline.store.lock import hold_lock
        from pipeline.store.store import Store
        from pipeline.store.whole_files import write_whole

        _need_results(out)
        with hold_lock(out), Store(out) as store:
            summaries, problems = read_summaries(store, out)
            made = make_record(summaries, store.outcomes(), MatchRule(passed_days=within))
            write_whole(out / "record.html", [record_html(made)])
        for problem in problems if not quiet else ():
            typer.echo(problem.reason, err=True)
        if as_json:
            typer.echo(json.dumps(made.document(), ensure_ascii=False, allow_nan=False, indent=2))
        elif not quiet:
            typer.echo("\n".join([*record_lines(made), f"Open {out / 'record.html'}"]))


def _need_results(out: Path) -> None:
    """A slip in the folder's name must not begin a second, empty record."""
    from pipeline.store.store import StoreError, database_path

    if not database_path(out).is_file():
        raise StoreError(
            f"{out}: no results lie in this folder. Name the output folder of clutchlight batch with --out, or run "
            "the batch first."
        )


def _unknown(outcomes: Sequence[Outcome], exams: Sequence[StoredExam]) -> list[str]:
    known = {exam.animal.casefold() for exam in exams}
    return sorted({one.animal for one in outcomes if one.animal.casefold() not in known})


def _misused(sentence: str) -> ExitCode:
    typer.echo(sentence, err=True)
    return ExitCode.USAGE
