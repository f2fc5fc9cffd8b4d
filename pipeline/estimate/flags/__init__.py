"""Why a person should look at an exam.

catalogue       every flag: code, severity, reason, advice
raised_flag     a flag of the catalogue with what was found in one exam
inputs          what the flags of an exam are decided on
evaluate        which flags an exam raises: scan_flags, count_flags, egg_flags and change_flags
"""

from __future__ import annotations

from pipeline.estimate.flags.catalogue import FLAG_DEFINITIONS, FlagDefinition
from pipeline.estimate.flags.evaluate import evaluate_flags
from pipeline.estimate.flags.inputs import FlagInputs

__all__ = ["FLAG_DEFINITIONS", "FlagDefinition", "FlagInputs", "evaluate_flags"]
