"""Where answers come in: one at a time for each exam, each with what it changed.

An answer says up to which sequence its giver had seen the exam. What others said since then is no obstacle, unless it
is about the same egg: then nothing is kept, and the giver is told what was said and decides. A signed exam takes no
answer until it is opened again.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from models.errors import ClutchlightError
from pipeline.estimate.finding import Count, ExamFinding
from pipeline.review.answers import Answer, Drawn, Redo, Reopened, Settled, Signed, Undo, Unusable, Usable
from pipeline.review.batch_snapshot import Census
from pipeline.review.event_log import Entry, Event, Journal
from pipeline.review.replay import ReviewState, replay, undoable
from pipeline.review.reviewed_exams import Case
from pipeline.review.track_transfer import Carrying, carry, unchanged
from pipeline.review.users import Person

__all__ = ["Desk", "Overtaken", "Refused", "Reviewed"]


KEPT = 64  # exams whose standing is held in memory


class Refused(ClutchlightError):  # noqa: N818 - an answer that cannot be taken, in words for its giver
    """An answer that is not kept; the text says why."""


class Overtaken(Refused):
    """Others spoke of the same egg meanwhile. events : what they said."""

    def __init__(self, events: Sequence[Event]) -> None:
        names = " and ".join(sorted({event.person for event in events}))
        super().__init__(f"{names} has meanwhile answered about the same. Look again, then keep it or answer anew.")
        self.events = tuple(events)


@dataclass(frozen=True)
class Reviewed:
    """An exam as it stands. events : all answers;  finding : what follows from them"""

    case: Case
    events: tuple[Event, ...]
    state: ReviewState
    finding: ExamFinding


class Desk:
    """Takes answers into the journal; may be used from many threads."""

    def __init__(self, journal: Journal) -> None:
        self.journal = journal
        self._lock = threading.Lock()
        self._censuses: dict[tuple[str, str, str], int] = {}
        self._carryings: dict[tuple[int, str], Carrying] = {}
        self._stands: dict[tuple[str, str, str], Reviewed] = {}

    def reviewed(self, case: Case) -> Reviewed:
        latest = self._latest(case, self.journal.head(case.key))
        return latest or self._remember(self._reviewed(case, self.journal.events(case.key)))

    def take(
        self, case: Case, person: Person, request: str, seen: int, answer: Answer, *, even_so: bool = False
    ) -> tuple[Event, Reviewed]:
        """Keep an answer and say how the exam stands with it.

        request : the giver's own name for this answer; given twice, it is kept once
        seen : the sequence up to which the giver knows the exam;  even_so : known what others said, it stands

        Raises Refused, or Overtaken where others spoke of the same meanwhile and it is not told ``even_so``.
        """
        census = self._census(case)
        outcome: list[Reviewed] = []

        def decide(events: tuple[Event, ...]) -> Entry:
            before = self._latest(case, len(events)) or self._reviewed(case, events)
            _check(case, before.state, answer, person)
            settled = _resolved(answer, events, person)
            made = Entry(person.name, request, census, settled, {}, {})
            after = self._reviewed(case, (*events, _draft(made, len(events) + 1)))
            changed = _changes(before, after)
            if settled.kind in NEEDS_EGG and not changed:
                raise Refused("This says nothing new, or the egg it speaks of is not there. Nothing was kept.")
            if not even_so:
                _keep_order(events, seen, person, settled, {*changed})
            outcome.append(after)
            return Entry(person.name, request, census, settled, _document(before, changed), _document(after, changed))

        event = self.journal.append(case.key, request, decide)
        if not outcome:  # it was kept before
            return event, self.reviewed(case)
        (after,) = outcome
        # The signature and the questions hold the event itself, which had no time before it was kept.
        state = replay(case.census, (*after.events[:-1], event), self._carried(case, after.events))
        return event, self._remember(Reviewed(case, (*after.events[:-1], event), state, after.finding))

    def _latest(self, case: Case, head: int) -> Reviewed | None:
        """How the exam stood last, if that is up to date: the same answers over the same result give the same."""
        with self._lock:
            known = self._stands.get((*case.key, case.fingerprint))
        return known if known is not None and known.state.head == head else None

    def _remember(self, reviewed: Reviewed) -> Reviewed:
        place = (*reviewed.case.key, reviewed.case.fingerprint)
        with self._lock:
            self._stands.pop(place, None)
            self._stands[place] = reviewed
            while len(self._stands) > KEPT:
                self._stands.pop(next(iter(self._stands)))
        return reviewed

    def _reviewed(self, case: Case, events: tuple[Event, ...]) -> Reviewed:
        state = replay(case.census, events, self._carried(case, events))
        return Reviewed(case, events, state, case.finding(state))

    def _census(self, case: Case) -> int:
        place = (*case.key, case.fingerprint)
        with self._lock:
            known = self._censuses.get(place)
        if known is None:
            known = self.journal.keep_census(case.key, case.fingerprint, case.census.dumps())
            with self._lock:
                self._censuses[place] = known
        return known

    def _carried(self, case: Case, events: Sequence[Event]) -> dict[int, Carrying]:
        needed = {event.census for event in events}
        with self._lock:
            found = {
                n: self._carryings[n, case.fingerprint] for n in needed if (n, case.fingerprint) in self._carryings
            }
        if needed - set(found):
            documents = self.journal.censuses(case.key)
            own = case.census.dumps()
            for number in needed - set(found):
                text = documents[number]
                found[number] = unchanged() if text == own else carry(Census.loads(text), case.scans)
            with self._lock:
                self._carryings |= {(number, case.fingerprint): carrying for number, carrying in found.items()}
        return found


NEEDS_EGG = ("egg", "not-egg", "same", "two", "stage")


def _resolved(answer: Answer, events: Sequence[Event], person: Person) -> Answer:
    """Undo and redo with the sequence they mean."""
    if not isinstance(answer, Undo | Redo):
        return answer
    meant = undoable(events, person.name)[0 if isinstance(answer, Undo) else 1]
    if meant is None or answer.of not in (None, meant):
        raise Refused(f"There is nothing of yours to {answer.kind}.")
    return answer.model_copy(update={"of": meant})


def _check(case: Case, state: ReviewState, answer: Answer, person: Person) -> None:
    if isinstance(answer, Reopened):
        if state.signed is None:
            raise Refused("This exam is open.")
        if not person.can("sign"):
            raise Refused("Only those who may sign can open a signed exam again.")
        return
    if state.signed is not None:
        raise Refused(f"{state.signed.name} has signed this exam. Open it again first.")
    if isinstance(answer, Signed) and not person.can("sign"):
        raise Refused("You may review, but not sign.")
    if isinstance(answer, Settled) and answer.of not in {event.sequence for event in state.questions}:
        raise Refused("There is no such question.")
    if isinstance(answer, Drawn | Unusable | Usable):
        scan = next((s for s in case.scans if s.file == answer.clip and s.status == "done"), None)
        if scan is None:
            raise Refused(f"{answer.clip} is no clip of this exam that could be used.")
        last = answer.frame if isinstance(answer, Drawn) else answer.last
        if last >= scan.frames:
            raise Refused(f"{answer.clip} ends at frame {scan.frames - 1}.")
        if isinstance(answer, Drawn) and not (
            0 <= answer.ellipse[0] < scan.width and 0 <= answer.ellipse[1] < scan.height
        ):
            raise Refused("The outline's centre lies outside the picture.")


def _keep_order(events: Sequence[Event], seen: int, person: Person, answer: Answer, eggs: set[str]) -> None:
    since = [event for event in events if event.sequence > seen and event.person != person.name]
    if isinstance(answer, Signed):
        # Whoever signs has seen everything that is signed.
        met = since
    else:
        met = [event for event in since if eggs & {*event.before.get("eggs", {}), *event.after.get("eggs", {})}]
    if met:
        raise Overtaken(met)


def _draft(entry: Entry, sequence: int) -> Event:
    return Event(**vars(replace(entry, before={}, after={})), sequence=sequence, at="")


def _changes(before: Reviewed, after: Reviewed) -> list[str]:
    """The numbers of the eggs that the last answer changed."""
    old, new = ({str(egg.number): egg for egg in one.state.eggs} for one in (before, after))
    return sorted((number for number in {*old, *new} if old.get(number) != new.get(number)), key=int)


def _document(reviewed: Reviewed, numbers: Sequence[str]) -> dict[str, Any]:
    """The named eggs and the figures, for the journal."""
    eggs = {
        str(egg.number): {
            "verdict": egg.verdict,
            "stage": egg.stage,
            "pieces": [piece.model_dump() for piece in egg.pieces],
        }
        for egg in reviewed.state.eggs
        if str(egg.number) in numbers
    }
    finding = reviewed.finding
    return {
        "eggs": eggs,
        "shelled": _count(finding.shelled),
        "follicles": _count(finding.follicles),
        "stage": finding.stage,
    }


def _count(count: Count) -> list[int]:
    return [count.at_least, count.estimate, *count.interval90]
