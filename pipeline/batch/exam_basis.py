"""What an exam's files depend on besides its folder and her earlier exams, as one short digest."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable
from dataclasses import asdict

from pipeline.batch.run_report import NetworkInUse
from pipeline.exams.outcomes import Outcome
from pipeline.exams.species import load_profiles
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import recorded_outcomes
from pipeline.people.signatures import current_signatures
from pipeline.settings import Settings, settings_sha256

__all__ = ["ExamBasis", "exam_basis", "json_digest"]

ExamBasis = Callable[[str, str], str]
"""The digest of one exam, of its animal and its date (ISO 8601)."""


def exam_basis(settings: Settings, journal: Journal, result_version: int, network: NetworkInUse) -> ExamBasis:
    """The digests of all exams of one run: of the network, the settings, species, outcomes, signatures and pages."""
    outcomes: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in recorded_outcomes(journal):
        outcomes[outcome.animal.casefold()].append(outcome)
    signatures = current_signatures(EventLog(journal))
    profiles = {name: profile.model_dump(mode="json") for name, profile in load_profiles().items()}
    pages = settings.pages.model_dump(mode="json")
    usual = json_digest([result_version, settings_sha256(settings), asdict(network), profiles, pages])

    def basis(animal: str, date: str) -> str:
        of_her, signature = outcomes.get(animal.casefold()), signatures.get(ExamKey(animal, date))
        if not of_her and signature is None:
            return usual
        return json_digest([usual, [asdict(one) for one in of_her or ()], signature and asdict(signature)])

    return basis


def json_digest(content: object) -> str:
    """Equal contents have equal digests."""
    return hashlib.blake2b(json.dumps(content, sort_keys=True, default=str).encode(), digest_size=16).hexdigest()
