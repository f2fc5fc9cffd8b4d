"""``clutchlight outcome`` and ``clutchlight agreement``: what became of the eggs, and how the estimates compare."""

from __future__ import annotations

import json
import os
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, Quiet, Results, SettingsFile, Traceback, misused, require_results

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.agreement.pairs import Station
    from pipeline.exams.exam_search import ExamProblem
    from pipeline.exams.outcomes import Outcome
    from pipeline.store.store import StoredExam

__all__ = ["agreement", "outcome"]


def outcome(
    out: Results,
    animal: Annotated[str | None, typer.Argument(metavar="ANIMAL", help="The animal's id, as on its sheet.")] = None,
    kind: Annotated[str | None, typer.Argument(metavar="KIND", help="laid, radiograph, surgery or hatched.")] = None,
    date: Annotated[str | None, typer.Option("--date", metavar="DATE", help="When it was, like 2026-05-14.")] = None,
    number: Annotated[
        str,
        typer.Option("--number", metavar="N", help="Number of eggs or hatchlings on that date, if counted."),
    ] = "",
    who: Annotated[str, typer.Option("--who", metavar="NAME", help="Who counted or reported it.")] = "",
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="Any remark.")] = "",
    withdrawn: Annotated[
        bool, typer.Option("--withdrawn", help="Withdraw what was recorded for this animal, kind and date.")
    ] = False,
    table: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            metavar="FILE",
            help="Record many outcomes. Columns: animal, outcome, date; optional: number, who, note, withdrawn (yes). "
            "Rows that were recorded before are skipped.",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Record outcomes: eggs that were laid, counted on a radiograph, removed by surgery, or hatched.

    Nothing is overwritten. To correct an outcome, record it again: the last record of an animal, kind and date is
    valid. Record all eggs laid on one date as one outcome, with their total.
    """
    with handle_errors(traceback):
        import datetime as dt

        from pipeline.exams.outcome_file import new_outcomes, parse_outcome, read_outcomes
        from pipeline.people.journal import Journal
        from pipeline.people.outcome_record import add_outcomes, recorded_outcomes
        from pipeline.store.lock import hold_lock
        from pipeline.store.store import Store

        today = dt.date.today()
        given: Sequence[Outcome]
        if table is not None:
            if animal is not None or date is not None or number or who or note or withdrawn:
                raise typer.Exit(misused("Give --csv alone, or ANIMAL, KIND and --date for one outcome."))
            given = read_outcomes(table, today=today)
        elif animal is None or kind is None or date is None:
            raise typer.Exit(misused("Give ANIMAL, KIND and --date for one outcome, or --csv FILE for many."))
        else:
            cells = {"animal": animal, "outcome": kind, "date": date, "number": number, "who": who, "note": note}
            given = [parse_outcome({**cells, "withdrawn": "yes" if withdrawn else ""}, today=today)]
        require_results(out)
        with hold_lock(out), closing(Journal(out)) as journal, Store(out) as store:
            new = new_outcomes(given, recorded_outcomes(journal)) if table is not None else given
            add_outcomes(journal, new)
            without_exam = _animals_without_exam(new, store.exams())
        known_before = len(given) - len(new)
        if as_json:
            document = {"recorded": len(new), "known_before": known_before, "without_exam": without_exam}
            typer.echo(json.dumps(document, ensure_ascii=False, indent=2))
        elif not quiet:
            from pipeline.formatting import plural

            skipped = f", {known_before} recorded before" if known_before else ""
            typer.echo(f"{plural(len(new), 'outcome')} recorded{skipped}")
        for name in without_exam if not quiet else ():
            typer.echo(f"{name}: {out} holds no exam of this animal. The outcome was recorded; check the id.", err=True)


def agreement(
    out: Results,
    within: Annotated[
        int,
        typer.Option(
            "--within",
            metavar="DAYS",
            min=1,
            max=365,
            help="Compare an exam with eggs laid or removed at most this many days later.",
        ),
    ] = 28,
    others: Annotated[
        list[Path] | None,
        typer.Option(
            "--other-station",
            metavar="DIR",
            help="Output folder of another station, to be compared with this one. May be given more than once.",
        ),
    ] = None,
    settings: SettingsFile = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Compare the centre's own estimates with recorded outcomes, and write agreement.html in the output folder.

    With --other-station the page is agreement-stations.html. Animals of the same name at two stations are two animals.
    """
    with handle_errors(traceback):
        from pipeline.agreement.page import write_agreement_page
        from pipeline.agreement.pairs import MatchRule
        from pipeline.agreement.summary import summarise_agreement
        from pipeline.agreement.text import agreement_lines
        from pipeline.settings import load_settings
        from pipeline.store.lock import hold_lock

        folders = list(dict.fromkeys(folder.resolve() for folder in (out, *(others or ()))))
        for folder in folders:
            require_results(folder)
        pages = load_settings(settings, allow_uncalibrated=True).pages
        with ExitStack() as locks:
            for folder in folders:
                locks.enter_context(hold_lock(folder))
            read = [_station(folder, folders) for folder in folders]
            compared = summarise_agreement([station for station, _ in read], MatchRule(max_days_to_first_egg=within))
            page = write_agreement_page(out, compared, pages)
        problems = [problem for _, its_problems in read for problem in its_problems]
        for problem in problems if not quiet else ():
            typer.echo(problem.reason, err=True)
        if as_json:
            typer.echo(json.dumps(compared.document(), ensure_ascii=False, allow_nan=False, indent=2))
        elif not quiet:
            typer.echo("\n".join([*agreement_lines(compared), f"Open {page}"]))


def _station(out: Path, folders: Sequence[Path]) -> tuple[Station, list[ExamProblem]]:
    """What an output folder holds, and what of it cannot be read. folders : of all stations, that of the page first"""
    from pipeline.agreement.pairs import Station
    from pipeline.batch.stored_summaries import read_summaries
    from pipeline.night.night_record import read_night
    from pipeline.people.journal import Journal
    from pipeline.people.outcome_record import recorded_outcomes
    from pipeline.store.store import Store

    with closing(Journal(out)) as journal, Store(out) as store:
        summaries, problems = read_summaries(store.exams(), out)
        outcomes = recorded_outcomes(journal)
    if len(folders) == 1:
        return Station(summaries, outcomes), list(problems)
    night = read_night(out)
    name = (night.station if night is not None else "") or out.name
    return Station(summaries, outcomes, name, Path(os.path.relpath(out, folders[0])).as_posix()), list(problems)


def _animals_without_exam(outcomes: Sequence[Outcome], exams: Sequence[StoredExam]) -> list[str]:
    known = {exam.animal.casefold() for exam in exams}
    return sorted({outcome.animal for outcome in outcomes if outcome.animal.casefold() not in known})
