"""Why a person should look at an exam.

catalogue    every reason in one place: code, severity, what was seen, what a person might do
inputs      what they are decided on
scan_flags      reasons in how she was scanned       count_flags     in the numbers
egg_flags      in single eggs and her species       change_flags    in what became of an earlier exam
raised       which of them an exam gives
"""

from __future__ import annotations

from pipeline.estimate.flags.catalogue import FLAG_DEFINITIONS, FlagDefinition
from pipeline.estimate.flags.evaluate import evaluate_flags
from pipeline.estimate.flags.inputs import FlagInputs

__all__ = ["FLAG_DEFINITIONS", "FlagDefinition", "FlagInputs", "evaluate_flags"]
