"""What came of attacks: how many were tried, what each led to, and how many did harm."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["AttackReport", "AttackResult", "Progress"]

# Called with the steps that are done, and their total.
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class AttackResult:
    """One kind of attack.

    outcomes : how many of the tries ended how, in words
    harm : how many did harm; examples : a sentence for each of the first of them
    measured : further figures, with their units in the names
    seconds : on the clock
    """

    name: str
    tries: int
    outcomes: Mapping[str, int]
    harm: int
    seconds: float
    measured: Mapping[str, float]
    examples: Sequence[str] = ()

    def document(self) -> dict[str, Any]:
        return {**vars(self), "outcomes": dict(self.outcomes), "measured": dict(self.measured)}


@dataclass(frozen=True)
class AttackReport:
    """All attacks of one command. seed : of the random numbers of all of them"""

    seed: int
    results: Sequence[AttackResult]

    @property
    def passed(self) -> bool:
        """Whether no attack did harm."""
        return not any(result.harm for result in self.results)

    def document(self) -> dict[str, Any]:
        """The report in types of JSON."""
        results = [result.document() for result in self.results]
        return {"schema": "clutchlight/attacks/1", "seed": self.seed, "passed": self.passed, "attacks": results}

    def table(self) -> str:
        """A line for each attack, then what did harm."""
        width = max(len(result.name) for result in self.results)
        lines = [f"{'':<{width}}  {'tries':>6}  {'harm':>5}  {'time':>7}  outcomes"]
        for result in self.results:
            outcomes = [f"{number:,} {outcome}" for outcome, number in result.outcomes.items()]
            measured = [f"{name} {value:,g}" for name, value in result.measured.items()]
            words = "; ".join(filter(None, (", ".join(outcomes), ", ".join(measured))))
            lines.append(
                f"{result.name:<{width}}  {result.tries:>6,}  {result.harm:>5,}  {result.seconds:>5.0f} s  {words}"
            )
        lines += [f"{result.name}: {example}" for result in self.results for example in result.examples]
        return "\n".join(lines)
