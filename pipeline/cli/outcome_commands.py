"""The two commands of the centre's own record: ``clutchlight outcome`` and ``clutchlight agreement``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, Quiet, Traceback, misused

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.exams.outcomes import Outcome
    from pipeline.store.store import StoredExam

__all__ = ["agreement", "outcome"]

Results = Annotated[Path, typer.Option("--out", metavar="DIR", help="Output folder of clutchlight batch.")]


def outcome(
    out: Results,
    animal: Annotated[
        str | None, typer.Argument(metavar="ANIMAL", help="The animal's id, as its sheet has it.")
    ] = None,
    kind: Annotated[str | None, typer.Argument(metavar="KIND", help="laid, radiograph, surgery or hatched.")] = None,
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
    with handle_errors(traceback):
        import datetime as dt

        from pipeline.exams.outcome_file import new_outcomes, parse_outcome, read_outcomes
        from pipeline.store.lock import hold_lock
        from pipeline.store.store import Store

        today = dt.date.today()
        told: Sequence[Outcome]
        if table is not None:
            if animal is not None or date is not None or number or who or note or withdrawn:
                raise typer.Exit(misused("Give --csv alone, or ANIMAL, KIND and --date for one outcome."))
            told = read_outcomes(table, today=today)
        elif animal is None or kind is None or date is None:
            raise typer.Exit(misused("Give ANIMAL, KIND and --date for one outcome, or --csv FILE for many."))
        else:
            cells = {"animal": animal, "outcome": kind, "date": date, "number": number, "who": who, "note": note}
            told = [parse_outcome({**cells, "withdrawn": "yes" if withdrawn else ""}, today=today)]
        _need_results(out)
        with hold_lock(out), Store(out) as store:
            new = new_outcomes(told, store.outcomes()) if table is not None else told
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


def agreement(
    out: Results,
    within: Annotated[
        int,
        typer.Option("--within", metavar="DAYS", min=1, max=365, help="Eggs laid or taken out so long after an exam."),
    ] = 28,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Show the centre its own record: estimates held against outcomes, as a page agreement.html in the output folder."""
    with handle_errors(traceback):
        from pipeline.agreement.page import write_agreement_page
        from pipeline.agreement.pairs import MatchRule
        from pipeline.agreement.summary import summarise_agreement
        from pipeline.agreement.text import agreement_lines
        from pipeline.batch.stored_summaries import read_summaries
        from pipeline.store.lock import hold_lock
        from pipeline.store.store import Store

        _need_results(out)
        with hold_lock(out), Store(out) as store:
            summaries, problems = read_summaries(store, out)
            made = summarise_agreement(summaries, store.outcomes(), MatchRule(max_days_to_first_egg=within))
            page = write_agreement_page(out, made)
        for problem in problems if not quiet else ():
            typer.echo(problem.reason, err=True)
        if as_json:
            typer.echo(json.dumps(made.document(), ensure_ascii=False, allow_nan=False, indent=2))
        elif not quiet:
            typer.echo("\n".join([*agreement_lines(made), f"Open {page}"]))


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
